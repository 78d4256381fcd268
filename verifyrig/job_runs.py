"""What a command line may leave out, taken from the open job of this bench."""

from __future__ import annotations

from dataclasses import dataclass

from verifyrig.bench import Bench


@dataclass(frozen=True, slots=True, kw_only=True)
class Defaults:
    """What a run takes where nobody said otherwise.

    Attributes:
        caution: Why the job's last load should not be repeated untold (a break-off or trip), or empty.
    """

    job: str | None = None
    purpose: str = "check"
    profile: str | None = None
    caution: str = ""


def defaults_for(bench: Bench, job: str | None) -> Defaults:
    """Return job, purpose and profile for a run: of the job named, else of the open one, else of none.

    Raises:
        JobError: The job named does not exist.
    """
    return Defaults(job=bench.check_job(job) if job else None)
