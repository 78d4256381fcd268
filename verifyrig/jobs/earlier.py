"""Earlier jobs of one machine, found by its serial, and whether its fault is the same once more. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from verifyrig.core.plain_text import plain_line
from verifyrig.jobs.model import Job
from verifyrig.jobs.vocabulary import CAUSES

# A job closed so says nothing of a cause that could come again.
_NO_CAUSE = ("none", "unknown")


def plain_serial(serial: str) -> str:
    """Return a serial without what people write in one way or another; letters and digits count."""
    return "".join(sign for sign in serial.casefold() if sign.isalnum())


def jobs_of_serial(jobs: Sequence[Job], serial: str) -> list[Job]:
    """Return the jobs of the machine with that serial, in their order; none for an empty one."""
    wanted = plain_serial(serial)
    return [job for job in jobs if wanted and plain_serial(job.intake.machine.serial) == wanted]


def earlier_of(jobs: Sequence[Job], job: Job) -> list[Job]:
    """Return the earlier jobs of the same machine: by its serial, and the one that it came back from."""
    known = {other.job_id for other in jobs_of_serial(jobs, job.intake.machine.serial)} | {job.again}
    return [other for other in jobs if other.job_id in known - {job.job_id} and other.opened <= job.opened]


def same_cause(jobs: Sequence[Job], job: Job) -> list[str]:
    """Return the earlier jobs of the same machine that were closed with this one's cause; none while it is open."""
    cause = job.closing.what if job.closing is not None else ""
    if not cause or cause in _NO_CAUSE:
        return []
    return [
        other.job_id for other in earlier_of(jobs, job) if other.closing is not None and other.closing.what == cause
    ]


def earlier_line(job: Job) -> str:
    """Return an earlier job in one line: when it was here, why, and how it ended."""
    closing, handover = job.closing, job.handover
    cause = CAUSES.get(closing.what, plain_line(closing.what, 40)) if closing is not None else "not closed"
    left = f"left on {handover.time.astimezone():%Y-%m-%d}" if handover is not None else "never handed over"
    return f"{job.job_id}: here on {job.opened.astimezone():%Y-%m-%d}, {left}; cause: {cause}"
