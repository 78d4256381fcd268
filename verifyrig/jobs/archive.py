"""What records this bench holds already: listed once for a whole collection, and remembered for the next one.

A record taken over before is not read again, here or on the stick, while both files have the size and time that they
had then: collecting into a full archive costs a look at each file. Whoever wants them read asks for it.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from verifyrig.bench.folder import Bench
from verifyrig.runs.index_file import INDEX_NAME, connect_index

__all__ = ["Archive", "open_archive"]

_TABLE = (
    "CREATE TABLE IF NOT EXISTS collected (run TEXT NOT NULL, source_stamp TEXT NOT NULL, place TEXT NOT NULL, "
    "stamp TEXT NOT NULL, PRIMARY KEY (run, source_stamp)) WITHOUT ROWID"
)


class _Held(NamedTuple):
    """Where a record lies in this bench folder, and its size and time when it was checked."""

    place: str
    stamp: str


class Archive:
    """Records of a bench by the beginnings of their names; made by `open_archive`."""

    def __init__(self, bench: Bench, known: dict[tuple[str, str], _Held]) -> None:
        self._root = bench.root.absolute()
        self._known = known
        self._by_name: dict[str, list[Path]] = {}
        self.fresh: dict[tuple[str, str], _Held] = {}
        for path in bench.records():
            self.add(path)

    def add(self, path: Path) -> None:
        """Take up a record that has come in."""
        words = path.stem.split("-")
        for count in range(1, len(words) + 1):
            self._by_name.setdefault("-".join(words[:count]), []).append(path)

    def like(self, run: str) -> list[Path]:
        """Return the records whose name is this run's, or begins with it and a hyphen."""
        return list(self._by_name.get(run, ()))

    def had(self, source: Path) -> Path | None:
        """Return where a record lies that was taken over before, if neither file has changed since; else None."""
        held = self._known.get((source.stem, _stamp(source)))
        target = None if held is None else self._root / held.place
        return target if held is not None and target is not None and _stamp(target) == held.stamp else None

    def remember(self, source: Path, target: Path) -> None:
        """Note that `target` holds the record, checked."""
        key = (source.stem, _stamp(source))
        self.fresh[key] = _Held(os.path.relpath(target.absolute(), self._root), _stamp(target))


@contextlib.contextmanager
def open_archive(bench: Bench, *, verify: bool) -> Iterator[Archive]:
    """Yield the archive of a bench; what it learns is kept even where the collection is interrupted.

    Args:
        verify: Forget what was collected before, so that every record is read again.
    """
    bench.root.mkdir(parents=True, exist_ok=True)
    connection = connect_index(bench.root / INDEX_NAME, (_TABLE,))
    try:
        rows = () if verify else connection.execute("SELECT run, source_stamp, place, stamp FROM collected")
        archive = Archive(bench, {(run, source): _Held(place, stamp) for run, source, place, stamp in rows})
        try:
            yield archive
        finally:
            with connection:
                values = [(*key, *held) for key, held in archive.fresh.items()]
                connection.executemany("INSERT OR REPLACE INTO collected VALUES (?, ?, ?, ?)", values)
    finally:
        connection.close()


def _stamp(path: Path) -> str:
    """Return size and time of change, of the log beside it too; empty where there is no file."""
    parts = []
    for part in (path, path.with_name(path.name + "-wal")):
        with contextlib.suppress(OSError):
            found = part.stat()
            parts.append(f"{found.st_size}:{found.st_mtime_ns}")
    return " ".join(parts)
