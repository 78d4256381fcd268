"""What this bench remembers of the day: who is at it, and who has read the safety text today; `day.toml` in its folder.

Names of the shop's own people alone, nothing of customers. A file that cannot be read or written changes nothing: then
everything is asked and shown once more.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path

from verifyrig.files.foreign_file import FileKind, read_text
from verifyrig.files.toml_table import load_toml

DAY_NAME = "day.toml"
# Longer than a shift, shorter than until the next one (common practice, no source).
SHIFT = timedelta(hours=10)


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """What is remembered.

    Attributes:
        by: Who is at the bench; empty where nobody said.
        since: Since when, with its zone.
        read: Day (ISO) on which each person was last shown the whole safety text.
    """

    by: str = ""
    since: datetime | None = None
    read: Mapping[str, str] = field(default_factory=dict)

    def on_shift(self, now: datetime) -> str:
        """Return who is at the bench now; empty where nobody said so in this shift."""
        if self.since is None or not timedelta(0) <= now - self.since <= SHIFT:
            return ""
        return self.by

    def has_read(self, name: str, now: datetime) -> bool:
        """Return whether that person was shown the whole safety text today."""
        return self.read.get(name) == f"{now:%Y-%m-%d}"


def read_day(root: Path) -> Day:
    """Return what the bench remembers; nothing where that cannot be read."""
    try:
        data = load_toml(read_text(root / DAY_NAME, FileKind.SETTINGS))
    except (OSError, ValueError):
        return Day()
    by, since, read = data.get("by"), data.get("since"), data.get("read")
    return Day(
        by=by if isinstance(by, str) else "",
        since=since if isinstance(since, datetime) and since.tzinfo is not None else None,
        read={name: day for name, day in read.items() if isinstance(day, str)} if isinstance(read, dict) else {},
    )


def note_read(root: Path, name: str, now: datetime) -> None:
    """Remember that a person was shown the whole safety text."""
    day, today = read_day(root), f"{now:%Y-%m-%d}"
    _write(root, replace(day, read={who: when for who, when in day.read.items() if when == today} | {name: today}))


def note_shift(root: Path, by: str, now: datetime) -> None:
    """Remember who is at the bench from now on."""
    _write(root, replace(read_day(root), by=by, since=now))


def _write(root: Path, day: Day) -> None:
    import tomli_w

    from verifyrig.files.atomic_write import write_whole

    data: dict[str, object] = {"by": day.by} if day.by else {}
    data |= {"since": day.since} if day.since is not None else {}
    data |= {"read": dict(day.read)} if day.read else {}
    with contextlib.suppress(OSError):
        root.mkdir(parents=True, exist_ok=True)
        write_whole(root / DAY_NAME, tomli_w.dumps(data))
