"""`verifyrig job correct | cancel | delete | clear`: a job is put right, or put away; each leaves its line."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.commands.job_answer import answer_of, job_of, now, said_by
from verifyrig.core.errors import UsageError
from verifyrig.core.plain_text import plain_line
from verifyrig.dialogs.prompt import Asker

if TYPE_CHECKING:
    from verifyrig.jobs.contract import GoneObject

_LONGEST = 2000


def add_correct(sub: argparse.ArgumentParser) -> None:
    """Declare what is put right."""
    sub.add_argument(
        "words",
        nargs="*",
        metavar="KEY=VALUE",
        help="a fact of the intake, as in serial=0007 (serial= empties it)",
    )
    sub.add_argument(
        "--withdraw", action="append", default=[], metavar="ENTRY", help="an entry written by mistake, by its id"
    )
    _add_reason(sub)


def add_delete(sub: argparse.ArgumentParser) -> None:
    """Declare what is deleted."""
    sub.add_argument("job", metavar="JOB", help="its id, in full")
    sub.add_argument("--with-records", action="store_true", help="its records too")
    _add_reason(sub)


def add_clear(sub: argparse.ArgumentParser) -> None:
    """Declare which job is cleared."""
    sub.add_argument("job", metavar="JOB", help="its id, in full")
    _add_reason(sub)


def add_reason(sub: argparse.ArgumentParser) -> None:
    """Declare why."""
    _add_reason(sub)


def _add_reason(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--reason", default="", metavar="TEXT", help="why; stands in the log, without names")


def correct(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    """Put facts of the intake right, and take entries back."""
    from verifyrig.dialogs.corrections import ask_correction
    from verifyrig.jobs.corrections import check_taken_back, correction_of
    from verifyrig.jobs.upkeep import correct as put_right
    from verifyrig.jobs.upkeep import take_back
    from verifyrig.report.catalogue import checked_language

    job, by = job_of(args, context, asker), said_by(args, context)
    pairs, withdrawn, why = [_pair(word) for word in args.words], list(args.withdraw), args.reason[:_LONGEST]
    if not pairs and not withdrawn:
        if asker is None:
            raise UsageError("nothing is to be put right", where="job correct", mend="Write it like serial=0007.")
        pairs, withdrawn = ask_correction(asker, job)
        if not pairs and not withdrawn:
            return answer_of(context, job, "Nothing was changed.")
    # All are looked at before the first is written.
    for key, value in pairs:
        correction_of(job, key, value)
        if key == "language":
            checked_language(value, "job correct")
    for entry_id in withdrawn:
        check_taken_back(job, entry_id)
    if pairs:
        job = put_right(context.bench, job, pairs, why=why, by=by, now=now())
    for entry_id in withdrawn:
        job = take_back(context.bench, job, entry_id, why=why, by=by, now=now())
    done = [f"{key} is now {plain_line(value, 60) or 'empty'}" for key, value in pairs]
    done += [f"entry {entry_id} is taken back" for entry_id in withdrawn]
    return answer_of(context, job, "; ".join(done) + ".")


def _pair(word: str) -> tuple[str, str]:
    key, sign, value = word.partition("=")
    if not sign:
        raise UsageError(f"{word[:60]!r} is no KEY=VALUE", where="job correct", mend="Write it like serial=0007.")
    return key.strip().lower().replace("price-ceiling", "price_ceiling"), value.strip()[:_LONGEST]


def cancel(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    """End a job without a repair."""
    from verifyrig.jobs.upkeep import cancel as end_job

    job = job_of(args, context, asker)
    why = args.reason or (asker.line("Why is it cancelled?") if asker is not None else "")
    job = end_job(context.bench, job, why=why[:_LONGEST], by=said_by(args, context), now=now())
    return answer_of(context, job, f"Job {job.job_id} is cancelled.")


def delete(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    """Take a job away with all that belongs to it."""
    from verifyrig.jobs.log import DELETED
    from verifyrig.jobs.naming import name_of
    from verifyrig.jobs.store import read_job
    from verifyrig.jobs.upkeep import delete as take_away
    from verifyrig.report.index import write_index

    job = read_job(context.bench, context.bench.check_job(args.job))
    name, why = name_of(job), args.reason
    if asker is not None:
        asker.say(f"To be deleted for good: {name}.")
        why = why or asker.line("Why? (stands in the log, without names)")
    by = said_by(args, context)
    pages = take_away(context.bench, job, why=why[:_LONGEST], with_records=args.with_records, by=by, now=now())
    if pages:
        write_index(context.bench)
    return _gone(job.job_id, DELETED, f"Job {job.job_id} is deleted; jobs/log.toml says so.")


def clear(args: argparse.Namespace, context: Context, _: Asker | None) -> Answer:
    """Take a job's personal data away now."""
    from verifyrig.jobs.log import CLEARED
    from verifyrig.jobs.store import read_job
    from verifyrig.jobs.upkeep import clear as take_away
    from verifyrig.report.index import write_index

    job = read_job(context.bench, context.bench.check_job(args.job))
    take_away(context.bench, job, why=args.reason[:_LONGEST] or "asked for", by=said_by(args, context), now=now())
    if (context.bench.reports_dir / "index.html").is_file():
        write_index(context.bench)
    text = f"Personal data of job {job.job_id} are cleared, with its photos and pages; its records held none."
    return _gone(job.job_id, CLEARED, text)


def _gone(job_id: str, what: str, text: str) -> Answer:
    data: GoneObject = {"job": job_id, "what": what}
    return Answer(data=data, text=text)


def clear_due(context: Context) -> list[str]:
    """Clear what is past its date by `[privacy] keep_days`; return a line for each job."""
    from verifyrig.dialogs.draft import DRAFT_NAME, is_draft_older_than
    from verifyrig.jobs.upkeep import clear_due as take_away
    from verifyrig.report.index import write_index

    if not context.bench.config.get("privacy"):
        return []
    days = context.bench.config["privacy"].get("keep_days")
    if days is not None and is_draft_older_than(context.bench.root, days, now()):
        (context.bench.root / DRAFT_NAME).unlink(missing_ok=True)
    gone = take_away(context.bench, now())
    if gone and (context.bench.reports_dir / "index.html").is_file():
        write_index(context.bench)
    return [f"Personal data of job {job_id} are cleared, as [privacy] keep_days says." for job_id in gone]
