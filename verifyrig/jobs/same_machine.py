"""A danger noted in one job of a machine stands in the other jobs of that machine, too, found by its serial.

A machine may stand in two jobs at once, or come back without anybody naming its earlier job: what was noted in one must
not be run over in the other. Each copy is lifted where it stands, by a person, as every note is.
"""

from __future__ import annotations

from collections.abc import Iterator

from verifyrig.bench.folder import Bench
from verifyrig.jobs.dangers import INTAKE, standing_dangers
from verifyrig.jobs.earlier import jobs_of_serial
from verifyrig.jobs.model import EntryKind, Job, JobEntry
from verifyrig.jobs.store import append, new_entry, read_jobs

ORIGIN = "from_note"


def warn_other_jobs(bench: Bench, job: Job) -> None:
    """Copy the dangers that stand in a job into the other open jobs of the same machine.

    Raises:
        JobError: A job cannot be written.
    """
    if not standing_dangers(job):
        return
    for other in _jobs_of_same_machine(bench, job):
        entries = list(_copies(job, other)) if other.is_open else []
        if entries:
            append(bench, other.job_id, entries)


def hear_other_jobs(bench: Bench, job: Job, again: Job | None = None) -> Job:
    """Copy into a job what stands in the newest other job of the same machine and in its open ones; return the job.

    Older ones are not asked: what stood there was copied into the newer ones, and may be lifted in them.

    Args:
        again: The earlier job of a machine that came back, where a person named it.
    """
    others = _jobs_of_same_machine(bench, job)
    asked = [other for other in others if other.is_open or other is others[-1]]
    entries: dict[tuple[str, str], JobEntry] = {}
    for other in [*asked, *([again] if again is not None else [])]:
        entries |= {(entry.what, entry.text("value")): entry for entry in _copies(other, job)}
    return append(bench, job.job_id, list(entries.values())) if entries else job


def _jobs_of_same_machine(bench: Bench, job: Job) -> list[Job]:
    serial = job.intake.machine.serial
    jobs, _ = read_jobs(bench) if serial else ([], [])
    return [other for other in jobs_of_serial(jobs, serial) if other.job_id != job.job_id]


def _copies(source: Job, target: Job) -> Iterator[JobEntry]:
    """Yield the notes that stand in one job and never stood in the other; what was lifted there does not come back."""
    known = {_origin(target, entry.entry_id) for entry in target.entries}
    known |= {_origin(target, INTAKE, key) for key in target.intake.answers}
    here = {(note.key, note.value) for found in standing_dangers(target) for note in found.notes}
    for note in (note for found in standing_dangers(source) for note in found.notes):
        origin = _origin(source, note.note_id, note.key)
        if origin not in known and (note.key, note.value) not in here:
            yield new_entry(
                EntryKind.FINDING,
                note.key,
                now=note.time,
                by=note.by,
                detail={"value": note.value, "from_job": source.job_id, ORIGIN: origin},
            )


def _origin(job: Job, note_id: str, key: str = "") -> str:
    """Return where a note was first written, through whatever copies; an answer at intake has no id of its own."""
    if note_id == INTAKE:
        return f"{job.job_id}/{INTAKE}/{key}"
    entry = next((entry for entry in job.entries if entry.entry_id == note_id), None)
    return (entry.text(ORIGIN) if entry is not None else "") or note_id
