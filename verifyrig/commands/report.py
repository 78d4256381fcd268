"""`verifyrig report`: write the sign-off report of a job, or of records."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.commands.which_job import heading, job_meant
from verifyrig.core.errors import UsageError
from verifyrig.core.plain_text import plain_lines

if TYPE_CHECKING:
    from verifyrig.commands.contract import ReportObject

UNITS = ("°C", "°F")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `report`."""
    parser.add_argument("what", nargs="*", metavar="JOB_OR_RECORD", help="a job, or records (default: the open job)")
    parser.add_argument("--place", metavar="NAME", help="the place of the bench on which the job's machine stands")
    parser.add_argument("--out", metavar="FILE", help="the customer's edition; archive and slip lie beside it")
    parser.add_argument("--pdf", action="store_true", help="print each to PDF too, through an installed Chromium")
    parser.add_argument(
        "--language", metavar="CODE", help="language of every edition (default: the job's, bench.toml's)"
    )
    parser.add_argument("--temperature-unit", metavar="UNIT", choices=UNITS, help="°C or °F, for every edition")
    parser.add_argument("--at", metavar="TIME", help="date of issue, ISO (the same time gives the same bytes)")


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Write customer's edition, archive and slip."""
    import time

    from verifyrig.jobs.fitness_text import as_json
    from verifyrig.report.catalogue import checked_language
    from verifyrig.report.fitness import hand_over_reason, status_sign
    from verifyrig.report.gather import gather
    from verifyrig.report.pdf import write_pdf
    from verifyrig.report.state import SHOWN_DIGITS
    from verifyrig.report.wording import words_of
    from verifyrig.report.write import write_editions

    now_utc = time.time() if args.at is None else parse_time(args.at)
    job = None if args.what else job_meant(context, None, args.place, needed=True)
    report = gather(
        context.bench,
        args.what if job is None else [job.job_id],
        language=checked_language(args.language, "--language"),
        temperature_unit=args.temperature_unit or "",
    )
    written = write_editions(context.bench, report, Path(args.out) if args.out else None, now_utc)
    printed = [write_pdf(page) for page in written.paths] if args.pdf else []
    words = words_of(report.settings)
    files = [str(path) for path in [*written.paths, *printed]]
    removed = [str(path) for path in written.removed if path not in printed]
    data: ReportObject = {
        "number": report.number,
        "files": files,
        "digest": written.state,
        "removed": removed,
        "state": report.fitness.headline,
        "ready": report.fitness.status,
        "hand_over": report.fitness.releasable,
        "because": hand_over_reason(report, words),
        "sentence": written.sentence,
        "fitness": as_json(report.fitness),
        "simulated": report.simulated,
    }
    head = heading(context, job)
    lines = [*head, written.sentence, status_sign(report, words).word, *files]
    lines += [f"State {written.state[:SHOWN_DIGITS]}, printed on each."]
    lines += [f"Removed, a print of an earlier state: {path}" for path in removed]
    return Answer(data=data, text=plain_lines(lines))


def parse_time(text: str) -> float:
    """Return an ISO time (UTC where it names no zone), or a number of seconds since 1970, as the latter.

    Raises:
        UsageError: The text is neither, or beyond the calendar.
    """
    try:
        return datetime.fromtimestamp(float(text), UTC).timestamp()
    except OverflowError as error:
        raise _no_time(text) from error
    except ValueError:
        pass  # no plain number, or one that no calendar knows; the ISO form decides
    try:
        when = datetime.fromisoformat(text)
    except ValueError as error:
        raise _no_time(text) from error
    return (when if when.tzinfo is not None else when.replace(tzinfo=UTC)).timestamp()


def _no_time(text: str) -> UsageError:
    return UsageError(
        f"{text!r} is no time", where="--at", mend="Write it as in 2026-03-14T16:30 (UTC) or 2026-03-14T17:30+01:00."
    )
