"""The table `sample` in pieces: from the pages of a closed file where that is possible, else row by row."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from verifyrig.core.trace import FloatArray
from verifyrig.record.pages import NotPlainError, TableRows, read_rows
from verifyrig.record.schema import is_one_file

_ROWS_AT_ONCE = 4096


def sample_rows(connection: sqlite3.Connection, path: Path, columns: int) -> Iterator[TableRows]:
    """Yield the samples in order.

    Args:
        connection: The open record.
        path: Its file.
        columns: Number of columns, the two times included.

    Raises:
        sqlite3.DatabaseError: The file is damaged, or a sample holds something that is no number.
    """
    done = 0
    if is_one_file(path):
        root = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'sample'").fetchone()[0]
        try:
            for rows in read_rows(path, root, columns):
                yield rows
                done += len(rows.ids)
            return
        except NotPlainError:
            pass
    yield from _by_sql(connection, done)


def _by_sql(connection: sqlite3.Connection, done: int) -> Iterator[TableRows]:
    cursor = connection.execute("SELECT rowid, * FROM sample ORDER BY rowid LIMIT -1 OFFSET ?", (done,))
    while rows := cursor.fetchmany(_ROWS_AT_ONCE):
        numbers = _as_numbers(rows)
        yield TableRows(numbers[:, 0].astype(np.int64), np.ascontiguousarray(numbers[:, 1:]))


def _as_numbers(rows: Sequence[Sequence[Any]]) -> FloatArray:
    try:
        return np.array(rows, dtype=np.float64)
    except (ValueError, TypeError) as error:
        raise sqlite3.DatabaseError("a sample holds something that is no number") from error
