"""The notices that wait, in one SQLite file: each is there or is not, whatever ends the program; in order by target.

    notice(target, number, id, event, body, made_utc_s, tries, next_utc_s, said)
    counted(target, last, left_out)

A notice goes when its target has taken it. A program that dies in between sends it once more: a receiver knows it by
its id. A target for which too many wait gets no further ones; they are counted, and the gap shows in `number`.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from verifyrig.bench.notice_targets import NoticeTarget
from verifyrig.core.errors import BenchError

__all__ = ["SPOOL_NAME", "Spool", "Waiting"]

SPOOL_NAME = "notices.sqlite"
_FORMAT = 1
_TABLES = (
    "CREATE TABLE IF NOT EXISTS notice (target TEXT, number INTEGER, id TEXT NOT NULL, event TEXT NOT NULL, "
    "body TEXT NOT NULL, made_utc_s REAL NOT NULL, tries INTEGER NOT NULL DEFAULT 0, "
    "next_utc_s REAL NOT NULL DEFAULT 0, said TEXT NOT NULL DEFAULT '', PRIMARY KEY (target, number)) WITHOUT ROWID",
    "CREATE TABLE IF NOT EXISTS counted (target TEXT PRIMARY KEY, last INTEGER NOT NULL, left_out INTEGER NOT NULL) "
    "WITHOUT ROWID",
)
# A run that is over waits no longer than this for another process that writes.
_BUSY_S = 5.0


class Waiting(NamedTuple):
    """One notice that waits: what is sent, how often it was tried, when again (s since 1970), what was said last."""

    target: str
    number: int
    id: str
    event: str
    body: str
    made_utc_s: float
    tries: int
    next_utc_s: float
    said: str


class Spool:
    """The file of waiting notices; every call opens it anew, so that threads and processes may share it.

    Every method raises `BenchError` where the file cannot be used.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    def put(self, target: NoticeTarget, notice: Mapping[str, Any], now_utc_s: float) -> bool:
        """Keep a notice for a target under the next number; return whether there was room for it."""
        with self._opened() as db:
            last, left_out = self._counted(db, target.id)
            waiting = db.execute("SELECT count(*) FROM notice WHERE target = ?", (target.id,)).fetchone()[0]
            full = waiting >= target.most_kept
            number = last + 1
            if not full:
                body = json.dumps({**notice, "number": number}, ensure_ascii=False, allow_nan=False)
                db.execute(
                    "INSERT INTO notice (target, number, id, event, body, made_utc_s) VALUES (?, ?, ?, ?, ?, ?)",
                    (target.id, number, notice["id"], notice["event"], body, now_utc_s),
                )
            db.execute("INSERT OR REPLACE INTO counted VALUES (?, ?, ?)", (target.id, number, left_out + full))
        return not full

    def head(self, target: str) -> Waiting | None:
        """Return the oldest notice that waits for a target."""
        with self._opened() as db:
            row = db.execute(
                "SELECT target, number, id, event, body, made_utc_s, tries, next_utc_s, said FROM notice "
                "WHERE target = ? ORDER BY number LIMIT 1",
                (target,),
            ).fetchone()
        return None if row is None else Waiting(*row)

    def taken(self, notice: Waiting) -> None:
        """Forget a notice that its target has."""
        with self._opened() as db:
            db.execute("DELETE FROM notice WHERE target = ? AND number = ?", (notice.target, notice.number))

    def failed(self, notice: Waiting, said: str, next_utc_s: float) -> None:
        """Note an attempt that failed, and when the next may be."""
        with self._opened() as db:
            db.execute(
                "UPDATE notice SET tries = tries + 1, said = ?, next_utc_s = ? WHERE target = ? AND number = ?",
                (said, next_utc_s, notice.target, notice.number),
            )

    def counts(self, target: str) -> tuple[int, int]:
        """Return how many notices wait for a target, and how many were left out."""
        with self._opened() as db:
            waiting = db.execute("SELECT count(*) FROM notice WHERE target = ?", (target,)).fetchone()[0]
            return int(waiting), self._counted(db, target)[1]

    def _counted(self, db: sqlite3.Connection, target: str) -> tuple[int, int]:
        row = db.execute("SELECT last, left_out FROM counted WHERE target = ?", (target,)).fetchone()
        return (0, 0) if row is None else (int(row[0]), int(row[1]))

    @contextlib.contextmanager
    def _opened(self) -> Iterator[sqlite3.Connection]:
        """Yield the file within one transaction, which is on the medium when the block is left."""
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            db = sqlite3.connect(self.path, timeout=_BUSY_S, isolation_level=None)
        except (OSError, sqlite3.Error) as error:
            raise self._fault(error) from error
        try:
            db.execute("PRAGMA synchronous=FULL")
            db.execute("BEGIN IMMEDIATE")
            if db.execute("PRAGMA user_version").fetchone()[0] not in (0, _FORMAT):
                raise self._fault("another version of the program wrote it")
            for statement in _TABLES:
                db.execute(statement)
            db.execute(f"PRAGMA user_version={_FORMAT}")
            yield db
            db.execute("COMMIT")
        except sqlite3.Error as error:
            raise self._fault(error) from error
        finally:
            db.close()  # what was not committed is rolled back

    def _fault(self, why: object) -> BenchError:
        return BenchError(
            f"no notice can be kept or sent ({why})",
            where=str(self.path),
            mend="Check rights and disk. A damaged file may be put aside; `notices --again` tells of runs anew.",
        )
