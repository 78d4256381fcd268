"""A sealed record, and an interrupted one, flipped and cut at many places: what is made of each.

The pair: how many of the same flips SQLite's own integrity check finds, which is all that a plain database offers.
"""

from __future__ import annotations

import contextlib
import random
import sqlite3
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

from tests.test_seal import content, cut, flip, judge_change, make


def measure(full: bool = True) -> dict[str, Any]:
    """Return what 2 000 flips and 2 000 cuts were taken for; every silent pass or traceback would end the benchmark."""
    places = 2000 if full else 200
    with tempfile.TemporaryDirectory(prefix="verifyrig-flips-") as folder:
        data = (original := make(Path(folder) / "r.sqlite")).read_bytes()
        before = content(original)
        changed = Path(folder) / "changed.sqlite"
        found = {
            name: Counter(judge_change(changed, change(data, rng), before) for _ in range(places))
            for name, change, rng in (("flips", flip, random.Random(1)), ("cuts", cut, random.Random(2)))
        }
        rng = random.Random(1)
        by_sqlite = sum(_sqlite_objects(changed, flip(data, rng)) for _ in range(places))
    return {
        "flips": dict(found["flips"]),
        "cuts": dict(found["cuts"]),
        "noticed_share": sum(found["flips"].values()) / places,
        "sqlite_integrity_check_noticed_share": by_sqlite / places,
        "ratio": by_sqlite / sum(found["flips"].values()),
    }


def _sqlite_objects(path: Path, data: bytes) -> bool:
    path.write_bytes(data)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        try:
            return bool(connection.execute("PRAGMA integrity_check(1)").fetchone()[0] != "ok")
        except (sqlite3.Error, UnicodeDecodeError):
            return True
