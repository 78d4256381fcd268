"""Where a record lies while it is made: in the bench folder, or on a disk of this computer where that one is shared.

SQLite's write-ahead log works on one computer only ("Write-Ahead Logging", sqlite.org: "all processes using a database
must be on the same host computer"). A record for a shared folder is made beside it and put there whole once closed.
"""

from __future__ import annotations

import contextlib
import filecmp
import os
import shutil
from pathlib import Path

from verifyrig.bench.folder import ID_PATTERN, Bench
from verifyrig.core.errors import RigError
from verifyrig.core.outcome import Outcome
from verifyrig.files.atomic_write import replacing, sync_folder
from verifyrig.link.outbox import moved
from verifyrig.record import read_head
from verifyrig.record.schema import is_one_file, wal_path
from verifyrig.record.store import record_errors

_BENCH_FOLDER = "bench_folder"


def live_folder() -> Path:
    """Return where this computer makes records for shared folders."""
    base = os.environ.get("XDG_DATA_HOME") or os.environ.get("LOCALAPPDATA") or str(Path.home() / ".local" / "share")
    return Path(base) / "verifyrig" / "live"


def place_of(bench: Bench, job: str | None, run: str) -> Path:
    """Return where a new run's record is to be made."""
    return (live_folder() if bench.is_shared else bench.writable(bench.runs_dir(job))) / f"{run}.sqlite"


def facts_of_place(bench: Bench) -> dict[str, str]:
    """Return what a record says of the shared folder to which it belongs; nothing for one that is made in its place."""
    return {_BENCH_FOLDER: str(bench.root)} if bench.is_shared else {}


def put_in_place(bench: Bench, job: str | None, made: Path, *, keep: bool) -> Path:
    """Return where the record of a run that is over lies in the bench folder; it is put there if it was made beside it.

    Args:
        keep: Whether what was made stays, for somebody still reads it; the next run takes it away.

    Raises:
        RecordError: The shared folder cannot be written; the record stays where it was made.
    """
    if not bench.is_shared:
        return made
    place = bench.writable(bench.runs_dir(job)) / made.name
    with record_errors(made):
        place.parent.mkdir(parents=True, exist_ok=True)
        # The log first: a record without the log that belongs to it would be taken for a shorter one.
        for source, target in ((wal_path(made), wal_path(place)), (made, place)):
            if source.exists():
                with replacing(target) as file, source.open("rb") as whole:
                    shutil.copyfileobj(whole, file)
        sync_folder(place.parent)
    if not keep:
        _remove(made)
    return place


def bring_in(bench: Bench) -> None:
    """Put into the shared folder what earlier runs of this computer left beside it: they died, or were still read."""
    if not bench.is_shared:
        return
    for made in sorted(live_folder().glob("*.sqlite")):
        with contextlib.suppress(RigError, OSError):
            facts = read_head(made).facts
            job = facts.get("job")
            known = job is None or (ID_PATTERN.fullmatch(job) and job in bench.job_ids())
            if facts["outcome"] == Outcome.RUNNING or not known or facts.get(_BENCH_FOLDER) != str(bench.root):
                continue
            place = bench.runs_dir(job) / made.name
            if place.exists() and is_one_file(made) and filecmp.cmp(made, place, shallow=False):
                _remove(made)
            elif not place.exists():
                put_in_place(bench, job, made, keep=False)
            else:
                continue
            moved(made.stem, place)


def _remove(made: Path) -> None:
    for path in (made, wal_path(made), made.with_name(f"{made.name}-shm")):
        path.unlink(missing_ok=True)
