"""The figures in the index file, by record digest and version of the analysis.

Tables: `layout(id, names)` sets of metric names with units, shared by like records; `kept(digest, version, profile,
layout, head, figures, remarks)`; `place(path, stat, digest)` which file had which digest when it was last read in
full. A file whose size, times or place on the medium changed is read and checked again.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from verifyrig.core.profile import Profile
from verifyrig.core.run_columns import RunFilter, in_utf8
from verifyrig.core.trace import FloatArray
from verifyrig.qa.index.compute import Computed
from verifyrig.qa.index.kept import UnitHead, json_of
from verifyrig.runs.index_file import connect_index

__all__ = ["Index", "KeptBlock", "KeptHead", "KeptRow", "open_index", "stat_of"]

_AT_ONCE = 500
# What is kept of a run beside its figures; figures kept with less are computed anew.
_HEAD_FORMAT = 2
_TABLES = (
    "CREATE TABLE IF NOT EXISTS layout (id INTEGER PRIMARY KEY, names TEXT NOT NULL UNIQUE)",
    "CREATE TABLE IF NOT EXISTS kept (digest TEXT NOT NULL, version TEXT NOT NULL, profile TEXT, "
    "layout INTEGER NOT NULL, head TEXT NOT NULL, figures BLOB NOT NULL, remarks TEXT NOT NULL, "
    "PRIMARY KEY (digest, version))",
    "CREATE TABLE IF NOT EXISTS place (path TEXT PRIMARY KEY, stat TEXT NOT NULL, digest TEXT NOT NULL) WITHOUT ROWID",
)


class KeptRow(NamedTuple):
    """One kept record."""

    digest: str
    version: str
    layout: int
    head: UnitHead
    figures: FloatArray
    remarks: str


def stat_of(path: Path) -> str | None:
    """Return what changes whenever a file is written, moved or replaced; None where there is no file."""
    try:
        found = os.stat(path)  # noqa: PTH116 - ten thousand times, and Path.stat is twice as slow
    except OSError:
        return None
    return f"{found.st_size}:{found.st_mtime_ns}:{found.st_ctime_ns}:{found.st_ino}"


class KeptHead(NamedTuple):
    """Who one kept record is of; its figures stay in the index."""

    digest: str
    layout: int
    head: UnitHead


class KeptBlock(NamedTuple):
    """The figures of kept records of one layout, as columns.

    Attributes:
        figures: Values and U95 by metric, shape (n, 2, metrics), NaN where there is none.
        remarks: JSON text of each record, as `Kept.remarks`.
    """

    figures: FloatArray
    remarks: list[str]


@contextlib.contextmanager
def open_index(path: Path, version: str) -> Iterator[Index]:
    """Yield the index at `path`, made anew where there is none or it cannot be used; in memory where it cannot be kept.

    Args:
        version: Version of the analysis whose figures are wanted; others stay for a program that wants them.
    """
    connection = connect_index(path, _TABLES)
    try:
        yield Index(connection, version, path.parent)
    finally:
        connection.close()


class Index:
    """An open index; made by `open_index`."""

    def __init__(self, connection: sqlite3.Connection, version: str, root: Path) -> None:
        self._connection = connection
        self._figures_version = version
        self._version = f"{version}/{_HEAD_FORMAT}"
        self._root = os.fspath(root.absolute())

    def digests(self, paths: Sequence[Path]) -> dict[Path, str]:
        """Return the digest of every file that is unchanged since it was last read and whose figures are kept."""
        query = "SELECT path, stat, place.digest FROM place JOIN kept USING (digest) WHERE version = ?"
        known = {name: (stat, digest) for name, stat, digest in self._connection.execute(query, (self._version,))}
        found = {}
        for path in paths:
            entry = known.get(self._name(path))
            if entry is not None and entry[0] == stat_of(path):
                found[path] = entry[1]
        return found

    def kept_digests(self) -> set[str]:
        """Return the digests of all records whose figures are kept, wherever the files are."""
        query = "SELECT digest FROM kept WHERE version = ?"
        return {digest for (digest,) in self._connection.execute(query, (self._version,))}

    def put_places(self, digests: Mapping[Path, str]) -> None:
        """Note that these files hold the records of these digests now."""
        rows = [(self._name(path), stat, digest) for path, digest in digests.items() if (stat := stat_of(path))]
        with self._connection:
            self._connection.executemany("INSERT OR REPLACE INTO place VALUES (?, ?, ?)", rows)

    def add(self, computed: Sequence[Computed]) -> None:
        """Keep figures of records that cannot change any more."""
        lasting = [item for item in computed if item.lasting and item.kept is not None]
        with self._connection:
            for item in lasting:
                self._add_one(item)

    def _add_one(self, item: Computed) -> None:
        kept, stat = item.kept, stat_of(Path(item.path))
        if kept is None or stat is None:
            return
        names = json_of(kept.names)
        self._connection.execute("INSERT OR IGNORE INTO layout (names) VALUES (?)", (names,))
        layout = self._connection.execute("SELECT id FROM layout WHERE names = ?", (names,)).fetchone()[0]
        row = (
            kept.digest,
            self._version,
            kept.head["profile"],
            layout,
            json_of(kept.head),
            kept.figures.astype("<f8").tobytes(),
            json_of(kept.remarks),
        )
        self._connection.execute("INSERT OR REPLACE INTO kept VALUES (?, ?, ?, ?, ?, ?, ?)", row)
        place = (self._name(Path(item.path)), stat, kept.digest)
        self._connection.execute("INSERT OR REPLACE INTO place VALUES (?, ?, ?)", place)

    def rows(
        self, digests: Sequence[str], profile: Profile | None = None, asked: RunFilter | None = None
    ) -> Iterator[KeptRow]:
        """Yield what is kept of records, in any order; with a profile only runs of its name or of its recipe."""
        more, values = _conditions(profile, asked)
        for begin in range(0, len(digests), _AT_ONCE):
            some = digests[begin : begin + _AT_ONCE]
            marks = ",".join("?" * len(some))
            query = f"SELECT digest, layout, head, figures, remarks FROM kept WHERE version = ? AND digest IN ({marks})"
            parameters: list[Any] = [self._version, *some, *values]
            for digest, layout, head, figures, remarks in self._connection.execute(query + more, parameters):
                packed = np.frombuffer(figures, dtype="<f8").reshape(2, -1)
                yield KeptRow(digest, self._figures_version, layout, json.loads(head), packed, remarks)

    def heads(self, digests: Sequence[str]) -> list[KeptHead]:
        """Return who these records are of, as far as they are kept, in any order."""
        with self._asked(digests):
            query = "SELECT digest, layout, head FROM kept JOIN asked USING (digest) WHERE version = ?"
            rows = self._connection.execute(query, (self._version,)).fetchall()
        # Parsing one text of all is several times quicker than one text each.
        heads = json.loads("[" + ",".join(head for _, _, head in rows) + "]")
        return [KeptHead(digest, layout, head) for (digest, layout, _), head in zip(rows, heads, strict=True)]

    def block(self, digests: Sequence[str]) -> KeptBlock:
        """Return the figures of kept records that have one layout, in the order given."""
        with self._asked(digests):
            query = "SELECT digest, figures, remarks FROM kept JOIN asked USING (digest) WHERE version = ?"
            found = {digest: own for digest, *own in self._connection.execute(query, (self._version,))}
        packed = b"".join(found[digest][0] for digest in digests)
        figures = np.frombuffer(packed, dtype="<f8").reshape(len(digests), 2, -1)
        return KeptBlock(figures, [found[digest][1] for digest in digests])

    @contextlib.contextmanager
    def _asked(self, digests: Sequence[str]) -> Iterator[None]:
        """Hold digests in a table of this connection alone, so that one query takes any number of them."""
        self._connection.execute("CREATE TEMP TABLE asked (digest TEXT PRIMARY KEY) WITHOUT ROWID")
        try:
            self._connection.executemany("INSERT OR IGNORE INTO asked VALUES (?)", ((digest,) for digest in digests))
            yield
        finally:
            self._connection.execute("DROP TABLE asked")
            self._connection.commit()

    def layouts(self) -> Mapping[int, tuple[tuple[str, str], ...]]:
        """Return the names with units of every layout."""
        rows = self._connection.execute("SELECT id, names FROM layout")
        return {number: tuple((name, unit) for name, unit in json.loads(names)) for number, names in rows}

    @property
    def version(self) -> str:
        """Version of the analysis whose figures are taken."""
        return self._figures_version

    @property
    def figures_version(self) -> str:
        """Version of the analysis and form in which its figures are kept."""
        return self._version

    def _name(self, path: Path) -> str:
        """Return the path below the bench folder, so that the folder may move; a foreign one as it is."""
        whole = os.path.abspath(path)  # noqa: PTH100 - without resolving links, and quick
        inside = whole.startswith(self._root + os.sep)
        return whole[len(self._root) + 1 :] if inside else whole


def _conditions(profile: Profile | None, asked: RunFilter | None) -> tuple[str, list[Any]]:
    """Return what a row must fulfil, as SQL with its parameters."""
    found: list[tuple[str, list[Any]]] = []
    if profile is not None:
        found.append(("(profile IS ? OR json_extract(head, '$.recipe') IS ?)", [profile.name, profile.recipe]))
    if asked is not None and asked.batch is not None:
        batch = "(json_extract(head, '$.batch') IS ? OR json_extract(head, '$.model') IS ?)"
        found.append((batch, [in_utf8(asked.batch)] * 2))
    if asked is not None and asked.bench is not None:
        found.append(("json_extract(head, '$.bench') IS ?", [in_utf8(asked.bench)]))
    if asked is not None and asked.since is not None:
        found.append(("json_extract(head, '$.started_utc_s') >= ?", [asked.since.timestamp()]))
    if asked is not None and asked.until is not None:
        found.append(("json_extract(head, '$.started_utc_s') < ?", [asked.until.timestamp()]))
    return "".join(f" AND {condition}" for condition, _ in found), [value for _, own in found for value in own]
