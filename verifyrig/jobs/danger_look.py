"""Looks whether a danger locks a job's machine now, and writes down the one that was just reported."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import JobError
from verifyrig.core.interfaces import DangerNotice
from verifyrig.jobs.dangers import Danger, danger_of, standing_dangers
from verifyrig.jobs.model import EntryKind
from verifyrig.jobs.same_machine import warn_other_jobs
from verifyrig.jobs.store import append, job_file, new_entry, read_job


class DangerLook:
    """A look at one job's file; it is read only where it changed since the last look."""

    def __init__(self, bench: Bench, job_id: str) -> None:
        self._bench = bench
        self._job_id = job_id
        self._seen: tuple[int, ...] = ()
        self._notice: DangerNotice | None = None

    def __call__(self) -> DangerNotice | None:
        """Return the gravest danger that stands, None where none does; raise `JobError` for a file not readable."""
        path = job_file(self._bench, self._job_id)
        try:
            status = path.stat()
        except OSError as error:
            raise JobError(
                f"cannot be read ({error})", where=str(path), mend="Check the file and its rights."
            ) from error
        seen = (status.st_mtime_ns, status.st_size, status.st_ino)
        if seen != self._seen:
            standing = standing_dangers(read_job(self._bench, self._job_id))
            self._notice = notice_of(standing[0].danger, standing[0].noted) if standing else None
            self._seen = seen
        return self._notice


def notice_of(danger: Danger, noted: str) -> DangerNotice:
    """Return a danger as a run learns of it."""
    return DangerNotice(code=str(danger.code), noted=noted, what=danger.what, do=danger.do)


def note_dangers(bench: Bench, job_id: str, pairs: Mapping[str, str], *, by: str) -> None:
    """Append to a job what a person reported of a danger in passing, in an answer or a state of a run.

    What stands there already is not written a second time. Other open jobs of the machine learn of it, too.
    """
    job = read_job(bench, job_id)
    known = {(note.key, note.value) for found in standing_dangers(job) for note in found.notes}
    now = datetime.now(UTC)
    entries = [
        new_entry(EntryKind.FINDING, key, now=now, by=by, detail={"value": value})
        for key, value in pairs.items()
        if danger_of(key, value) is not None and (key, value) not in known
    ]
    if entries:
        warn_other_jobs(bench, append(bench, job_id, entries))
