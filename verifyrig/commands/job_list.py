"""`verifyrig job list`: all jobs, or those that hold each of some words."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.core.plain_text import plain_line, plain_lines
from verifyrig.dialogs.prompt import Asker

if TYPE_CHECKING:
    from verifyrig.jobs.contract import JobRow, JobsObject
    from verifyrig.jobs.finding_jobs import ListedJob


def add_arguments(sub: argparse.ArgumentParser) -> None:
    """Declare what is searched for."""
    sub.add_argument(
        "words",
        nargs="*",
        metavar="WORD",
        help="only jobs that hold each: date, ticket, customer, machine, serial",
    )


def list_jobs(args: argparse.Namespace, context: Context, _: Asker | None) -> Answer:
    """List the jobs, and name those that cannot be read."""
    from verifyrig.jobs.finding_jobs import line_of, table_of
    from verifyrig.jobs.log import read_log
    from verifyrig.jobs.places import places_of
    from verifyrig.jobs.runs import runs_of
    from verifyrig.jobs.store import read_jobs

    jobs, faults = read_jobs(context.bench)
    at = places_of(jobs)
    lines = [
        line_of(job, runs_of(context.bench, job.job_id) if job.is_open else [], at.get(job.job_id, "")) for job in jobs
    ]
    found = [line for line in lines if line.has(args.words)]
    log = read_log(context.bench)
    data: JobsObject = {
        "jobs": [_row(line, context) for line in found],
        "log": [
            {
                "time": str(line.get("time", "")),
                "job": str(line.get("job", "")),
                "what": str(line.get("what", "")),
                "by": str(line["by"]) if line.get("by") else None,
                "reason": str(line.get("reason", "")),
            }
            for line in log
        ],
        "unreadable": [fault.as_json() for fault in faults],
    }
    text = [*(table_of(found) if found else [_nothing(args.words, lines)]), *(str(fault) for fault in faults)]
    if log and not args.words:
        text.append(f"{len(log)} deleted or cleared: jobs/log.toml")
    return Answer(data=data, text=plain_lines(text))


def _row(line: ListedJob, context: Context) -> JobRow:
    from verifyrig.jobs.keeping import keep_days, kept_until

    job = line.job
    until = kept_until(job, keep_days(context.bench.config))
    return {
        "job": job.job_id,
        "opened": job.opened.isoformat(),
        "ticket": job.intake.customer.ticket,
        "customer": job.intake.customer.name,
        "machine": job.intake.machine.description,
        "serial": job.intake.machine.serial,
        "place": line.place or None,
        "state": line.state,
        "next": line.next_step,
        "kept_until": until.isoformat() if until is not None else None,
        "open": job.is_open,
        "closed": job.closing is not None,
        "handed_over": job.handover is not None,
    }


def _nothing(words: Sequence[str], lines: Sequence[ListedJob]) -> str:
    if not lines:
        return "There is no job in this bench folder yet."
    return f"None of {len(lines)} jobs holds {plain_line(' '.join(words), 100)}."
