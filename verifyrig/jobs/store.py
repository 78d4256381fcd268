"""Jobs on disk: jobs/<job>/job.toml, written aside, synced and renamed; its list of entries only ever grows.

A tool of another version may have written keys that this one does not know: they stay where they are, for an entry is
appended to the file's data as it was read. Two programs that append at once wait for one another (a lock on the
folder, where the system has such locks; a rename in a folder that computers share).
"""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from verifyrig.bench.folder import Bench, check_id
from verifyrig.core.errors import JobError
from verifyrig.files.atomic_write import write_whole
from verifyrig.files.foreign_file import FileKind, read_text
from verifyrig.files.shared_folder import locked_by_rename
from verifyrig.files.toml_table import load_toml
from verifyrig.jobs.log import deleted_ids
from verifyrig.jobs.model import EntryKind, Intake, Job, JobEntry, merged
from verifyrig.jobs.text import entry_data, job_data, parse_job
from verifyrig.jobs.which import meant_of

_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"


def job_file(bench: Bench, job_id: str) -> Path:
    """Return where the job's file lies."""
    return bench.job_dir(job_id) / "job.toml"


def read_job(bench: Bench, job_id: str) -> Job:
    """Return a job; raise `JobError` where there is none, or its file cannot be read."""
    bench.check_job(job_id)
    return _parsed(_read_text(job_file(bench, job_id)), job_id, f"jobs/{job_id}/job.toml")


def _parsed(text: str, job_id: str, origin: str) -> Job:
    """Return the job of a folder; one that calls itself otherwise would be written elsewhere than it was read."""
    job = parse_job(text, origin)
    if job.job_id != job_id:
        raise JobError(
            f"it says that it is job {job.job_id}, and lies in the folder of {job_id}",
            where=origin,
            mend="Take the file from a copy of the bench folder, or mend its key job.",
        )
    return job


def read_jobs(bench: Bench) -> tuple[list[Job], list[JobError]]:
    """Return all jobs that can be read, oldest first, and what is wrong with the others."""
    jobs, faults = [], []
    for job_id in bench.job_ids():
        try:
            jobs.append(read_job(bench, job_id))
        except JobError as error:
            faults.append(error)
    return sorted(jobs, key=lambda job: (job.opened, job.job_id)), faults


def open_jobs(bench: Bench) -> list[Job]:
    """Return the jobs that are not both closed and handed over, oldest first."""
    jobs, _ = read_jobs(bench)
    return [job for job in jobs if job.is_open]


def open_job(bench: Bench, place: str = "") -> Job | None:
    """Return the open job, of several the one that stands on the place; None where none is open.

    Raises:
        SeveralJobs: A person must say which is meant.
    """
    return meant_of(open_jobs(bench), str(bench.root), place)


def wanted_job(bench: Bench, job_id: str | None) -> Job:
    """Return the job of that id, else the open one.

    Raises:
        JobError: There is no such job, none is open, or several are.
    """
    if job_id is not None:
        return read_job(bench, check_id(job_id, "job"))
    job = open_job(bench)
    if job is None:
        raise JobError("no job is open", where=str(bench.root), mend="Take a machine in with `verifyrig job open`.")
    return job


def new_job(
    bench: Bench, intake: Intake, *, operator: str = "", again: str = "", job_id: str | None = None, now: datetime
) -> Job:
    """Open a job and write its file; without an id it gets the day's next number, `20260314-1`.

    Raises:
        JobError: The id is taken, the earlier job does not exist, or the folder cannot be written.
    """
    if again:
        bench.check_job(again)
    if job_id is not None and job_id in deleted_ids(bench):
        raise JobError("a job of this id was deleted", where=job_id, mend="Choose another id, or none.")
    ids = [check_id(job_id, "job")] if job_id is not None else _free_ids(bench, now)
    for chosen in ids:
        job = Job(job_id=chosen, opened=_to_millis(now), intake=intake, operator=operator, again=again)
        if _write_new(bench, job):
            return job
    raise JobError("there is such a job already", where=ids[-1], mend="Choose another id, or none.")


def _free_ids(bench: Bench, now: datetime) -> list[str]:
    """Return some ids of the day that are free now; more than one, since another program may take the first."""
    day = now.astimezone().strftime("%Y%m%d")
    taken = {path.name for path in bench.jobs_dir.glob(f"{day}-*")} | deleted_ids(bench)
    return [name for n in range(1, len(taken) + 20) if (name := f"{day}-{n}") not in taken]


def _write_new(bench: Bench, job: Job) -> bool:
    """Write the job's file; return False where one is there already."""
    folder = bench.job_dir(job.job_id)
    with writing(folder):
        folder.mkdir(parents=True, exist_ok=True)
        with _locked(bench, folder):
            path = folder / "job.toml"
            if path.exists():
                return False
            _write_data(path, job_data(job))
    return True


def new_entry(
    kind: EntryKind, what: str, *, now: datetime, by: str = "", detail: Mapping[str, Any] | None = None
) -> JobEntry:
    """Return an entry with a new id of its own."""
    letters = "".join(secrets.choice(_LETTERS) for _ in range(4))
    stamp = now.astimezone(UTC).strftime("%Y%m%d-%H%M%S")
    return JobEntry(
        entry_id=f"{stamp}-{letters}", time=_to_millis(now), kind=kind, what=what, by=by, detail=dict(detail or {})
    )


def append(bench: Bench, job_id: str, entries: Sequence[JobEntry]) -> Job:
    """Append entries to a job's list; return the job as it stands then.

    Raises:
        JobError: The job cannot be read or written.
    """
    added = [entry_data(entry) for entry in entries]
    change_file(bench, job_id, lambda data: data | {"entry": [*data.get("entry", []), *added]})
    return read_job(bench, job_id)


def change_file(bench: Bench, job_id: str, change: Callable[[dict[str, Any]], dict[str, Any]]) -> None:
    """Write what `change` makes of the job file's data, as read; raise `JobError` where that cannot be."""
    path = job_file(bench, bench.check_job(job_id))
    with writing(path.parent), _locked(bench, path.parent):
        text = _read_text(path)
        _parsed(text, job_id, f"jobs/{job_id}/job.toml")
        _write_data(path, change(load_toml(text)))


def merge_job(bench: Bench, text: str, origin: str) -> tuple[str, int]:
    """Take over a copy of a job: the whole where it is not here, else the entries that are not.

    Args:
        text: The other copy's job.toml.
        origin: What to call that file in an error.

    Returns:
        The job's id on this bench, and how many entries were taken over. Where another job bears the same id, the
        copy comes in under an id with a number behind.

    Raises:
        JobError: The copy is no job, or nothing can be written.
    """
    theirs = parse_job(text, origin)
    data = load_toml(text)
    own_id = check_id(theirs.job_id, "job")
    if own_id in deleted_ids(bench):
        raise JobError("the job was deleted here", where=origin, mend="`job list` shows the log; rename the job there.")
    for job_id in (own_id, *(f"{own_id[:60]}-{n}" for n in range(2, 100))):
        path = job_file(bench, job_id)
        if not path.is_file():
            with writing(path.parent):
                path.parent.mkdir(parents=True, exist_ok=True)
                _write_data(path, {**data, "job": job_id})
            return job_id, len(theirs.entries)
        ours = read_job(bench, job_id)
        if ours.opened == theirs.opened:
            # What was cleared here must not come back from a copy.
            return job_id, 0 if ours.is_cleared else _merge_entries(bench, path, theirs)
    raise JobError("a hundred other jobs bear its id", where=origin, mend="Rename the job there.")


def _merge_entries(bench: Bench, path: Path, theirs: Job) -> int:
    with writing(path.parent), _locked(bench, path.parent):
        text = _read_text(path)
        ours = parse_job(text, path.name)
        known = {entry.entry_id for entry in ours.entries}
        added = [entry for entry in merged(ours.entries, theirs.entries) if entry.entry_id not in known]
        if added:
            data = load_toml(text)
            data["entry"] = [*data.get("entry", []), *(entry_data(entry) for entry in added)]
            _write_data(path, data)
    return len(added)


def _to_millis(time: datetime) -> datetime:
    utc = time.astimezone(UTC)
    return utc.replace(microsecond=utc.microsecond // 1000 * 1000)


def _read_text(path: Path) -> str:
    try:
        # The folder `jobs` may be a link of the shop's own (another disk); what lies in it leads nowhere else.
        return read_text(path, FileKind.JOB, inside=path.parent.parent)
    except (OSError, UnicodeDecodeError) as error:
        raise JobError(f"cannot be read ({error})", where=str(path), mend="Check the file and its rights.") from error


@contextlib.contextmanager
def writing(folder: Path) -> Iterator[None]:
    """Turn what the system says while writing into our own sentence."""
    try:
        yield
    except OSError as error:
        raise JobError(
            f"the job cannot be written ({error.strerror or error})",
            where=str(folder),
            mend="Check the folder's rights and the space on the disk.",
        ) from error


@contextlib.contextmanager
def _locked(bench: Bench, folder: Path) -> Iterator[None]:
    if bench.is_shared:
        with locked_by_rename(folder):
            yield
        return
    try:
        import fcntl
    except ImportError:
        yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _write_data(path: Path, data: Mapping[str, Any]) -> None:
    import tomli_w

    write_whole(path, tomli_w.dumps(data))
