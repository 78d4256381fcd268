"""The file behind a record that is being written: rows, their digests, and how it is closed or left."""

from __future__ import annotations

import contextlib
import errno
import json
import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from verifyrig.core.errors import RecordError
from verifyrig.core.plain_json import plain_json
from verifyrig.core.plain_text import storable
from verifyrig.core.trace import FloatArray
from verifyrig.record.pullable import PullableConnection, make_file
from verifyrig.record.schema import APPLICATION_ID, SCHEMA_VERSION, SMALL_TABLES, schema_sql
from verifyrig.record.seal import FILE_PART, RECORD_PART, SampleChain, SealRow, TableSeal, record_digest
from verifyrig.record.stamp import UNSTAMPED, stamp

Change = Callable[[], None]
Connect = Callable[[Path], "sqlite3.Connection | PullableConnection"]
SampleRow = Sequence[float | None]

# The reasons for these are in the package's docstring; the test of the power cut sets the first to OFF and must fail.
SYNCHRONOUS_LIVE = "FULL"
SYNCHRONOUS_IN_BLOCKS = "NORMAL"
_WAIT_FOR_READERS_S = 5.0
_UPDATE_SEAL = "UPDATE seal SET first_row = ?, last_row = ?, digest = ?, marks = ? WHERE part = ? AND block = ?"


def connect_alone(path: Path) -> sqlite3.Connection:
    """Make the file of a record, and open it."""
    make_file(path)
    return sqlite3.connect(path, isolation_level=None, check_same_thread=False)


class Store:
    """Puts changes into the file, each group as one transaction together with the digests over it."""

    def __init__(
        self, path: Path, channels: Sequence[str], *, synchronous: str, connect: Connect = connect_alone
    ) -> None:
        """Make a new record with its tables; `connect` makes its file, or several that stand for it.

        Raises:
            RecordError: There is a file already, or the place cannot be written.
        """
        self._path = path
        self._insert_sample = f"INSERT INTO sample VALUES ({', '.join('?' * (len(channels) + 2))})"
        self._chain = SampleChain(channels)
        self._tables = {name: TableSeal(name) for name in SMALL_TABLES}
        self._facts: dict[str, int] = {}
        self._open_stages: dict[str, tuple[int, str, float]] = {}
        self._open_qualities: dict[str, tuple[int, tuple[Any, ...]]] = {}
        self._waiting: list[SampleRow] = []
        self._sealed: set[tuple[str, int]] = set()
        with record_errors(path):
            self._connection = connect(path)
            try:
                self._create(channels, synchronous)
            except BaseException:
                self._connection.close()
                raise
            self._inode = self.path.stat().st_ino

    @property
    def path(self) -> Path:
        """Where the record can be read now."""
        return self._connection.path if isinstance(self._connection, PullableConnection) else self._path

    @property
    def is_away(self) -> bool:
        """Whether the medium that the record belongs on is away, and it is kept in memory."""
        return isinstance(self._connection, PullableConnection) and self._connection.away_since_s is not None

    @property
    def sample_rows(self) -> int:
        """Number of samples committed so far."""
        return self._chain.rows

    def _create(self, channels: Sequence[str], synchronous: str) -> None:
        run = self._connection.execute
        if run("PRAGMA journal_mode=WAL").fetchone()[0] != "wal":
            raise RecordError(
                "this file system cannot keep a write-ahead log",
                where=str(self.path),
                mend="Put the bench folder on a local disk or a stick of this machine.",
            )
        run(f"PRAGMA synchronous={synchronous}")
        run(f"PRAGMA application_id={APPLICATION_ID}")
        run(f"PRAGMA user_version={SCHEMA_VERSION}")
        run("BEGIN IMMEDIATE")
        for statement in schema_sql(channels):
            run(statement)
        run("COMMIT")

    def take_log_in(self) -> None:
        """Move what was committed from the log into the file itself."""
        with record_errors(self.path):
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()

    # Each of the following is called between `commit`'s begin and end.

    def add_sample(self, row: SampleRow) -> None:
        """Append t_s, utc_s and one value a channel."""
        self._waiting.append(row)

    def set_fact(self, key: str, value: Any) -> None:
        """Set a fact of the run."""
        text = json_text(value)
        if key in self._facts:
            self._tables["run"].replace(self._facts[key], (key, text))
            self._connection.execute("UPDATE run SET value = ? WHERE key = ?", (text, key))
        else:
            self._facts[key] = self._append("run", (key, text))

    def start_stage(self, name: str, kind: str, t_s: float) -> None:
        """Append an open stage."""
        name, kind = storable(name), storable(kind)
        index = self._append("stage", (name, kind, t_s, None, None))
        self._open_stages[name] = (index, kind, t_s)

    def end_stage(self, name: str, t_s: float, ended: str) -> None:
        """Close the open stage of that name."""
        name = storable(name)
        index, kind, start_s = self._open_stages.pop(name)
        self._tables["stage"].replace(index, (name, kind, start_s, t_s, storable(ended)))
        self._connection.execute(
            "UPDATE stage SET end_s = ?, ended = ? WHERE rowid = ?", (t_s, storable(ended), index + 1)
        )

    def add_event(self, t_s: float, kind: str, detail: Mapping[str, Any]) -> None:
        """Append an event."""
        self._append("event", (t_s, storable(kind), json_text(detail)))

    def open_quality(self, channel: str, from_s: float, quality: str, note: str) -> None:
        """Begin an interval that lasts until it is closed."""
        row = (channel, from_s, None, quality, storable(note))
        self._open_qualities[channel] = (self._append("reading_quality", row), row)

    def close_quality(self, channel: str, to_s: float) -> None:
        """End the open interval of a channel."""
        index, row = self._open_qualities.pop(channel)
        self._tables["reading_quality"].replace(index, (*row[:2], to_s, *row[3:]))
        self._connection.execute("UPDATE reading_quality SET to_s = ? WHERE rowid = ?", (to_s, index + 1))

    def _append(self, table: str, row: tuple[Any, ...]) -> int:
        self._connection.execute(f"INSERT INTO {table} VALUES ({', '.join('?' * len(row))})", row)
        return self._tables[table].append(row)

    def commit(self, changes: Sequence[Change]) -> None:
        """Put the changes on the medium as one transaction; raise `RecordError` where that fails."""
        with record_errors(self.path):
            self._check_place()
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                for change in changes:
                    change()
                self._put_samples()
                self._put_digests()
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise

    def _check_place(self) -> None:
        """Find out that the file was deleted or its stick pulled, which writing alone may not show."""
        if isinstance(self._connection, PullableConnection):
            self._connection.look()
        elif self.path.stat().st_ino != self._inode:
            raise FileNotFoundError(f"another file stands in its place: {self.path.name}")

    def _put_samples(self) -> None:
        if not self._waiting:
            return
        rows, self._waiting = self._waiting, []
        self._connection.executemany(self._insert_sample, rows)
        array: FloatArray = np.array(rows, dtype=np.float64)
        self._put_seal(list(self._chain.extend(array)))

    def _put_digests(self) -> None:
        for table in self._tables.values():
            self._put_seal(table.take_changed())

    def _put_seal(self, rows: Sequence[SealRow]) -> None:
        """Insert or update; an update leaves the index alone, and thereby a page less to write with each sample."""
        for row in rows:
            if (row.part, row.block) in self._sealed:
                self._connection.execute(_UPDATE_SEAL, (*row[2:], row.part, row.block))
            else:
                self._connection.execute("INSERT INTO seal VALUES (?, ?, ?, ?, ?, ?)", row)
                self._sealed.add((row.part, row.block))

    def seal(self) -> str:
        """Seal the record, take the log into the one file, and close it; return the record's digest."""
        schema = [row[0] for row in self._connection.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL")]
        digest = record_digest(schema, self._chain.digest(), self._chain.rows, list(self._tables.values()))
        rows = self._chain.rows
        whole = SealRow(RECORD_PART, 0, min(rows, 1), rows, digest, b"")
        self.commit([lambda: self._put_seal([whole, SealRow(FILE_PART, 0, 0, 0, UNSTAMPED, b"")])])
        with record_errors(self.path):
            alone, place = self._leave_one_file(), self.path
            self._connection.close()
            if alone:
                stamp(place)
        return digest

    def _leave_one_file(self) -> bool:
        """Take the log in; where a reader holds the file for long, the record stays sealed with its log beside it."""
        deadline_s = time.monotonic() + _WAIT_FOR_READERS_S
        while True:
            try:
                if self._connection.execute("PRAGMA journal_mode=DELETE").fetchone()[0] == "delete":
                    return True
            except sqlite3.OperationalError as error:
                if _result_code(error) not in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                    raise
            if time.monotonic() > deadline_s:
                return False
            time.sleep(0.05)

    def leave(self) -> None:
        """Close the file as a power cut would leave it: not sealed, the log beside it.

        SQLite takes the log in when the last connection closes; one that may only read cannot.
        """
        with record_errors(self.path):
            reader = sqlite3.connect(f"{self.path.absolute().as_uri()}?mode=ro", uri=True)
            try:
                reader.execute("SELECT count(*) FROM run").fetchone()
                self._connection.close()
            finally:
                reader.close()

    @contextlib.contextmanager
    def dropped_on_failure(self) -> Iterator[None]:
        """Close the file where the block fails; the record stays unsealed, as after an interruption."""
        try:
            yield
        except BaseException:
            self.drop()
            raise

    def drop(self) -> None:
        """Close the file after a failed write."""
        with contextlib.suppress(sqlite3.Error):
            self._connection.close()


@contextlib.contextmanager
def record_errors(path: Path) -> Iterator[None]:
    """Turn errors of the disk and of SQLite into one that says what happened and how to mend it."""
    try:
        yield
    except FileExistsError as error:
        raise RecordError(
            "there is a record of this name already",
            where=str(path),
            mend="A record is never overwritten; start again.",
        ) from error
    except FileNotFoundError as error:
        raise RecordError(
            f"the place of the record is gone ({error})", where=str(path), mend="Put the stick or folder back."
        ) from error
    except (sqlite3.Error, OSError) as error:
        why = getattr(error, "strerror", None) or error
        raise RecordError(f"cannot be written ({why})", where=str(path), mend=_mend(error), cause=str(why)) from error


def _mend(error: Exception) -> str:
    code, number = _result_code(error), getattr(error, "errno", None)
    if isinstance(error, PermissionError):
        return "Check the rights of the folder, or name another bench folder with --bench."
    if code == sqlite3.SQLITE_FULL or number == errno.ENOSPC:
        return "Make room on the disk; what was recorded so far stays whole."
    if code == sqlite3.SQLITE_READONLY or number == errno.EROFS:
        return "The disk or folder has become read-only: check the stick and its rights."
    return "Check the disk or stick; what was recorded so far stays whole."


def _result_code(error: Exception) -> int:
    """Return SQLite's result code: the low byte; what is above it says more (https://www.sqlite.org/rescode.html)."""
    return int(getattr(error, "sqlite_errorcode", 0)) & 0xFF


def json_text(value: Any) -> str:
    """Return the value as JSON; what JSON cannot hold becomes null (NaN, infinity) or its text."""
    return json.dumps(plain_json(value), allow_nan=False, separators=(",", ":"))
