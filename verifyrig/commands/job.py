"""`verifyrig job ACTION`: a machine comes in, is worked on, measured, closed, handed over; found again, put right."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verifyrig.commands import Answer, Context, job_counter, job_list, job_paper, job_upkeep
from verifyrig.commands.which_job import job_meant, name_at_place, place_meant
from verifyrig.commands.who import ask_who, at_the_bench
from verifyrig.core.errors import ExitCode, JobError, RecordError, UsageError, kept_to
from verifyrig.core.plain_text import plain_line, plain_lines
from verifyrig.dialogs.prompt import Asker, TerminalAsker, can_ask
from verifyrig.files.foreign_file import FileKind, read_text
from verifyrig.files.streams import tell
from verifyrig.jobs.vocabulary import (
    CAUSES,
    CHANGE_KINDS,
    CONSENT_ANSWERS,
    CONSENTS,
    MACHINE_KINDS,
    OLD_PARTS,
    QUESTIONS,
)

if TYPE_CHECKING:
    from verifyrig.jobs.contract import ComeBack
    from verifyrig.jobs.model import Intake, Job, RunFacts

_SHOWS = ("show", "list", "total", "slip", "labels")  # actions that write nothing into a job
_INTAKE_FLAGS = (
    "complaint", "customer", "contact", "ticket", "kind", "maker", "model", "serial", "price_ceiling", "accessories",
    "condition",
)  # fmt: skip


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the sub-commands."""
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)

    def action(name: str, help_line: str) -> argparse.ArgumentParser:
        sub = actions.add_parser(name, help=help_line, description=help_line[0].upper() + help_line[1:] + ".")
        # After the action too; left out there, the value before the action stands.
        sub.add_argument("--bench", metavar="DIR", default=argparse.SUPPRESS, help=argparse.SUPPRESS)
        sub.add_argument("--json", action="store_true", default=argparse.SUPPRESS, help=argparse.SUPPRESS)
        return sub

    _add_open(action("open", "take a machine in: asks on a terminal, else takes flags or a file"))
    show = action("show", "one screen: time line of runs, changes and findings, and what is open")
    show.add_argument("job", nargs="?", metavar="JOB", help="its id (default: the open job)")
    _add_place(show)
    _add_change(action("change", "record what was done to the machine"))
    _add_finding(action("finding", "note what was seen, heard or read by hand"))
    _add_close(action("close", "close the job with its cause; refuses what is not finished"))
    _add_handover(action("handover", "note the pickup"))
    _add_put(action("place", "say on which place of the bench a machine stands"))
    for name, add, help_line in (
        ("slip", job_paper.add_slip, "the intake slip: one page that the customer signs"),
        ("sign", job_paper.add_sign, "note that the printed intake slip was signed"),
        ("labels", job_paper.add_labels, "labels for machine, bag and probe"),
        ("labour", job_counter.add_labour, "note what was worked, by time or at a price"),
        ("total", job_counter.add_total, "parts, labour, tax and sum for the counter"),
        ("note", job_counter.add_note, "a note for the next shift"),
    ):
        paper = action(name, help_line)
        add(paper)
        _add_job_and_by(paper)
    correct = action("correct", "put a fact of the intake right, or take an entry back")
    job_upkeep.add_correct(correct)
    _add_job_and_by(correct)
    cancel = action("cancel", "end a job without a repair")
    job_upkeep.add_reason(cancel)
    _add_job_and_by(cancel)
    for name, add, help_line in (
        ("delete", job_upkeep.add_delete, "take away a job that nobody signed, with all that belongs to it"),
        ("clear", job_upkeep.add_clear, "take the personal data of a job that is over away"),
    ):
        sub = action(name, help_line)
        add(sub)
        sub.add_argument("--by", metavar="NAME", help="who says so (default: the operator of bench.toml)")
    job_list.add_arguments(action("list", "all jobs of this bench, or those that hold some words"))


def _add_open(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--file", metavar="FILE", help="a TOML file with the intake")
    sub.add_argument(
        "--id",
        dest="job_id",
        metavar="ID",
        help="its id, never a name: it stands in records (default: day and number)",
    )
    sub.add_argument("--again", metavar="OLD", help="the earlier job whose machine came back")
    sub.add_argument("--photo", action="append", default=[], metavar="FILE", help="a photo of its condition")
    sub.add_argument("--by", metavar="NAME", help="who takes it in (default: the operator of bench.toml)")
    _add_place(sub)
    for flag in _INTAKE_FLAGS:
        choices = list(MACHINE_KINDS) if flag == "kind" else None
        sub.add_argument(
            f"--{flag.replace('_', '-')}", dest=flag, metavar="TEXT" if not choices else None, choices=choices
        )
    keys = ", ".join(question.key for question in QUESTIONS)
    sub.add_argument("--answer", action="append", default=[], metavar="KEY=TEXT", help=f"an answer: {keys}")
    sub.add_argument(
        "--consent", action="append", default=[], metavar="KEY=yes|no|not-asked", help=f"consent: {', '.join(CONSENTS)}"
    )


def _add_change(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("kind", nargs="?", choices=list(CHANGE_KINDS), metavar="KIND", help=", ".join(CHANGE_KINDS))
    sub.add_argument("--part", metavar="NAME", help="which part")
    sub.add_argument("--lot", metavar="TEXT", help="its lot or serial")
    sub.add_argument("--price", metavar="TEXT", help="its price")
    sub.add_argument("--warranty", dest="warranty_months", type=int, metavar="MONTHS", help="its warranty")
    sub.add_argument("--before", metavar="TEXT", help="the setting before")
    sub.add_argument("--after", metavar="TEXT", help="the setting after")
    sub.add_argument("--photo", action="append", default=[], metavar="FILE", help="a photo; copied into the job")
    sub.add_argument("--agreed", choices=("yes", "no"), help="did the customer agree to a part that looks different")
    sub.add_argument("--new-mount", action="store_true", help="the cooler was off the processor for it")
    sub.add_argument("--note", metavar="TEXT", help="anything else")
    _add_lift(sub)
    _add_job_and_by(sub)


def _add_finding(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("words", nargs="*", metavar="KEY=VALUE", help="radiator=cold, hose-in=52, consent-data=yes, ...")
    sub.add_argument("--tick", action="append", default=[], metavar="STEP", help="tick a protective step")
    _add_lift(sub)
    _add_job_and_by(sub)


def _add_lift(sub: argparse.ArgumentParser) -> None:
    sub.add_argument(
        "--lifts", action="append", default=[], metavar="DANGER", help="a danger that is gone; needs --done and --by"
    )
    sub.add_argument("--done", metavar="TEXT", help="what was done about that danger")


def _add_close(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--cause", choices=list(CAUSES), metavar="CAUSE", help=", ".join(CAUSES))
    sub.add_argument("--override", default="", metavar="REASON", help="close although something is open; is printed")
    sub.add_argument("--not-safe", action="store_true", help="close it as not safe to use: a danger stands")
    sub.add_argument("--tick", action="append", default=[], metavar="STEP", help="tick a protective step first")
    _add_job_and_by(sub)


def _add_handover(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--to", metavar="NAME", help="who takes the machine")
    sub.add_argument("--old-parts", choices=list(OLD_PARTS), help="what became of the old parts, offered back")
    sub.add_argument("--signature", metavar="NAME", help="who signed (default: who takes it)")
    sub.add_argument("--not-safe", action="store_true", help="hand it over as not safe to use: a danger stands")
    _add_job_and_by(sub)


def _add_put(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("put", metavar="NAME", help="a place of bench.toml, or none")
    _add_job_and_by(sub)


def _add_place(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--place", metavar="NAME", help="the place of the bench on which the machine stands")


def _add_job_and_by(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--job", metavar="ID", help="the job (default: the open one)")
    _add_place(sub)
    sub.add_argument("--by", metavar="NAME", help="who says so (default: the operator of bench.toml)")


def execute(args: argparse.Namespace, context: Context, asker: Asker | None = None) -> Answer:
    """Do one action; `asker` stands in for the terminal."""
    actions: dict[str, Callable[[argparse.Namespace, Context, Asker | None], Answer]] = {
        "open": _open,
        "show": _show,
        "change": _change,
        "finding": _finding,
        "close": _close,
        "handover": _handover,
        "place": _put,
        "slip": lambda args, context, asker: job_paper.slip(args, context, _wanted(args, context, asker)),
        "sign": _sign,
        "labels": lambda args, context, asker: job_paper.labels(args, context, _wanted(args, context, asker)),
        "labour": _labour,
        "total": lambda args, context, asker: job_counter.total(args, context, _wanted(args, context, asker)),
        "note": _note,
        "correct": _correct,
        "cancel": _cancel,
        "delete": lambda args, context, asker: job_upkeep.delete(args, context, asker, _by(args, context)),
        "clear": lambda args, context, _: job_upkeep.clear(args, context, _by(args, context)),
        "list": lambda args, context, _: job_list.list_jobs(args, context),
    }
    for line in job_upkeep.clear_due(context):
        tell(line)
    if asker is None and can_ask(json=context.json):
        asker = TerminalAsker()
        if args.action not in _SHOWS:
            ask_who(context.bench, asker)
    return actions[args.action](args, context, asker)


def _now() -> datetime:
    return datetime.now(UTC)


def _by(args: argparse.Namespace, context: Context) -> str:
    return at_the_bench(context.bench, args.by)


def _wanted(args: argparse.Namespace, context: Context, asker: Asker | None) -> Job:
    job = job_meant(context, args.job, args.place, asker=asker, needed=True)
    assert job is not None
    return job


def _head(context: Context, job: Job) -> list[str]:
    """Return the job's name, where it was not said already to the person who was asked."""
    return [] if can_ask(json=context.json) else [name_at_place(context, job)]


def _answer(context: Context, job: Job, said: str = "") -> Answer:
    from verifyrig.jobs.runs import fitness_in, runs_of
    from verifyrig.jobs.screen import danger_lines, job_object, standing_of

    runs = runs_of(context.bench, job.job_id)
    lines = [*_head(context, job), *([said] if said else []), *danger_lines(job)]
    lines.append(f"Next: {standing_of(job, runs).next_step}.")
    return Answer(data=job_object(job, runs, fitness_in(context.bench, job, runs)), text=plain_lines(lines))


def _releasing_answer(job: Job, runs: Sequence[RunFacts], context: Context, said: str) -> Answer:
    """Return the answer of a close or a pickup: 4 where the machine does not leave as fit for use."""
    from verifyrig.jobs.fitness_text import lines_of
    from verifyrig.jobs.runs import fitness_in
    from verifyrig.jobs.screen import job_object, standing_of

    fitness = fitness_in(context.bench, job, runs)
    lines = [*_head(context, job), said, *lines_of(fitness), f"Next: {standing_of(job, runs).next_step}."]
    code = ExitCode.DONE if fitness.releasable else ExitCode.NOT_PROVEN
    return Answer(data=job_object(job, runs, fitness), text=plain_lines(lines), code=code)


# ---- open


def _open(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    from verifyrig.jobs.actions import keep_condition_photos, put_on_place, take_in
    from verifyrig.jobs.store import check_photo

    place = place_meant(context, args.place)
    for photo in args.photo:
        check_photo(Path(photo))
    intake, again = _intake(args, context, asker)
    job = take_in(
        context.bench,
        intake,
        operator=_by(args, context),
        again=again,
        job_id=args.job_id,
        now=_now(),
    )
    job = keep_condition_photos(
        context.bench, job, [Path(photo) for photo in args.photo], by=_by(args, context), now=_now()
    )
    if place:
        job = put_on_place(context.bench, job, place, by=_by(args, context), now=_now())
    lines = [f"Job {job.job_id} is open.", *([] if again else _earlier_lines(job, context))]
    return _answer(context, job, "\n".join(lines))


def _earlier_lines(job: Job, context: Context) -> list[str]:
    """Name the earlier jobs of this machine where nobody said that it came back."""
    from verifyrig.jobs.earlier import earlier_line, earlier_of
    from verifyrig.jobs.store import read_jobs

    found = earlier_of(read_jobs(context.bench)[0], job)
    lines = [f"This machine was here before: {earlier_line(old)}." for old in found]
    return [*lines, f"If it came back: `job open --again {found[-1].job_id}` compares with then."] if lines else []


def _intake(args: argparse.Namespace, context: Context, asker: Asker | None) -> tuple[Intake, str]:
    """Return the intake, and from which job the machine came back."""
    from verifyrig.dialogs.draft import drafted
    from verifyrig.dialogs.job_interview import ask_intake
    from verifyrig.jobs.earlier import jobs_of_serial
    from verifyrig.jobs.store import read_job, read_jobs

    again = args.again or ""
    given = any(getattr(args, flag) is not None for flag in _INTAKE_FLAGS) or args.answer or args.consent
    if args.file is not None:
        if given:
            raise UsageError("a file and flags are given", where="job open", mend="Write all of it into the file.")
        return _intake_of_file(Path(args.file)), again
    if given or asker is None:
        return _intake_of_flags(args), again
    known = read_job(context.bench, again) if again else None
    with drafted(asker, context.bench.root) as kept:
        return ask_intake(kept, known, lambda serial: jobs_of_serial(read_jobs(context.bench)[0], serial))


def _intake_of_file(path: Path) -> Intake:
    from verifyrig.jobs.text import parse_intake

    where = repr(str(path)[:200])
    try:
        text = read_text(path, FileKind.INTAKE)
    except (OSError, ValueError) as error:
        raise JobError(f"cannot be read ({error})", where=where, mend="Check the file's path and rights.") from error
    return parse_intake(text, path.name)


def _intake_of_flags(args: argparse.Namespace) -> Intake:
    from verifyrig.jobs.dangers import check_word
    from verifyrig.jobs.model import Customer, Intake, Machine
    from verifyrig.jobs.typed import check_answer

    answers = _pairs(args.answer, "--answer", [question.key for question in QUESTIONS], None)
    for key, value in answers.items():
        check_word(key, value, "--answer")
        check_answer(key, value, "--answer")

    def text(flag: str) -> str:
        return str(getattr(args, flag) or "")[:10_000]

    return Intake(
        complaint=text("complaint"),
        customer=Customer(name=text("customer"), contact=text("contact"), ticket=text("ticket")),
        machine=Machine(kind=args.kind or "other", maker=text("maker"), model=text("model"), serial=text("serial")),
        answers=answers,
        consent=_pairs(args.consent, "--consent", list(CONSENTS), CONSENT_ANSWERS),
        price_ceiling=text("price_ceiling"),
        accessories=text("accessories"),
        condition=text("condition"),
    )


def _pairs(words: list[str], where: str, keys: list[str], values: tuple[str, ...] | None) -> dict[str, str]:
    from verifyrig.files.toml_table import meant, shown

    found = {}
    for word in words:
        key, sign, value = word.partition("=")
        if not sign or key not in keys:
            raise UsageError(f"{shown(word)} is no KEY=VALUE known here", where=where, mend=meant(key, keys))
        if values is not None and value not in values:
            raise UsageError(f"{shown(value)} is no answer", where=where, mend=f"Answer {', '.join(values)}.")
        found[key] = value[:10_000]
    return found


# ---- sign, labour, note, correct, cancel


def _sign(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    job = _wanted(args, context, asker)
    return _answer(context, *job_paper.sign(args, context, asker, job, _by(args, context)))


def _labour(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    job = _wanted(args, context, asker)
    return _answer(context, *job_counter.labour(args, context, asker, job, _by(args, context)))


def _note(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    job = _wanted(args, context, asker)
    return _answer(context, *job_counter.note(args, context, asker, job, _by(args, context)))


def _correct(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    job = _wanted(args, context, asker)
    return job_upkeep.correct(args, context, asker, job, _by(args, context), partial(_answer, context))


def _cancel(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    job = _wanted(args, context, asker)
    return job_upkeep.cancel(args, context, asker, job, _by(args, context), partial(_answer, context))


# ---- place


def _put(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    from verifyrig.bench.text import NOWHERE
    from verifyrig.jobs.actions import put_on_place
    from verifyrig.jobs.places import check_place

    place = args.put if args.put == NOWHERE else check_place(context.bench.config, args.put, "job place")
    job = put_on_place(context.bench, _wanted(args, context, asker), place, by=_by(args, context), now=_now())
    return _answer(context, job, "It stands on no place." if place == NOWHERE else f"It stands on {place}.")


# ---- change, finding


def _change(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    from verifyrig.dialogs.job_interview import ask_change, ask_lift
    from verifyrig.jobs.actions import record_change
    from verifyrig.jobs.dangers import standing_dangers
    from verifyrig.jobs.lifting import lift_of

    job, lift = _wanted(args, context, asker), lift_of(args.lifts, args.done, args.by)
    kind, photos = args.kind, [Path(photo) for photo in args.photo]
    facts = ("part", "lot", "price", "warranty_months", "before", "after", "agreed", "note")
    detail: dict[str, Any] = {name: getattr(args, name) for name in facts}
    detail["new_mount"] = args.new_mount
    if kind is None:
        if asker is None:
            raise UsageError("it is not said what was done", where="job change", mend="Name the kind of change.")
        kind, detail, photos = ask_change(asker, job)
        lift = lift or ask_lift(asker, standing_dangers(job))
    by = lift.by if lift is not None else _by(args, context)
    job = record_change(context.bench, job, kind, _short(detail), photos=photos, by=by, lift=lift, now=_now())
    return _answer(context, job, f"Recorded: {CHANGE_KINDS[kind]}.")


def _short(detail: dict[str, Any]) -> dict[str, Any]:
    return {key: value[:2000] if isinstance(value, str) else value for key, value in detail.items()}


def _finding(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    from verifyrig.dialogs.job_interview import ask_finding, ask_lift
    from verifyrig.jobs.actions import note_findings, tick_steps
    from verifyrig.jobs.dangers import danger_of, standing_dangers
    from verifyrig.jobs.lifting import lift_of

    job, lift = _wanted(args, context, asker), lift_of(args.lifts, args.done, args.by)
    words = list(args.words)
    if not words and (not args.tick or lift is not None):
        if asker is None:
            mend = "Write it like radiator=cold." if lift is None else "Write what was found, as in pack=flat."
            raise UsageError("nothing is to be noted", where="job finding", mend=mend)
        words = [word for word in [ask_finding(asker)] if word]
        key, _, value = words[0].partition("=") if words else ("", "", "")
        if words and lift is None and danger_of(key, value) is None:
            lift = ask_lift(asker, standing_dangers(job))
    by, now = lift.by if lift is not None else _by(args, context), _now()
    job = note_findings(context.bench, job, words, by=by, lift=lift, now=now) if words else job
    job = tick_steps(context.bench, job, args.tick, by=by, now=now)
    return _answer(context, job, f"Noted: {', '.join([*words, *args.tick])}." if words or args.tick else "")


# ---- close, handover


def _close(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    from verifyrig.dialogs.job_interview import ask_cause, ask_not_safe, ask_override, ask_steps
    from verifyrig.jobs.actions import close_job, note_findings, tick_steps
    from verifyrig.jobs.dangers import standing_dangers
    from verifyrig.jobs.earlier import same_cause
    from verifyrig.jobs.fitness import fitness_of, points_to_close
    from verifyrig.jobs.runs import runs_of
    from verifyrig.jobs.store import read_jobs

    job = _wanted(args, context, asker)
    by = _by(args, context)
    job = tick_steps(context.bench, job, args.tick, by=by, now=_now())
    if asker is not None and not args.override:
        done, given = ask_steps(asker, job)
        job = tick_steps(context.bench, job, done, by=by, now=_now())
        job = note_findings(context.bench, job, given, by=by, now=_now()) if given else job
    runs = runs_of(context.bench, job.job_id, kept=False)
    obstacles = list(map(str, points_to_close(fitness_of(job, runs))))
    standing, not_safe = standing_dangers(job), args.not_safe
    if standing and not not_safe and asker is not None:
        not_safe = ask_not_safe(asker, standing)
    refused = bool(standing) and not not_safe  # whatever else is answered: nothing is asked for then
    override = args.override
    if obstacles and not override and asker is not None and not refused:
        override = ask_override(asker, obstacles)
    cause = args.cause
    if cause is None and (override or not obstacles) and not refused:
        if asker is None:
            raise UsageError("the cause is not named", where="job close", mend=f"--cause {'|'.join(CAUSES)}.")
        cause = ask_cause(asker)
    job = close_job(
        context.bench, job, runs, cause or "unknown", override=override[:2000], not_safe=not_safe, by=by, now=_now()
    )
    again = same_cause(read_jobs(context.bench)[0], job)
    said = f"Job {job.job_id} is closed: {CAUSES[cause or 'unknown']}."
    said += f" The same cause again, as in job {', '.join(again)}." if again else ""
    answer = _releasing_answer(job, runs, context, said)
    return replace(answer, data={**answer.data, "same_cause": again})


def _handover(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    from verifyrig.dialogs.job_interview import ask_handover, ask_not_safe
    from verifyrig.jobs.actions import hand_over
    from verifyrig.jobs.dangers import standing_dangers
    from verifyrig.jobs.runs import runs_of

    job = _wanted(args, context, asker)
    standing, not_safe = standing_dangers(job), args.not_safe
    if standing and not not_safe and asker is not None:
        not_safe = ask_not_safe(asker, standing)
    answers = {"to": args.to or "", "old_parts": args.old_parts or "", "signature": args.signature or ""}
    if not args.to and asker is not None:
        answers |= ask_handover(asker, job)
    runs = runs_of(context.bench, job.job_id, kept=False)
    answers = {key: value[:200] for key, value in answers.items()}
    job = hand_over(context.bench, job, runs, not_safe=not_safe, by=_by(args, context), now=_now(), **answers)
    return _releasing_answer(job, runs, context, f"Job {job.job_id} is handed over.")


# ---- show


def _show(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    from verifyrig.jobs.earlier import same_cause
    from verifyrig.jobs.keeping import keep_days, kept_until
    from verifyrig.jobs.runs import fitness_in, runs_of
    from verifyrig.jobs.screen import job_object, show
    from verifyrig.jobs.store import read_job, read_jobs

    job = _wanted(args, context, asker)
    runs = runs_of(context.bench, job.job_id)
    fitness = fitness_in(context.bench, job, runs)
    data = job_object(job, runs, fitness)
    old = None
    if job.again:
        try:
            old = read_job(context.bench, job.again)
        except JobError:
            # The earlier job may lie on another bench; its id stands in the time line.
            old = None
    again = same_cause(read_jobs(context.bench)[0], job)
    data["same_cause"] = again
    lines = [show(job, runs, fitness, old=old)]
    lines += [f"The same cause again, as in job {', '.join(again)}."] if again else []
    until = kept_until(job, keep_days(context.bench.config))
    lines += [f"Personal data are kept until {until}, and then cleared."] if until and not job.is_cleared else []
    if old is not None:
        found = come_back_of(job, old, context)
        data["come_back"] = found
        if found is not None:
            why = "; ".join(found["why"])
            lines.append(plain_line(f"Beside run {found['then']}, run {found['now']} is: {found['word']} ({why})"))
    return Answer(data=data, text="\n".join(lines))


def come_back_of(job: Job, old: Job, context: Context) -> ComeBack | None:
    """Return today's newest run beside the one that the earlier job was signed off by; None where one fails."""
    from verifyrig.analysis import compare
    from verifyrig.jobs.returned import judge_come_back
    from verifyrig.jobs.rules import in_order, signed_off_run
    from verifyrig.jobs.runs import runs_of
    from verifyrig.record import read_trace

    then = signed_off_run(runs_of(context.bench, old.job_id))
    today = in_order(runs_of(context.bench, job.job_id))
    if then is None or not today:
        return None
    now = next((run for run in reversed(today) if run.recipe == then.recipe), today[-1])
    try:
        before, after = (read_trace(context.bench.find_record(run.run)) for run in (then, now))
        with kept_to(now.run):
            found = judge_come_back(then, now, compare(before, after))
    except RecordError:
        return None
    return {"then": then.run, "now": now.run, "word": found.word, "why": list(map(str, found.why))}
