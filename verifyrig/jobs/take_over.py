"""Takes over records and jobs of another bench folder, as from a stick; nothing altered comes in, nothing is lost."""

from __future__ import annotations

import contextlib
import filecmp
import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from verifyrig.bench.folder import ID_PATTERN, Bench
from verifyrig.core.errors import JobError, RecordError, RigError, UsageError
from verifyrig.files.atomic_write import sync_folder
from verifyrig.jobs.store import merge_job
from verifyrig.record.check import RecordCheck, check_record
from verifyrig.record.restart_note import aftermath_path
from verifyrig.record.schema import wal_path
from verifyrig.runs.run_list import job_of

_LARGEST_JOB_BYTES = 20_000_000


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


def collect(bench: Bench, source: Path) -> Collected:
    """Take over what the bench folder `source` holds.

    Raises:
        UsageError: It is no folder, or this bench itself.
        RecordError: This bench cannot be written.
    """
    if not source.is_dir():
        raise UsageError("this is no folder", where=f"--collect {source}", mend="Name the other bench folder.")
    if source.resolve() == bench.root.resolve():
        raise UsageError("this is the bench itself", where=f"--collect {source}", mend="Name the other bench folder.")
    other, done = Bench(root=source.absolute()), Collected()
    places = {None: None, **_collect_jobs(bench, other, done)}
    for path in other.records():
        job = job_of(path)
        if job in places:
            _collect_record(bench, path, places[job], done)
        else:
            done.refused.append((path, "its job could not be taken over"))
    return done


# ---- jobs ---------------------------------------------------------------------------------------------------------


def _collect_jobs(bench: Bench, other: Bench, done: Collected) -> dict[str | None, str | None]:
    """Merge the other's jobs; return the job of this bench for each folder of the other."""
    places: dict[str | None, str | None] = {}
    for file in sorted(other.jobs_dir.glob("*/job.toml")):
        try:
            if file.stat().st_size > _LARGEST_JOB_BYTES:
                raise JobError("it is larger than 20 MB", where=str(file), mend="This is no job of a shop.")
            job, entries = merge_job(bench, file.read_text(encoding="utf-8"), str(file))
        except (RigError, OSError, UnicodeDecodeError) as error:
            done.refused.append((file, error.what if isinstance(error, RigError) else str(error)))
            continue
        places[file.parent.name] = job
        done.jobs[job] = entries
        if job != file.parent.name:
            done.notes.append(f"job {file.parent.name} is kept as {job}, for another job has its id here")
        _collect_photos(file.parent / "photos", bench.job_dir(job) / "photos")
    return places


def _collect_photos(source: Path, target: Path) -> None:
    """Copy the photos that are not here; a file of the same name with other content gets a number behind its name."""
    for photo in sorted(source.glob("*")) if source.is_dir() else []:
        if not photo.is_file() or photo.is_symlink():
            continue
        for place in _names(target / photo.name):
            if not place.exists():
                target.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(photo, place)
                break
            if filecmp.cmp(photo, place, shallow=False):
                break


def _names(path: Path) -> Iterator[Path]:
    yield path
    yield from (path.with_name(f"{path.stem}-{n}{path.suffix}") for n in range(2, 1000))


# ---- records ------------------------------------------------------------------------------------------------------


def _collect_record(bench: Bench, path: Path, job: str | None, done: Collected) -> None:
    try:
        check = check_record(path)
    except RecordError as error:
        done.refused.append((path, error.what))
        return
    refusal = _why_not(path, check)
    if refusal:
        done.refused.append((path, refusal))
        done.altered += 1 if check.altered is not None or check.damage else 0
        return
    done.notes += [f"{path.name}: {note}" for note in check.notes]
    target = _free_place(bench, path, job, check)
    if target.exists():
        done.had.append(target)
    else:
        _copy_record(path, target, check)
        done.taken.append(target)
    _copy_note(path, target)


def _why_not(path: Path, check: RecordCheck) -> str:
    if check.altered is not None:
        return f"it was altered: {check.altered.what}"
    if check.damage:
        return check.damage
    if not ID_PATTERN.fullmatch(path.stem):
        return "its name is no run id"
    return "it is still being recorded" if check.outcome == "running" else ""


def _free_place(bench: Bench, path: Path, job: str | None, check: RecordCheck) -> Path:
    """Return where the record goes; a place that exists holds the same content already."""
    same_id = [own for own in bench.records() if own.stem == path.stem or own.stem.startswith(f"{path.stem}-")]
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
            _copy_synced(source, copy)
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


def _copy_synced(source: Path, target: Path) -> None:
    with source.open("rb") as read, target.open("xb") as written:
        shutil.copyfileobj(read, written, 1 << 20)
        written.flush()
        os.fsync(written.fileno())


def _copy_note(path: Path, target: Path) -> None:
    """Take over what was seen at the first start after a run broke off; only the computer of the run could see it."""
    note, place = aftermath_path(path), aftermath_path(target)
    if note.is_file() and not place.exists():
        with contextlib.suppress(OSError):
            shutil.copyfile(note, place)
