"""The tables of a record, and how one is opened for reading without changing a byte of it."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from verifyrig.core.channels import is_channel
from verifyrig.core.errors import RecordError
from verifyrig.files.foreign_file import FileKind, check_file
from verifyrig.files.foreign_file import opened as opened_file

SCHEMA_VERSION = 1
APPLICATION_ID = 0x76526967  # marks the file as a record, for `file` and other programs
SQLITE_MAGIC = b"SQLite format 3\x00"
_ROLLBACK, _WAL = 1, 2  # bytes 18 and 19 of the file (SQLite's "Database File Format", section 1.3.3)

STAGE_COLUMNS = ("name", "kind", "start_s", "end_s", "ended")
QUALITY_COLUMNS = ("channel", "from_s", "to_s", "quality", "note")
EVENT_COLUMNS = ("t_s", "kind", "detail_json")
RUN_COLUMNS = ("key", "value")
# In the order in which the record's digest takes them.
SMALL_TABLES = {
    "run": RUN_COLUMNS,
    "stage": STAGE_COLUMNS,
    "reading_quality": QUALITY_COLUMNS,
    "event": EVENT_COLUMNS,
}

_FIXED_SQL = (
    "CREATE TABLE run (key TEXT PRIMARY KEY, value TEXT NOT NULL)",
    "CREATE TABLE stage (name TEXT NOT NULL, kind TEXT NOT NULL, start_s REAL NOT NULL, end_s REAL, ended TEXT)",
    "CREATE TABLE reading_quality "
    "(channel TEXT NOT NULL, from_s REAL NOT NULL, to_s REAL, quality TEXT NOT NULL, note TEXT NOT NULL)",
    "CREATE TABLE event (t_s REAL NOT NULL, kind TEXT NOT NULL, detail_json TEXT NOT NULL)",
    "CREATE TABLE seal (part TEXT NOT NULL, block INTEGER NOT NULL, first_row INTEGER NOT NULL, "
    "last_row INTEGER NOT NULL, digest TEXT NOT NULL, marks BLOB NOT NULL, PRIMARY KEY (part, block))",
)


_FEWEST_COLUMNS = {**{name: len(columns) for name, columns in SMALL_TABLES.items()}, "seal": 6, "sample": 2}


class DamagedRecord(RecordError):
    """The file is there, but cannot be read as the record that it was."""


def check_channels(channels: Sequence[str]) -> tuple[str, ...]:
    """Return the channels; raise `RecordError` for a name that is none of the contract, or that comes twice.

    The names become names of columns, so nothing else may get through here.
    """
    for channel in channels:
        if not is_channel(channel):
            raise RecordError(
                f"{channel!r} is no channel", where="record", mend="Use a channel name such as die_temp_c."
            )
    if len(set(channels)) != len(channels):
        raise RecordError("a channel is named twice", where="record", mend="Name each channel once.")
    return tuple(channels)


def schema_sql(channels: Sequence[str]) -> tuple[str, ...]:
    """Return the statements that make an empty record with these (checked) channels."""
    columns = "".join(f", {channel} REAL" for channel in channels)
    return (*_FIXED_SQL, f"CREATE TABLE sample (t_s REAL NOT NULL, utc_s REAL NOT NULL{columns})")


def wal_path(path: Path) -> Path:
    """Return the place of the write-ahead log that belongs to a record."""
    return path.with_name(path.name + "-wal")


def was_closed(path: Path) -> bool:
    """Return whether the file was closed in order (no log belongs to it any more).

    Raises:
        RecordError: The file cannot be read, or is no SQLite file.
    """
    head = _read_head(path)
    if head[:16] != SQLITE_MAGIC or len(head) < 100 or head[18] not in (_ROLLBACK, _WAL):
        raise DamagedRecord(
            "this is no record, or its head is damaged", where=str(path), mend="Take another copy of the file."
        )
    return head[18] == _ROLLBACK


def is_one_file(path: Path) -> bool:
    """Return whether the record is closed and nothing that belongs to it lies beside it; errors as `was_closed`."""
    return was_closed(path) and not wal_path(path).exists() and not _undone_path(path).exists()


def _undone_path(path: Path) -> Path:
    return path.with_name(path.name + "-journal")


def _read_head(path: Path) -> bytes:
    try:
        with opened_file(path, FileKind.RECORD) as file:
            return file.read(100)
    except FileNotFoundError as error:
        raise RecordError(
            "no such record", where=str(path), mend="Check the path; `verifyrig runs` lists records."
        ) from error
    except (OSError, ValueError) as error:
        raise RecordError(f"cannot be read ({error})", where=str(path), mend="Check the file's rights.") from error


@contextlib.contextmanager
def opened(path: Path) -> Iterator[sqlite3.Connection]:
    """Yield a connection that only reads, whether the record is sealed, was interrupted, or is being written now.

    A record without a log is opened as immutable, so that not even a lock is taken and nothing appears beside it.
    An interrupted one is read with its write-ahead log, since `immutable` would pass over that in silence; where
    it cannot be done in place (read-only folder, a rollback left undone), a copy of both is read.

    Raises:
        RecordError: The file is missing, is no record, or is damaged.
    """
    was_closed(path)  # raises for a file that is none of ours
    _check_companions(path)
    with contextlib.ExitStack() as cleanup:
        try:
            if _undone_path(path).exists():
                connection = _connect_copy(path, cleanup)
            elif wal_path(path).exists():
                connection = _connect_beside_log(path, cleanup)
            else:
                connection = _connect(path, "immutable=1")
            cleanup.callback(connection.close)
            yield connection
        except (sqlite3.Error, UnicodeDecodeError, OverflowError) as error:
            raise damaged(path, error) from error


def _check_companions(path: Path) -> None:
    """Refuse what SQLite would open beside a record without asking: a pipe there would never answer."""
    for ending in ("-wal", "-shm", "-journal"):
        beside = path.with_name(path.name + ending)
        if os.path.lexists(beside):
            try:
                check_file(beside, FileKind.RECORD, inside=path.parent)
            except OSError as error:
                raise DamagedRecord(
                    f"beside it lies something that is no part of a record ({error})",
                    where=str(beside),
                    mend="Take it away.",
                ) from error


def damaged(path: Path, error: Exception | str) -> DamagedRecord:
    """Return the error that says that a record cannot be read to its end."""
    return DamagedRecord(f"the file is damaged ({error})", where=str(path), mend="Take another copy of the record.")


def _connect(path: Path, option: str) -> sqlite3.Connection:
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?{option}", uri=True, isolation_level=None)
    try:
        _check_tables(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _check_tables(connection: sqlite3.Connection) -> None:
    """Raise `sqlite3.DatabaseError` where a table is no plain one: a view or a computed column runs what it likes."""
    connection.execute("PRAGMA trusted_schema=OFF")
    for name in (*SMALL_TABLES, "seal", "sample"):
        found = connection.execute("SELECT type FROM sqlite_master WHERE name = ?", (name,)).fetchone()
        if found is None or found[0] != "table":
            raise sqlite3.DatabaseError(f"its table {name} is missing")
        columns = connection.execute(f"PRAGMA table_xinfo({name})").fetchall()
        if any(column[6] for column in columns):
            raise sqlite3.DatabaseError(f"its table {name} is none of a record")
        if len(columns) < _FEWEST_COLUMNS[name] or (name != "sample" and len(columns) != _FEWEST_COLUMNS[name]):
            raise sqlite3.DatabaseError(f"its table {name} has other columns")


def _connect_beside_log(path: Path, cleanup: contextlib.ExitStack) -> sqlite3.Connection:
    try:
        return _connect(path, "mode=ro")
    except sqlite3.OperationalError:
        return _connect_copy(path, cleanup)


def _connect_copy(path: Path, cleanup: contextlib.ExitStack) -> sqlite3.Connection:
    folder = Path(cleanup.enter_context(tempfile.TemporaryDirectory(prefix="verifyrig-")))
    for ending in ("", "-wal", "-journal"):
        source = path.with_name(path.name + ending)
        if source.exists():
            shutil.copyfile(source, folder / source.name)
    return _connect(folder / path.name, "mode=rw")


def sample_channels(connection: sqlite3.Connection) -> tuple[str, ...]:
    """Return the channels of the table `sample`, in recording order."""
    names = [row[1] for row in connection.execute("PRAGMA table_info(sample)")]
    return tuple(names[2:])
