"""Which open job is meant where nobody named one: never the newest silently. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from verifyrig.core.errors import JobError
from verifyrig.jobs.model import Job
from verifyrig.jobs.naming import name_of
from verifyrig.jobs.places import places_of


class SeveralJobs(JobError):
    """More than one job may be meant, or the one that is open stands elsewhere; `jobs` are those to choose from."""

    def __init__(self, jobs: Sequence[Job], where: str, place: str = "") -> None:
        at = places_of(jobs)
        several = len(jobs) > 1
        what = f"{len(jobs)} jobs are open" if several else "the one open job stands on another place"
        if place:
            what += f", and none stands on {place}" if several else f" than {place}"
        lines = [f"  --job {job.job_id}: {name_of(job, at.get(job.job_id, ''))}" for job in jobs]
        super().__init__(what, where=where, mend=["Say which is meant:", *lines])
        self.jobs = tuple(jobs)


def meant_of(jobs: Sequence[Job], where: str, place: str = "") -> Job | None:
    """Return the job that is meant: the one that stands on the place, else the only one open, else none.

    Args:
        jobs: The open jobs, oldest first.
        where: What to call the bench in the error.
        place: At which place of the bench somebody works; empty where that is not known.

    Raises:
        SeveralJobs: A person must say which.
    """
    at = places_of(jobs)
    here = next((job for job in jobs if place and at.get(job.job_id) == place), None)
    if here is not None or not jobs:
        return here
    only = jobs[0]
    stands_elsewhere = place and only.job_id in at
    if len(jobs) > 1 or stands_elsewhere:
        raise SeveralJobs(jobs, where, place)
    return only
