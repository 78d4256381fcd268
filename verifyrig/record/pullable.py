"""One record in two files: one on a stick that may be pulled while it is written, one in memory that is always there.

Every statement goes to both. A stick that is away is let go of, and the record goes on in memory. When the same stick
is back, the file in memory is copied onto it whole, in the place of the old one, and both are written again.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from verifyrig.files.atomic_write import sync_folder

_LOOK_EVERY_S = 2.0
_NOTICED_S = 3.0


class PullableConnection:
    """What the store needs of a connection, for both files.

    Args:
        far: The record's place on the stick.
        near: Its place in memory.
        is_there: Whether the stick is plugged in.
        prepare: Makes the stick writable again after it came back.

    Attributes:
        away_since_s: Since when the stick is away, on the monotonic clock; None while it is there.
    """

    def __init__(
        self, far: Path, near: Path, *, is_there: Callable[[], bool], prepare: Callable[[], None] = lambda: None
    ) -> None:
        self._far_path, self._near_path = far, near
        self._is_there, self._prepare = is_there, prepare
        make_file(near)
        self._near = _connect(near)
        self._near.execute("PRAGMA synchronous=OFF")  # memory: there is no medium to wait for
        self._setup: list[str] = []
        self._looked_s = 0.0
        self.away_since_s: float | None = None
        self._far: sqlite3.Connection | None = None
        if is_there():
            make_file(far)
            self._far = _connect(far)
        else:
            self.lose()

    @property
    def path(self) -> Path:
        """Return where the record can be read now."""
        return self._near_path if self._far is None else self._far_path

    @property
    def in_transaction(self) -> bool:
        """Whether changes are waiting for their end."""
        return self._near.in_transaction

    def execute(self, sql: str, parameters: Sequence[Any] = ()) -> sqlite3.Cursor:
        """Execute in both; the answer is that of the file in memory."""
        if sql.startswith("PRAGMA") and "journal_mode" not in sql and "wal_checkpoint" not in sql:
            self._setup.append(sql)
            if "synchronous" in sql:
                self._on_far(lambda far: far.execute(sql))
                return self._near.execute("SELECT 1")
        if not sql.startswith("SELECT"):
            self._on_far(lambda far: far.execute(sql, parameters).fetchall())
        return self._near.execute(sql, parameters)

    def executemany(self, sql: str, rows: Sequence[Sequence[Any]]) -> None:
        """Execute for each row, in both."""
        self._on_far(lambda far: far.executemany(sql, rows))
        self._near.executemany(sql, rows)

    def close(self) -> None:
        """Close both; what is in memory only is kept there for when the stick is back."""
        self._on_far(lambda far: far.close())
        self._near.close()
        if self._far is None:
            self._near_path.with_suffix(".target").write_text(str(self._far_path))
        else:
            _remove(self._near_path)

    def look(self) -> None:
        """Between two transactions: let go of a stick that was pulled, take one back that was plugged in again."""
        if self._far is not None:
            if not self._is_there():
                self.lose()
            return
        if time.monotonic() - self._looked_s < _LOOK_EVERY_S:
            return
        self._looked_s = time.monotonic()
        if self._is_there():
            with contextlib.suppress(sqlite3.Error, OSError):
                self._take_back()

    def lose(self) -> None:
        """Go on in memory alone."""
        far, self._far = self._far, None
        self.away_since_s = time.monotonic()
        if far is not None:
            with contextlib.suppress(sqlite3.Error):
                far.close()

    def _on_far(self, do: Callable[[sqlite3.Connection], Any]) -> None:
        if self._far is None:
            return
        try:
            do(self._far)
        except (sqlite3.Error, OSError):
            # Writing fails a moment before the system has noticed that the stick is gone.
            until_s = time.monotonic() + _NOTICED_S
            while self._is_there():
                if time.monotonic() > until_s:
                    raise  # a full or faulty stick is no pulled one: that is said as ever
                time.sleep(0.05)
            self.lose()

    def _take_back(self) -> None:
        self._prepare()
        self._far_path.parent.mkdir(parents=True, exist_ok=True)
        aside = self._far_path.with_suffix(".back")
        _remove(aside)
        copy = sqlite3.connect(aside)
        try:
            self._near.backup(copy)
        finally:
            copy.close()
        put_back(aside, self._far_path)
        far = _connect(self._far_path)
        far.execute("PRAGMA journal_mode=WAL").fetchone()
        for sql in self._setup:
            far.execute(sql)
        self._far, self.away_since_s = far, None


def make_file(path: Path) -> None:
    """Make the folders and an empty file, each noted in its folder on the medium."""
    missing = [folder for folder in path.parents if not folder.exists()]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:
        raise NotADirectoryError(f"{path.parent.name} is no folder") from error
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o644))
    for folder in [path.parent, *(folder.parent for folder in missing)]:
        sync_folder(folder)


def put_back(aside: Path, place: Path) -> None:
    """Give a whole copy its name on the stick, in the place of what the pulled stick was left with."""
    with aside.open("rb+") as file:
        os.fsync(file.fileno())
    for ending in ("-wal", "-shm"):
        Path(f"{place}{ending}").unlink(missing_ok=True)
    aside.replace(place)
    sync_folder(place.parent)


def write_back(folder: Path) -> list[Path]:
    """Copy records that ended while the stick was away onto it; return their places there.

    Raises:
        OSError: The stick does not take them; they stay in memory.
    """
    done = []
    for note in sorted(folder.glob("*.target")):
        near, place = note.with_suffix(".sqlite"), Path(note.read_text())
        place.parent.mkdir(parents=True, exist_ok=True)
        aside = place.with_suffix(".back")
        shutil.copyfile(near, aside)
        put_back(aside, place)
        _remove(near)
        note.unlink()
        done.append(place)
    return done


def _connect(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, isolation_level=None, check_same_thread=False)


def _remove(path: Path) -> None:
    for ending in ("", "-wal", "-shm", "-journal"):
        Path(f"{path}{ending}").unlink(missing_ok=True)
