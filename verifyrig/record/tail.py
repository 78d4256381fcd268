"""What a record has gained since it was last looked at, as batches that a twin elsewhere takes in order.

The record itself is the queue: nothing is held in memory that is not in it, and nothing is handed on that is not in
it. Each batch is one moment of the record, rows and the digests over them, so a twin that took any number of batches
is what the record was at that moment, and can be checked as the record can.
"""

from __future__ import annotations

import base64
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypedDict

from verifyrig.record.schema import SMALL_TABLES, opened, sample_channels
from verifyrig.record.seal import BLOCK_ROWS, FILE_PART, RECORD_PART, SAMPLE_PART
from verifyrig.record.stamp import UNSTAMPED

EVENTS_AT_ONCE = 1000  # a message has its largest size, and a connection begins with all events so far
BLOCKS_AT_ONCE = 2  # what catches up comes in pieces: a live sample must not wait behind an hour of old ones
SEAL = "seal"
_REWRITTEN = ("run", "stage", "reading_quality")  # their rows change after they were written; events never do


class RowsObject(TypedDict):
    """Rows as they go over the link: the number of the first sample, the samples, and other tables by name."""

    first: int
    samples: list[list[Any]]
    tables: dict[str, list[list[Any]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Rows of one moment of a record.

    Attributes:
        first: Number of the first sample, counted from 1; the samples follow one another.
        samples: t_s, utc_s and one value a channel each.
        tables: Rows of the other tables with their numbers in front, `seal` included; a row replaces its predecessor.
        more: Whether the record holds further samples or events already.
    """

    first: int
    samples: tuple[tuple[float | None, ...], ...] = ()
    tables: Mapping[str, tuple[tuple[Any, ...], ...]] = field(default_factory=dict)
    more: bool = False

    @property
    def empty(self) -> bool:
        """Whether it holds nothing new."""
        return not self.samples and not any(self.tables.values())

    @property
    def seals(self) -> bool:
        """Whether the record is closed and sealed with it."""
        return any(row[1] == RECORD_PART for row in self.tables.get(SEAL, ()))

    def as_json(self) -> RowsObject:
        """Return it as JSON can hold it: bytes in base64."""
        tables = {name: [list(row) for row in rows] for name, rows in self.tables.items() if rows}
        for row in tables.get(SEAL, []):
            row[-1] = base64.b64encode(row[-1]).decode("ascii")
        return {"first": self.first, "samples": [list(row) for row in self.samples], "tables": tables}


class Tail:
    """Follows one record for one connection, whether it is being written, was interrupted, or is closed.

    It counts what it handed on as taken, but samples, of which the other side says how many it has.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._known: dict[str, dict[int, tuple[Any, ...]]] = {}
        self._events = 0

    def channels(self) -> tuple[str, ...]:
        """Return the channels, in recording order; raise `RecordError` where this is no record."""
        with opened(self.path) as connection:
            return sample_channels(connection)

    def after(self, samples: int) -> Batch:
        """Return what follows the first `samples` samples, and every other row that is new since the last call.

        Raises:
            RecordError: The record is gone or damaged.
        """
        with opened(self.path) as connection:
            connection.execute("BEGIN")  # one moment
            total = connection.execute("SELECT coalesce(max(rowid), 0) FROM sample").fetchone()[0]
            end = min(total, (samples // BLOCK_ROWS + BLOCKS_AT_ONCE) * BLOCK_ROWS)
            rows = tuple(
                connection.execute("SELECT * FROM sample WHERE rowid > ? AND rowid <= ? ORDER BY rowid", (samples, end))
            )
            tables = {name: self._changed(name, _all(connection, name)) for name in _REWRITTEN}
            tables["event"] = tuple(
                connection.execute(
                    "SELECT rowid, * FROM event WHERE rowid > ? ORDER BY rowid LIMIT ?", (self._events, EVENTS_AT_ONCE)
                )
            )
            self._events += len(tables["event"])
            whole = end == total and len(tables["event"]) < EVENTS_AT_ONCE
            tables[SEAL] = self._changed(SEAL, self._seals(connection, samples, end, whole=whole))
        return Batch(first=samples + 1, samples=rows, tables=tables, more=not whole)

    def _seals(
        self, connection: sqlite3.Connection, samples: int, end: int, *, whole: bool
    ) -> Iterable[tuple[Any, ...]]:
        """Yield the digests that fit these samples: none of a block that they do not fill, nor of the whole."""
        rows = connection.execute(
            "SELECT rowid, * FROM seal WHERE part != ? OR (block >= ? AND last_row <= ?)",
            (SAMPLE_PART, max(0, samples - 1) // BLOCK_ROWS, end),
        )
        for row in rows:
            part = row[1]
            if part in (RECORD_PART, FILE_PART) and not whole:
                continue
            # The bytes of another file have a stamp of their own.
            yield (*row[:5], UNSTAMPED, row[6]) if part == FILE_PART else row

    def _changed(self, name: str, rows: Iterable[tuple[Any, ...]]) -> tuple[tuple[Any, ...], ...]:
        known = self._known.setdefault(name, {})
        changed = tuple(row for row in rows if known.get(row[0]) != row)
        known.update((row[0], row) for row in changed)
        return changed


def _all(connection: sqlite3.Connection, name: str) -> Iterable[tuple[Any, ...]]:
    assert name in SMALL_TABLES
    return connection.execute(f"SELECT rowid, * FROM {name} ORDER BY rowid")
