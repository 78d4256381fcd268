"""The one file beside the records that keeps what was computed from them; it may be deleted at any time.

Each user makes its tables in it (`runs.run_list` the rows of runs, `qa.index.store` the figures). What is kept is held
against the record before it is believed; a file that cannot be used is made anew, or done without.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Sequence
from pathlib import Path

from verifyrig.files.foreign_file import FileKind, check_file

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
    for attempt in range(2):
        try:
            return _prepared(sqlite3.connect(path, timeout=30.0), tables)
        except sqlite3.DatabaseError as error:
            if isinstance(error, sqlite3.OperationalError) or attempt:
                break  # a read-only folder, or a file of somebody else's that is held
            path.unlink(missing_ok=True)
    return _prepared(sqlite3.connect(":memory:"), tables)


def _prepared(connection: sqlite3.Connection, tables: Sequence[str]) -> sqlite3.Connection:
    try:
        if connection.execute("PRAGMA user_version").fetchone()[0] not in (0, _FORMAT):
            raise sqlite3.DatabaseError("another format")
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
