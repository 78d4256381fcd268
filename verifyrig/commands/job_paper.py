"""`verifyrig job slip | sign | labels`: what is printed and signed at the counter."""

from __future__ import annotations

import argparse
import time
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.commands.job_answer import answer_of, job_of, now, said_by
from verifyrig.commands.which_job import heading
from verifyrig.core.errors import UsageError
from verifyrig.core.plain_text import plain_lines
from verifyrig.dialogs.prompt import Asker

if TYPE_CHECKING:
    from verifyrig.jobs.contract import PagesObject
    from verifyrig.jobs.model import Job

TAPE_NAMES = ("62", "29", "a6")


def add_slip(sub: argparse.ArgumentParser) -> None:
    """Declare how the slip is made."""
    sub.add_argument("--pdf", action="store_true", help="print it to PDF too, through an installed Chromium")


def add_sign(sub: argparse.ArgumentParser) -> None:
    """Declare who signs."""
    sub.add_argument("--name", metavar="NAME", help="who signed the printed slip")


def add_labels(sub: argparse.ArgumentParser) -> None:
    """Declare the labels."""
    sub.add_argument("--tape", choices=TAPE_NAMES, default="62", help="tape of 62 or 29 mm, or four on a sheet of A6")
    sub.add_argument("--pdf", action="store_true", help="as PDF too, through an installed Chromium")
    sub.add_argument("--png", action="store_true", help="as PNG too, through an installed Chromium")


def slip(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    """Write the intake slip."""
    from verifyrig.report.intake_slip import write_intake_slip
    from verifyrig.report.pdf import remove_prints, write_pdf

    job = job_of(args, context, asker)
    page = write_intake_slip(context.bench, job, time.time())
    remove_prints(page)
    files = [str(page), *([str(write_pdf(page))] if args.pdf else [])]
    return _pages(context, job, [*files, "Have it signed, then: verifyrig job sign --name NAME"], files)


def sign(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    """Note that the slip was signed, with the digest of what it says now."""
    from verifyrig.jobs.model import EntryKind
    from verifyrig.jobs.signing import INTAKE_SLIP, SHOWN_DIGITS, signed_digest
    from verifyrig.jobs.store import append, new_entry

    job = job_of(args, context, asker)
    name = args.name or (asker.line("Who signed?", default=job.intake.customer.name) if asker is not None else "")
    if not name.strip():
        raise UsageError("it is not said who signed", where="job sign", mend="Add --name NAME.")
    digest = signed_digest(job)
    detail = {"name": name.strip()[:200], "digest": digest}
    entry = new_entry(EntryKind.SIGNATURE, INTAKE_SLIP, now=now(), by=said_by(args, context), detail=detail)
    job = append(context.bench, job.job_id, [entry])
    return answer_of(context, job, f"Signed, with digest {digest[:SHOWN_DIGITS]}.")


def labels(args: argparse.Namespace, context: Context, asker: Asker | None) -> Answer:
    """Write the labels."""
    from verifyrig.report.pdf import remove_prints, write_pdf, write_png
    from verifyrig.report.tape_labels import TAPES, write_labels

    job, tape = job_of(args, context, asker), TAPES[args.tape]
    page = write_labels(context.bench, job, args.tape)
    remove_prints(page)
    files = [str(page), *([str(write_pdf(page))] if args.pdf else [])]
    if args.png:
        sheets = -(-len(tape.things) // (tape.columns * tape.rows))
        files.append(str(write_png(page, tape.width_mm, tape.height_mm * sheets)))
    return _pages(context, job, files, files)


def _pages(context: Context, job: Job, lines: list[str], files: list[str]) -> Answer:
    data: PagesObject = {"job": job.job_id, "files": files}
    return Answer(data=data, text=plain_lines([*heading(context, job), *lines]))
