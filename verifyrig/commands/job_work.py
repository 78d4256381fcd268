"""`verifyrig job change | finding | place`: what was done to a machine, what was found, and where it stands."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, cast

from verifyrig.commands import Answer, Context
from verifyrig.commands.job_answer import answer_of, job_of, now, said_by
from verifyrig.core.errors import UsageError
from verifyrig.dialogs.prompt import Asker
from verifyrig.jobs.vocabulary import CHANGE_KINDS

if TYPE_CHECKING:
    from verifyrig.jobs.model import ChangeFacts


def add_change(sub: argparse.ArgumentParser) -> None:
    """Declare what was done."""
    sub.add_argument("kind", nargs="?", choices=list(CHANGE_KINDS), metavar="KIND", help=", ".join(CHANGE_KINDS))
    sub.add_argument("--part", metavar="NAME", help="which part")
    sub.add_argument("--lot", metavar="TEXT", help="its lot or serial")
    sub.add_argument("--price", metavar="TEXT", help="its price")
    sub.add_argument("--warranty", dest="warranty_months", type=int, metavar="MONTHS", help="its warranty")
    sub.add_argument("--before", metavar="TEXT", help="the setting before")
    sub.add_argument("--after", metavar="TEXT", help="the setting after")
    sub.add_argument("--photo-before", action="append", default=[], metavar="FILE", help="a photo of how it was found")
    sub.add_argument(
        "--photo", action="append", default=[], metavar="FILE", help="a photo of how it is after the change"
    )
    sub.add_argument("--agreed", choices=("yes", "no"), help="did the customer agree to a part that looks different")
    sub.add_argument("--new-mount", action="store_true", help="the cooler was off the processor for it")
    sub.add_argument("--note", metavar="TEXT", help="anything else")
    _add_lift(sub)


def add_finding(sub: argparse.ArgumentParser) -> None:
    """Declare what was found."""
    sub.add_argument("words", nargs="*", metavar="KEY=VALUE", help="radiator=cold, hose-in=52, consent-data=yes, ...")
    sub.add_argument("--tick", action="append", default=[], metavar="STEP", help="tick a protective step")
    _add_lift(sub)


def _add_lift(sub: argparse.ArgumentParser) -> None:
    sub.add_argument(
        "--lifts", action="append", default=[], metavar="DANGER", help="a danger that is gone; needs --done and --by"
    )
    sub.add_argument("--done", metavar="TEXT", help="what was done about that danger")


def add_put(sub: argparse.ArgumentParser) -> None:
    """Declare the place."""
    sub.add_argument("put", metavar="NAME", help="a place of bench.toml, or none")


def change(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    """Record what was done to the machine."""
    from verifyrig.dialogs.job_interview import ask_change, ask_lift
    from verifyrig.jobs.actions import record_change
    from verifyrig.jobs.dangers import standing_dangers
    from verifyrig.jobs.lifting import lift_of

    job, lift = job_of(args, context, asker), lift_of(args.lifts, args.done, args.by)
    kind, photos, before = args.kind, list(map(Path, args.photo)), list(map(Path, args.photo_before))
    detail = _facts_of(args)
    if kind is None:
        if asker is None:
            raise UsageError("it is not said what was done", where="job change", mend="Name the kind of change.")
        asked = ask_change(asker, job)
        kind, detail, photos, before = asked.kind, asked.detail, asked.photos, asked.photos_before
        lift = lift or ask_lift(asker, standing_dangers(job))
    by = lift.by if lift is not None else said_by(args, context)
    job = record_change(
        context.bench, job, kind, _short(detail), photos=photos, photos_before=before, by=by, lift=lift, now=now()
    )
    return answer_of(context, job, f"Recorded: {CHANGE_KINDS[kind]}.")


def _facts_of(args: argparse.Namespace) -> ChangeFacts:
    from verifyrig.jobs.model import ChangeFacts

    given = {name: getattr(args, name) for name in ChangeFacts.__annotations__}
    return cast(ChangeFacts, {name: value for name, value in given.items() if value is not None})


def _short(detail: ChangeFacts) -> ChangeFacts:
    short = {name: value[:2000] if isinstance(value, str) else value for name, value in detail.items()}
    return cast("ChangeFacts", short)


def finding(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    """Note what was seen, heard or read by hand, and the protective steps taken."""
    from verifyrig.dialogs.job_interview import ask_finding, ask_lift
    from verifyrig.jobs.actions import note_findings, tick_steps
    from verifyrig.jobs.dangers import danger_of, standing_dangers
    from verifyrig.jobs.lifting import lift_of

    job, lift = job_of(args, context, asker), lift_of(args.lifts, args.done, args.by)
    words = list(args.words)
    if not words and (not args.tick or lift is not None):
        if asker is None:
            mend = "Write it like radiator=cold." if lift is None else "Write what was found, as in pack=flat."
            raise UsageError("nothing is to be noted", where="job finding", mend=mend)
        words = [word for word in [ask_finding(asker)] if word]
        key, _, value = words[0].partition("=") if words else ("", "", "")
        if words and lift is None and danger_of(key, value) is None:
            lift = ask_lift(asker, standing_dangers(job))
    by, at = lift.by if lift is not None else said_by(args, context), now()
    job = note_findings(context.bench, job, words, by=by, lift=lift, now=at) if words else job
    job = tick_steps(context.bench, job, args.tick, by=by, now=at)
    return answer_of(context, job, f"Noted: {', '.join([*words, *args.tick])}." if words or args.tick else "")


def put(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    """Say on which place of the bench the machine stands."""
    from verifyrig.bench.text import NOWHERE
    from verifyrig.jobs.actions import put_on_place
    from verifyrig.jobs.places import check_place

    place = args.put if args.put == NOWHERE else check_place(context.bench.config, args.put, "job place")
    job = put_on_place(context.bench, job_of(args, context, asker), place, by=said_by(args, context), now=now())
    return answer_of(context, job, "It stands on no place." if place == NOWHERE else f"It stands on {place}.")
