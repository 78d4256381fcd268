"""What the bench computer itself saw of a run: when samples came, what its probes read, what it said of the link.

It lies beside the twin as `<run>.seen`, an SQLite file of one table; the twin holds only what the machine recorded.

    seen(utc_s, steady_s, what, detail_json)    what: arrival · probe · word · end-load · load-ended · shown
"""

from __future__ import annotations

import contextlib
import json
import queue
import sqlite3
import threading
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from verifyrig.link.clocks import Clocks

_SCHEMA = (
    "CREATE TABLE IF NOT EXISTS seen "
    "(utc_s REAL NOT NULL, steady_s REAL NOT NULL, what TEXT NOT NULL, detail_json TEXT NOT NULL)"
)

_FLUSHED_WITHIN_S = 2.0


class SeenMoment(NamedTuple):
    """One thing seen, by both clocks of the bench computer, s."""

    utc_s: float
    steady_s: float
    what: str
    detail: Mapping[str, Any]


def seen_path(twin: Path) -> Path:
    """Return where the file of a twin lies."""
    return twin.with_suffix(".seen")


class Seen:
    """Notes what is seen of one run. A disk that takes no more stops no run: the twin alone is acknowledged.

    A thread writes, and takes together what came meanwhile: whoever notes something has a machine to answer, and must
    not wait for the disk.
    """

    def __init__(self, twin: Path, clocks: Clocks) -> None:
        self._clocks = clocks
        twin.parent.mkdir(parents=True, exist_ok=True)
        self._path = seen_path(twin)
        self._queue: queue.SimpleQueue[tuple[float, float, str, str] | threading.Event | None] = queue.SimpleQueue()
        threading.Thread(target=self._write, name="seen", daemon=True).start()

    def note(self, what: str, **detail: Any) -> None:
        """Keep one thing seen now."""
        self._queue.put((self._clocks.wall_s(), self._clocks.steady_s(), what, json.dumps(detail)))

    def flush(self) -> None:
        """Return when what was noted before is in the file."""
        written = threading.Event()
        self._queue.put(written)
        written.wait(_FLUSHED_WITHIN_S)

    def close(self) -> None:
        """Close the file once what is left is written; nobody waits for that."""
        self._queue.put(None)

    def _write(self) -> None:
        with contextlib.suppress(sqlite3.Error), contextlib.closing(self._opened()) as connection:
            for rows in self._together():
                with contextlib.suppress(sqlite3.Error), connection:
                    connection.executemany("INSERT INTO seen VALUES (?, ?, ?, ?)", rows)

    def _opened(self) -> sqlite3.Connection:
        connection = sqlite3.connect(self._path)
        for statement in ("PRAGMA journal_mode=WAL", "PRAGMA synchronous=NORMAL", _SCHEMA):
            connection.execute(statement)
        return connection

    def _together(self) -> Iterator[list[tuple[float, float, str, str]]]:
        """Yield what came since the last time, as soon as something came."""
        while True:
            rows, waiting, last = [], [], False
            entry = self._queue.get()
            while True:
                if entry is None:
                    last = True
                elif isinstance(entry, threading.Event):
                    waiting.append(entry)
                else:
                    rows.append(entry)
                if self._queue.empty():
                    break
                entry = self._queue.get()
            if rows:
                yield rows
            for written in waiting:
                written.set()
            if last:
                return


def read_seen(twin: Path, what: str, newest: int = 1000) -> list[SeenMoment]:
    """Return the newest things of a kind, oldest first; none where nothing was kept."""
    path = seen_path(twin)
    if not path.is_file():
        return []
    try:
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
    except sqlite3.Error:
        return []
    with contextlib.closing(connection):
        try:
            rows = connection.execute(
                "SELECT * FROM (SELECT rowid AS n, * FROM seen WHERE what = ? ORDER BY n DESC LIMIT ?) ORDER BY n",
                (what, newest),
            ).fetchall()
            return [SeenMoment(row[1], row[2], row[3], json.loads(row[4])) for row in rows]
        except (sqlite3.Error, ValueError):
            return []
