"""A record's twin on another computer: takes batches in order, each on the medium before it is acknowledged.

A twin holds the rows of the record and the digests that were written with them; so it says of itself whether it is
whole, as the record does. It is written with `synchronous=FULL`, as a live record is, and may be closed, killed or cut
off at any moment: what it acknowledged is in it once, and it goes on from there when it is opened again.
"""

from __future__ import annotations

import base64
import binascii
import contextlib
import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from verifyrig.core.errors import RecordError
from verifyrig.files.atomic_write import sync_folder
from verifyrig.files.foreign_file import FileKind, check_file
from verifyrig.record.schema import (
    APPLICATION_ID,
    SCHEMA_VERSION,
    SMALL_TABLES,
    check_channels,
    is_one_file,
    opened,
    sample_channels,
    schema_sql,
)
from verifyrig.record.seal import BLOCK_ROWS, RECORD_PART
from verifyrig.record.shape import check_event, check_quality, is_number, is_time_s, is_utc_s, read_json, sound_facts
from verifyrig.record.stamp import stamp
from verifyrig.record.store import SYNCHRONOUS_LIVE, record_errors
from verifyrig.record.tail import SEAL, Batch

_COLUMNS = {**{name: len(columns) for name, columns in SMALL_TABLES.items()}, SEAL: 6}
_MOST_ROWS = {"run": 500, "stage": 1000, "reading_quality": 1_000_000, "event": 5_000_000, SEAL: 5_000_000}
_LONGEST_TEXT = 1_000_000
_LONGEST_DIGEST = 200
MOST_SAMPLES_AT_ONCE = 8 * BLOCK_ROWS


class NotTaken(ValueError):
    """A batch that does not fit: nothing of it was taken."""


class Left(Exception):
    """The twin was left: another connection has it."""


class NoTwin(RecordError):
    """There is a record of this name that is no twin of this run."""


class Twin:
    """The twin of one record. One thread may leave it while another puts a batch into it, which comes to its end first.

    Attributes:
        samples: How many samples are on the medium.
        closed: Whether the record was sealed, and the twin with it.
    """

    def __init__(self, path: Path, run: str, channels: Sequence[str]) -> None:
        """Open the twin of a run, or make it.

        Raises:
            NoTwin: There is a file that is no twin of this run.
            RecordError: The place cannot be written.
        """
        self.path, self._run = path, run
        self._channels = check_channels(channels)
        self._insert = f"INSERT INTO sample (rowid, t_s, utc_s{''.join(f', {c}' for c in self._channels)}) VALUES " + (
            f"({', '.join('?' * (len(self._channels) + 3))})"
        )
        self._connection: sqlite3.Connection | None = None
        self._turn = threading.Lock()  # SQLite's own do not save a process that closes what another thread executes
        self.closed = self._is_whole()
        if self.closed:
            with opened(path) as connection:
                self.samples = self._checked(connection)
            return
        with record_errors(path):
            self._connection = self._opened()
            self.samples = self._checked(self._connection)

    def take(self, batch: Batch) -> int:
        """Put a batch on the medium; return how many samples were new. What is there already is passed over.

        Raises:
            NotTaken: It does not follow what is there, or holds what no record holds; nothing of it was taken.
            Left: Another connection has the twin.
            RecordError: The medium did not take it.
        """
        with self._turn:
            return self._take(batch)

    def leave(self) -> None:
        """Close the file as it is, its log taken in where nobody reads it."""
        with self._turn:
            if self._connection is not None:
                with contextlib.suppress(sqlite3.Error):
                    self._connection.close()
                self._connection = None

    def _take(self, batch: Batch) -> int:
        if self.closed:
            return 0
        if self._connection is None:
            raise Left
        behind = self.samples + 1 - batch.first
        if behind < 0:
            raise NotTaken(f"sample {self.samples + 1} is missing before it")
        self._check(batch)
        rows = batch.samples[behind:]
        numbered = [(self.samples + n, *row) for n, row in enumerate(rows, start=1)]
        with record_errors(self.path):
            self._check_place()
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                self._connection.executemany(self._insert, numbered)
                for name, table_rows in batch.tables.items():
                    places = ", ".join("?" * (_COLUMNS[name] + 1))
                    columns = ", ".join(("rowid", *_names(name)))
                    self._connection.executemany(
                        f"INSERT OR REPLACE INTO {name} ({columns}) VALUES ({places})", table_rows
                    )
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise
        self.samples += len(rows)
        if batch.seals:
            self._close_whole()
        return len(rows)

    def _is_whole(self) -> bool:
        if not self.path.exists() or not self.path.stat().st_size or not is_one_file(self.path):
            return False
        with opened(self.path) as connection:
            return connection.execute("SELECT 1 FROM seal WHERE part = ?", (RECORD_PART,)).fetchone() is not None

    def _opened(self) -> sqlite3.Connection:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        if self.path.exists():
            check_file(self.path, FileKind.RECORD, inside=self.path.parent)
        connection = sqlite3.connect(self.path, isolation_level=None, check_same_thread=False)
        try:
            run = connection.execute
            if run("PRAGMA journal_mode=WAL").fetchone()[0] != "wal":
                raise RecordError(
                    "this file system cannot keep a write-ahead log",
                    where=str(self.path),
                    mend="Let the bench computer keep what it receives on a disk of its own.",
                )
            run(f"PRAGMA synchronous={SYNCHRONOUS_LIVE}")
            run("PRAGMA trusted_schema=OFF")
            if run("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0:
                self._create(connection)
        except BaseException:
            connection.close()
            raise
        return connection

    def _create(self, connection: sqlite3.Connection) -> None:
        run = connection.execute
        run("BEGIN IMMEDIATE")
        run(f"PRAGMA application_id={APPLICATION_ID}")
        run(f"PRAGMA user_version={SCHEMA_VERSION}")
        for statement in schema_sql(self._channels):
            run(statement)
        run("COMMIT")
        run("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        sync_folder(self.path.parent)

    def _checked(self, connection: sqlite3.Connection) -> int:
        """Return how many samples are there; raise `RecordError` where the file is no twin of this run."""
        found = connection.execute("SELECT value FROM run WHERE key = 'run'").fetchone()
        other = found is not None and read_json(found[0], "the run's id") != self._run
        if other or sample_channels(connection) != self._channels:
            raise NoTwin(
                "there is a record of this name that is no twin of this run",
                where=str(self.path),
                mend="Move it away; the machine under test sends the whole run again.",
            )
        return int(connection.execute("SELECT coalesce(max(rowid), 0) FROM sample").fetchone()[0])

    def _check_place(self) -> None:
        if not self.path.exists():
            raise FileNotFoundError(f"the twin was taken away: {self.path.name}")

    def _close_whole(self) -> None:
        """Leave one file with a stamp of its own; where somebody reads it just now, its log stays beside it."""
        assert self._connection is not None
        self.closed = True
        with record_errors(self.path):
            alone = False
            with contextlib.suppress(sqlite3.OperationalError):
                alone = self._connection.execute("PRAGMA journal_mode=DELETE").fetchone()[0] == "delete"
            self._connection.close()
            self._connection = None
            if alone:
                stamp(self.path)

    # ---- what may come in ---------------------------------------------------------------------------------------

    def _check(self, batch: Batch) -> None:
        width = len(self._channels) + 2
        for row in batch.samples:
            fits = len(row) == width and is_time_s(row[0]) and is_utc_s(row[1])
            if not fits or not all(value is None or is_number(value) for value in row[2:]):
                raise NotTaken("a sample holds what no sample holds")
        for name, rows in batch.tables.items():
            for table_row in rows:
                _check_row(name, table_row, self._run)


def batch_of_json(data: Mapping[str, Any]) -> Batch:
    """Return the batch that `Batch.as_json` wrote; raise `NotTaken` for anything else."""
    try:
        first, samples, tables = data["first"], data["samples"], data["tables"]
        if not isinstance(first, int) or isinstance(first, bool) or not 0 < first < 2**40:
            raise NotTaken("it does not say which samples these are")
        if not isinstance(samples, list) or len(samples) > MOST_SAMPLES_AT_ONCE or not isinstance(tables, dict):
            raise NotTaken("it holds no list of samples")
        rows = tuple(tuple(map(_number, row)) for row in samples)
        return Batch(first=first, samples=rows, tables={name: tuple(_rows(name, tables[name])) for name in tables})
    except (KeyError, TypeError, ValueError, AttributeError, RecursionError, binascii.Error) as error:
        raise error if isinstance(error, NotTaken) else NotTaken("it is no batch of a record") from error


def _number(value: Any) -> float | None:
    if value is None:
        return None
    if not isinstance(value, int | float) or isinstance(value, bool):
        raise NotTaken("a sample holds what is no number")
    return float(value)


def _rows(name: str, rows: Any) -> Iterator[tuple[Any, ...]]:
    if name not in _COLUMNS or not isinstance(rows, list):
        raise NotTaken("it names a table that no record has")
    for row in rows:
        if not isinstance(row, list) or len(row) != _COLUMNS[name] + 1:
            raise NotTaken(f"a row of {name} has other columns")
        yield (*row[:-1], base64.b64decode(row[-1], validate=True)) if name == SEAL else tuple(row)


def _check_row(name: str, row: tuple[Any, ...], run: str) -> None:
    number, *values = row
    if not _is_count(number) or not 0 < number <= _MOST_ROWS[name]:
        raise NotTaken(f"a row of {name} has no number")
    if any(isinstance(value, str) and len(value) > _LONGEST_TEXT for value in values):
        raise NotTaken(f"a row of {name} is too long")
    try:
        _CHECKS[name](tuple(values), run)
    except (sqlite3.DatabaseError, ValueError, TypeError, OverflowError) as error:
        raise NotTaken(f"a row of {name} holds what it never holds") from error


def _check_fact(row: tuple[Any, ...], run: str) -> None:
    key, text = row
    if not isinstance(key, str) or not isinstance(text, str):
        raise ValueError("a fact is a key and a text")
    value = read_json(text, "a fact")
    _, misfit = sound_facts({key: value})
    if misfit or (key == "run" and value != run):
        raise ValueError(misfit or "another run")


def _check_stage(row: tuple[Any, ...], _run: str) -> None:
    name, kind, start_s, end_s, ended = row
    texts = isinstance(name, str) and isinstance(kind, str) and (ended is None or isinstance(ended, str))
    if not texts or not is_time_s(start_s) or not (end_s is None or is_time_s(end_s)):
        raise ValueError("no stage")


def _check_event(row: tuple[Any, ...], _run: str) -> None:
    t_s, kind, text = row
    check_event(t_s, kind, read_json(text, "the detail of an event"))


def _check_seal(row: tuple[Any, ...], _run: str) -> None:
    part, block, first_row, last_row, digest, marks = row
    fits = isinstance(part, str) and all(map(_is_count, (block, first_row, last_row)))
    if not fits or not isinstance(digest, str) or len(digest) > _LONGEST_DIGEST or len(marks) > 8 * BLOCK_ROWS:
        raise ValueError("no digest")


def _is_count(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 2**40


_CHECKS: Mapping[str, Callable[[tuple[Any, ...], str], None]] = {
    "run": _check_fact,
    "stage": _check_stage,
    "reading_quality": lambda row, _run: check_quality(row),
    "event": _check_event,
    SEAL: _check_seal,
}


def _names(name: str) -> tuple[str, ...]:
    return ("part", "block", "first_row", "last_row", "digest", "marks") if name == SEAL else SMALL_TABLES[name]
