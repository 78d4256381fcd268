"""`verifyrig job open`: a machine comes in, by a dialog, by flags or by a file."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.commands.job_answer import add_place, answer_of, now, said_by
from verifyrig.commands.which_job import place_meant
from verifyrig.core.errors import JobError, UsageError
from verifyrig.dialogs.prompt import Asker
from verifyrig.files.foreign_file import FileKind, read_text
from verifyrig.jobs.vocabulary import CONSENT_ANSWERS, CONSENTS, MACHINE_KINDS, QUESTIONS

if TYPE_CHECKING:
    from verifyrig.jobs.model import Intake, Job

_INTAKE_FLAGS = (
    "complaint", "customer", "contact", "ticket", "kind", "maker", "model", "serial", "price_ceiling", "accessories",
    "condition",
)  # fmt: skip


def add_open(sub: argparse.ArgumentParser) -> None:
    """Declare the intake."""
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
    add_place(sub)
    for flag in _INTAKE_FLAGS:
        choices = list(MACHINE_KINDS) if flag == "kind" else None
        sub.add_argument(
            f"--{flag.replace('_', '-')}", dest=flag, metavar="TEXT" if not choices else None, choices=choices
        )
    sub.add_argument("--language", metavar="CODE", help="language of the customer's papers (default: bench.toml's)")
    sub.add_argument("--temperature-unit", metavar="UNIT", choices=("°C", "°F"), help="°C or °F for the customer")
    keys = ", ".join(question.key for question in QUESTIONS)
    sub.add_argument("--answer", action="append", default=[], metavar="KEY=TEXT", help=f"an answer: {keys}")
    sub.add_argument(
        "--consent", action="append", default=[], metavar="KEY=yes|no|not-asked", help=f"consent: {', '.join(CONSENTS)}"
    )


def open_job(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    """Take a machine in."""
    from verifyrig.jobs.actions import keep_condition_photos, put_on_place, take_in
    from verifyrig.jobs.photo_store import check_photo
    from verifyrig.report.catalogue import checked_language

    place = place_meant(context, args.place)
    checked_language(args.language, "--language")
    photos = [Path(photo) for photo in args.photo]
    for photo in photos:
        check_photo(photo)
    intake, again, further = _intake(args, context, asker)
    job = take_in(
        context.bench,
        intake,
        operator=said_by(args, context),
        again=again,
        job_id=args.job_id,
        now=now(),
    )
    job = keep_condition_photos(context.bench, job, [*photos, *further], by=said_by(args, context), now=now())
    if place:
        job = put_on_place(context.bench, job, place, by=said_by(args, context), now=now())
    lines = [f"Job {job.job_id} is open.", *([] if again else _earlier_lines(job, context))]
    return answer_of(context, job, "\n".join(lines))


def _earlier_lines(job: Job, context: Context) -> list[str]:
    """Name the earlier jobs of this machine where nobody said that it came back."""
    from verifyrig.jobs.earlier import earlier_line, earlier_of
    from verifyrig.jobs.store import read_jobs

    found = earlier_of(read_jobs(context.bench)[0], job)
    lines = [f"This machine was here before: {earlier_line(old)}." for old in found]
    return [*lines, f"If it came back: `job open --again {found[-1].job_id}` compares with then."] if lines else []


def _intake(args: argparse.Namespace, context: Context, asker: Asker | None) -> tuple[Intake, str, list[Path]]:
    """Return the intake, from which job the machine came back, and photos that were named at the terminal."""
    from verifyrig.dialogs.draft import drafted
    from verifyrig.dialogs.job_interview import ask_intake, ask_photos
    from verifyrig.jobs.earlier import jobs_of_serial
    from verifyrig.jobs.store import read_job, read_jobs

    again = args.again or ""
    given = any(getattr(args, flag) is not None for flag in _INTAKE_FLAGS) or args.answer or args.consent
    if args.file is not None:
        if given:
            raise UsageError("a file and flags are given", where="job open", mend="Write all of it into the file.")
        return _intake_of_file(Path(args.file)), again, []
    if given or asker is None:
        return _intake_of_flags(args), again, []
    known = read_job(context.bench, again) if again else None
    with drafted(asker, context.bench.root) as kept:
        intake, again = ask_intake(kept, known, lambda serial: jobs_of_serial(read_jobs(context.bench)[0], serial))
        photos = ask_photos(kept, "A photo of how it looks?") if not args.photo else []
        language, unit = _papers(args, context, kept, read_job(context.bench, again) if again else None)
        return replace(intake, language=language, temperature_unit=unit), again, photos


def _papers(args: argparse.Namespace, context: Context, asker: Asker, known: Job | None) -> tuple[str, str]:
    """Return language and unit of the customer's papers: by the command line, else asked."""
    from verifyrig.dialogs.job_interview import ask_papers
    from verifyrig.report.catalogue import display_name, languages
    from verifyrig.report.gather import customer_settings, read_settings

    if args.language is not None or args.temperature_unit is not None:
        return args.language or "", args.temperature_unit or ""
    settings = read_settings(context.bench) if known is None else customer_settings(context.bench, known)
    named = {code: display_name(code) for code in languages()}
    return ask_papers(asker, named, settings.language, settings.temperature_unit)


def _intake_of_file(path: Path) -> Intake:
    from verifyrig.jobs.text import parse_intake
    from verifyrig.report.catalogue import checked_language

    where = repr(str(path)[:200])
    try:
        text = read_text(path, FileKind.INTAKE)
    except (OSError, ValueError) as error:
        raise JobError(f"cannot be read ({error})", where=where, mend="Check the file's path and rights.") from error
    intake = parse_intake(text, path.name)
    checked_language(intake.language, f"{path.name}, language")
    return intake


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
        language=text("language"),
        temperature_unit=text("temperature_unit"),
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
