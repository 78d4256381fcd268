"""The one file beside the records that keeps what was computed from them; it may be deleted at any time.

Each user makes its tables in it (`runs.run_list` the rows of runs, `qa.index.store` the figures). What is kept is held
against the record before it is believed; a file that cannot be used is made anew, or done without.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Sequence
from pathlib import Path

from verifyrig.core.plain_text import plain_line
from verifyrig.files.foreign_file import FileKind, check_file
from verifyrig.files.streams import tell

__all__ = ["INDEX_NAME", "connect_index"]

INDEX_NAME = "index.sqlite"
_FORMAT = 1


def connect_index(path: Path, tables: Sequence[str]) -> sqlite3.Connection:
    """Open the index and make the tables that it lacks; in memory where the file cannot be kept."""
    if os.path.lexists(path):
        try:
            check_file(path, FileKind.RECORD, inside=path.parent)
        except OSError:  # a pipe that never answers, or a link to a file of somebody's
            return _prepared(sqlite3.connect(":memory:"), tables)
    try:
        return _prepared(sqlite3.connect(path, timeout=30.0), tables)
    except _OtherFormat as error:
        # Another version of the program on the same share lives by it: it is left alone.
        _say(
            path, f"it has format {error.found}, and this version writes {_FORMAT}; figures are computed anew each time"
        )
    except sqlite3.OperationalError as error:
        _say(path, f"it cannot be written ({error}); figures are computed anew each time")
    except sqlite3.DatabaseError as error:
        aside = _put_aside(path)
        if aside is None:
            _say(path, f"it is damaged ({error}); figures are computed anew each time")
        else:
            _say(path, f"it was damaged ({error}); a new one was begun, and the old one is kept as {aside.name}")
            return connect_index(path, tables)
    return _prepared(sqlite3.connect(":memory:"), tables)


class _OtherFormat(Exception):
    """The index was written by another version of the program."""

    def __init__(self, found: int) -> None:
        super().__init__(found)
        self.found = found


_SAID: set[tuple[Path, str]] = set()


def _say(path: Path, what: str) -> None:
    """Say once what is the matter with the index: nothing is lost, but whoever waits shall know why."""
    if (path, what) not in _SAID:
        _SAID.add((path, what))
        tell(f"verifyrig: index {plain_line(str(path))}: {plain_line(what)}")


def _put_aside(path: Path) -> Path | None:
    aside = path.with_name(f"{path.name}.damaged")
    try:
        path.replace(aside)
    except OSError:
        return None
    return aside


def _prepared(connection: sqlite3.Connection, tables: Sequence[str]) -> sqlite3.Connection:
    try:
        if connection.execute("PRAGMA user_version").fetchone()[0] not in (0, _FORMAT):
            raise _OtherFormat(int(connection.execute("PRAGMA user_version").fetchone()[0]))
        # It can be rebuilt from the records, so the medium is not waited for.
        connection.execute("PRAGMA synchronous=OFF")
        connection.execute("BEGIN IMMEDIATE")
        for statement in tables:
            connection.execute(statement)
        connection.execute(f"PRAGMA user_version={_FORMAT}")
        connection.commit()
    except BaseException:
        connection.close()
        raise
    return connection
