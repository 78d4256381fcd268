"""What the bench computer itself saw of a run: when samples came, what its probes read, what it said of the link.

It lies beside the twin as `<run>.seen`, an SQLite file of one table; the twin holds only what the machine recorded.

    seen(utc_s, steady_s, what, detail_json)    what: arrival · probe · word · end-load · load-ended
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

from verifyrig.link.clocks import Clocks

_SCHEMA = (
    "CREATE TABLE IF NOT EXISTS seen "
    "(utc_s REAL NOT NULL, steady_s REAL NOT NULL, what TEXT NOT NULL, detail_json TEXT NOT NULL)"
)


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
    """Notes what is seen of one run. A disk that takes no more stops no run: the twin alone is acknowledged."""

    def __init__(self, twin: Path, clocks: Clocks) -> None:
        self._clocks = clocks
        twin.parent.mkdir(parents=True, exist_ok=True)
        self._connection = sqlite3.connect(seen_path(twin), isolation_level=None, check_same_thread=False)
        for statement in ("PRAGMA journal_mode=WAL", "PRAGMA synchronous=NORMAL", _SCHEMA):
            self._connection.execute(statement)

    def note(self, what: str, **detail: Any) -> None:
        """Keep one thing seen now."""
        row = (self._clocks.wall_s(), self._clocks.steady_s(), what, json.dumps(detail))
        with contextlib.suppress(sqlite3.Error):
            self._connection.execute("INSERT INTO seen VALUES (?, ?, ?, ?)", row)

    def close(self) -> None:
        """Close the file."""
        with contextlib.suppress(sqlite3.Error):
            self._connection.close()


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
