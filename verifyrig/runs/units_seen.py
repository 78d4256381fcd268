"""Which units were measured here before: who they are, from the heads of their records, kept in the index.

Only runs without a job count: a customer's machine is no unit of a build.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import RigError
from verifyrig.core.outcome import Outcome
from verifyrig.record import read_head
from verifyrig.runs.index_file import INDEX_NAME, connect_index

__all__ = ["SeenUnit", "units_seen"]

_TABLES = (
    "CREATE TABLE IF NOT EXISTS unit_seen (path TEXT PRIMARY KEY, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, "
    "seen TEXT NOT NULL) WITHOUT ROWID",
)


class SeenUnit(NamedTuple):
    """One run of a unit."""

    run: str
    unit: str
    batch: str | None
    board: str | None
    recipe: str | None
    started_utc_s: float
    completed: bool
    rework: str
    states: tuple[str, ...]


def units_seen(bench: Bench) -> list[SeenUnit]:
    """Return all runs of named units, in order of time; a record that cannot be read tells of none."""
    paths = [path for path in bench.records() if path.parent.parent == bench.root]
    if not paths:
        return []
    with contextlib.closing(connect_index(bench.root / INDEX_NAME, _TABLES)) as connection:
        found = _seen(paths, connection)
    return sorted(found, key=lambda one: (one.started_utc_s, one.run))


def _seen(paths: Sequence[Path], connection: sqlite3.Connection) -> list[SeenUnit]:
    kept = {row[0]: row[1:] for row in connection.execute("SELECT path, size, mtime_ns, seen FROM unit_seen")}
    found, fresh = [], []
    for path in paths:
        try:
            status = path.stat()
        except OSError:
            continue
        known = kept.get(path.name)
        if known is not None and known[:2] == (status.st_size, status.st_mtime_ns):
            data = json.loads(known[2])
        else:
            data, lasting = _read(path)
            if lasting:
                fresh.append((path.name, status.st_size, status.st_mtime_ns, json.dumps(data)))
        if data:
            found.append(SeenUnit._make([*data[:8], tuple(data[8])]))
    with contextlib.suppress(sqlite3.Error), connection:  # an index that takes nothing is done without
        connection.executemany("INSERT OR REPLACE INTO unit_seen VALUES (?, ?, ?, ?)", fresh)
    return found


def _read(path: Path) -> tuple[list[Any], bool]:
    """Return what a record says of its unit, nothing where it names none, and whether that may be kept."""
    try:
        head = read_head(path)
    except RigError:
        return [], False
    facts = head.recorded
    if facts.job is not None or facts.unit is None:
        return [], head.sealed
    completed = facts.outcome is Outcome.COMPLETED
    who = [head.run, facts.unit, facts.batch, facts.board, facts.recipe, facts.started_utc_s or 0.0]
    return [*who, completed, facts.rework or "", sorted(facts.states)], head.sealed
