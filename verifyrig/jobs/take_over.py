"""Takes over records and jobs of another bench folder, as from a stick; nothing altered comes in, nothing is lost."""

from __future__ import annotations

import contextlib
import errno
import filecmp
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from verifyrig.bench.folder import ID_PATTERN, Bench
from verifyrig.core.errors import RecordError, RigError, UsageError
from verifyrig.core.outcome import Outcome
from verifyrig.files.atomic_write import sync_folder
from verifyrig.files.foreign_file import FileKind, check_file, copy_new, is_inside, read_text
from verifyrig.jobs.archive import Archive, open_archive
from verifyrig.jobs.same_machine import hear_other_jobs, warn_other_jobs
from verifyrig.jobs.store import merge_job, read_job
from verifyrig.record.check import RecordCheck, check_record
from verifyrig.record.restart_note import aftermath_path
from verifyrig.record.schema import wal_path
from verifyrig.record.signature import signatures_path
from verifyrig.runs.run_list import job_of

# What one bad file of a stick may raise; it is then listed with its reason, and the others come in.
_FAULTS = (RigError, OSError, ValueError)
# These speak of this bench's own disk: nothing more can come in.
_OWN_DISK = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES)


@dataclass(slots=True, kw_only=True)
class Collected:
    """What a collection did.

    Attributes:
        taken: New records, as paths of this bench.
        had: Records that were here already, with the same content.
        refused: Source and reason of what was not taken; `altered` counts those that no longer are what was recorded.
        jobs: Entries taken over, by job of this bench.
        notes: What a person should know besides.
    """

    taken: list[Path] = field(default_factory=list)
    had: list[Path] = field(default_factory=list)
    refused: list[tuple[Path, str]] = field(default_factory=list)
    altered: int = 0
    jobs: dict[str, int] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def collect(bench: Bench, source: Path, *, verify: bool = False) -> Collected:
    """Take over what the bench folder `source` holds.

    Args:
        verify: Read every record again, those too that were taken over before and have not changed since.

    Raises:
        UsageError: It is no folder, or this bench itself.
        RecordError: This bench cannot be written.
    """
    if not source.is_dir():
        raise UsageError("this is no folder", where=f"--collect {source}", mend="Name the other bench folder.")
    if os.path.realpath(source) == os.path.realpath(bench.root):
        raise UsageError("this is the bench itself", where=f"--collect {source}", mend="Name the other bench folder.")
    other, done = Bench(root=source.absolute()), Collected()
    places = {None: None, **_collect_jobs(bench, other, done)}
    with open_archive(bench, verify=verify) as archive:
        for path in other.records():
            job = job_of(path)
            if job not in places:
                done.refused.append((path, "its job could not be taken over"))
                continue
            try:
                _collect_record(bench, archive, other, path, places[job], done)
            except _FAULTS as error:
                if getattr(error.__cause__, "errno", None) in _OWN_DISK:
                    raise
                done.refused.append((path, _why(error)))
    return done


def _why(error: Exception) -> str:
    if isinstance(error, RigError):
        return error.what
    return getattr(error, "strerror", None) or str(error)


# ---- jobs ---------------------------------------------------------------------------------------------------------


def _collect_jobs(bench: Bench, other: Bench, done: Collected) -> dict[str | None, str | None]:
    """Merge the other's jobs; return the job of this bench for each folder of the other."""
    places: dict[str | None, str | None] = {}
    for file in sorted(other.jobs_dir.glob("*/job.toml")):
        try:
            job, entries = merge_job(bench, read_text(file, FileKind.JOB, inside=other.root), str(file))
            warn_other_jobs(bench, hear_other_jobs(bench, read_job(bench, job)))
        except _FAULTS as error:
            done.refused.append((file, _why(error)))
            continue
        places[file.parent.name] = job
        done.jobs[job] = entries
        if job != file.parent.name:
            done.notes.append(f"job {file.parent.name} is kept as {job}, for another job has its id here")
        if read_job(bench, job).is_cleared:
            done.notes.append(f"job {job} was cleared here: its photos and texts stay away")
            continue
        photos = file.parent / "photos"
        if not is_inside(photos, file.parent):
            done.refused.append((photos, "it is a link out of its folder"))
            continue
        for photo in sorted(photos.glob("*")):
            try:
                _collect_photo(photo, file.parent, bench.writable(bench.job_dir(job) / "photos"))
            except _FAULTS as error:
                done.refused.append((photo, _why(error)))
    return places


def _collect_photo(photo: Path, inside: Path, target: Path) -> None:
    """Copy a photo that is not here; one of the same name with other content gets a number behind its name.

    Raises:
        OSError: It is no regular file below the job's own folder, is too large, or cannot be copied.
    """
    check_file(photo, FileKind.PHOTO, inside=inside)
    for place in _names(target / photo.name):
        if not os.path.lexists(place):
            target.mkdir(parents=True, exist_ok=True)
            copy_new(photo, place, FileKind.PHOTO, inside=inside)
            return
        if place.is_file() and filecmp.cmp(photo, place, shallow=False):
            return


def _names(path: Path) -> Iterator[Path]:
    yield path
    yield from (path.with_name(f"{path.stem}-{n}{path.suffix}") for n in range(2, 1000))


# ---- records ------------------------------------------------------------------------------------------------------


def _collect_record(bench: Bench, archive: Archive, other: Bench, path: Path, job: str | None, done: Collected) -> None:
    for part in (path, wal_path(path)):
        if os.path.lexists(part):
            check_file(part, FileKind.RECORD, inside=other.root)
    held = archive.had(path)
    if held is not None:
        done.had.append(held)
        _copy_note(path, held)
        return
    check = check_record(path)
    refusal = _why_not(path, check)
    if refusal:
        done.refused.append((path, refusal))
        done.altered += 1 if check.altered is not None or check.damage else 0
        return
    done.notes += [f"{path.name}: {note}" for note in check.notes]
    bench.writable(bench.runs_dir(job))
    target = _free_place(bench, archive, path, job, check)
    if target.exists():
        done.had.append(target)
    else:
        _copy_record(path, target, check)
        done.taken.append(target)
        archive.add(target)
    _copy_note(path, target)
    if check.sealed:
        archive.remember(path, target)


def _why_not(path: Path, check: RecordCheck) -> str:
    if check.altered is not None:
        return f"it was altered: {check.altered.what}"
    if check.damage:
        return check.damage
    if not ID_PATTERN.fullmatch(path.stem):
        return "its name is no run id"
    return "it is still being recorded" if check.outcome == Outcome.RUNNING else ""


def _free_place(bench: Bench, archive: Archive, path: Path, job: str | None, check: RecordCheck) -> Path:
    """Return where the record goes; a place that exists holds the same content already."""
    same_id = archive.like(path.stem)
    for own in same_id:
        with contextlib.suppress(RecordError):
            if check_record(own).digest == check.digest:
                return own
    place = bench.runs_dir(job) / path.name
    taken = place.exists() or any(own.stem == path.stem for own in same_id)
    return place.with_name(f"{path.stem[:54]}-{(check.digest or '')[:8]}.sqlite") if taken else place


def _copy_record(path: Path, target: Path, check: RecordCheck) -> None:
    """Copy aside, hold the copy against its digests, and only then give it its name; the log comes first."""
    target.parent.mkdir(parents=True, exist_ok=True)
    aside = target.with_name(f".{target.name}.{os.getpid()}.new")
    parts = [(source, Path(f"{aside}{ending}"), Path(f"{target}{ending}")) for source, ending in _parts(path)]
    try:
        for source, copy, _ in parts:
            copy_new(source, copy, FileKind.RECORD)
        if check_record(aside).digest != check.digest:
            raise RecordError("the copy is not like the original", where=str(path), mend="Check the disk or stick.")
        for _, copy, place in reversed(parts):
            _put(copy, place)
        sync_folder(target.parent)
    except OSError as error:
        raise RecordError(
            f"cannot be copied ({error.strerror or error})", where=str(path), mend="Check both disks and their room."
        ) from error
    finally:
        for leftover in (*(copy for _, copy, _ in parts), Path(f"{aside}-shm"), Path(f"{aside}-wal")):
            leftover.unlink(missing_ok=True)


def _put(copy: Path, place: Path) -> None:
    """Give the copy its name without ever replacing a file; file systems of sticks know no second name for a file."""
    try:
        os.link(copy, place)
    except OSError:
        if place.exists():
            raise
        copy.rename(place)


def _parts(path: Path) -> list[tuple[Path, str]]:
    return [(path, ""), *([(wal_path(path), "-wal")] if wal_path(path).exists() else [])]


def _copy_note(path: Path, target: Path) -> None:
    """Take over what lies beside: the signatures, and what only the computer of the run saw at its next start."""
    for beside in (aftermath_path, signatures_path):
        note, place = beside(path), beside(target)
        if os.path.lexists(note) and not os.path.lexists(place):
            with contextlib.suppress(OSError):
                copy_new(note, place, FileKind.NOTE, inside=note.parent)
