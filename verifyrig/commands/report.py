"""`verifyrig report`: write the sign-off report of a job, or of records."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.errors import UsageError

if TYPE_CHECKING:
    from verifyrig.bench import Bench
    from verifyrig.report.inputs import ReportInput


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `report`."""
    parser.add_argument("what", nargs="*", metavar="JOB_OR_RECORD", help="a job, or records (default: the open job)")
    parser.add_argument("--out", metavar="FILE", help="the customer's edition; archive and slip lie beside it")
    parser.add_argument("--pdf", action="store_true", help="print each to PDF too, through an installed Chromium")
    parser.add_argument("--at", metavar="TIME", help="date of issue, ISO (the same time gives the same bytes)")


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Write customer's edition, archive and slip."""
    import time

    from verifyrig.report.pdf import write_pdf
    from verifyrig.report.sentences import finding_of, hand_over_reason, ready_words
    from verifyrig.report.standing import standing_of
    from verifyrig.report.wording import words_for
    from verifyrig.report.write import write_editions

    now_utc = time.time() if args.at is None else parse_time(args.at)
    report = gathered(args.what, context.bench)
    pages = write_editions(context.bench, report, Path(args.out) if args.out else None, now_utc)
    printed = [write_pdf(page) for page in pages] if args.pdf else []
    standing = standing_of(report)
    words = words_for(report.settings.language, report.settings.temperature_unit)
    finding = finding_of(report, standing, words)
    files = [str(path) for path in [*pages, *printed]]
    data = {
        "number": report.number,
        "files": files,
        "state": str(standing.state),
        "ready": str(standing.ready),
        "hand_over": standing.hand_over,
        "because": hand_over_reason(report, standing, words),
        "sentence": f"{finding.word}. {finding.text}",
        "simulated": report.simulated,
    }
    lines = [f"{finding.word}. {finding.text}", ready_words(standing.ready, words), *files]
    return Answer(data=data, text="\n".join(lines))


def gathered(what: list[str], bench: Bench) -> ReportInput:
    """Return the input of the report that the words mean: a job, records, or the open job.

    Raises:
        RigError: A word is neither, or several jobs are named.
    """
    from verifyrig.job_store import wanted_job
    from verifyrig.report.gather import gather_job, gather_records

    if not what:
        return gather_job(bench, wanted_job(bench, None).job_id)
    jobs = [word for word in what if word in bench.job_ids()]
    if jobs and len(what) > 1:
        raise UsageError("a report is of one job, or of records", where="report", mend="Name one job, or only records.")
    if jobs:
        return gather_job(bench, jobs[0])
    return gather_records(bench, [bench.find_record(word) for word in what])


def parse_time(text: str) -> float:
    """Return an ISO time (UTC where it names no zone), or a number of seconds since 1970, as the latter."""
    try:
        return float(text)
    except ValueError:
        pass
    try:
        when = datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(
            f"{text!r} is no time",
            where="--at",
            mend="Write it as in 2026-03-14T16:30 (UTC) or 2026-03-14T17:30+01:00.",
        ) from error
    return (when if when.tzinfo is not None else when.replace(tzinfo=UTC)).timestamp()
