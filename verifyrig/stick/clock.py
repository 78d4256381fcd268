"""How far the clock of a machine can be trusted: it keeps UTC, local time, or nothing since its battery died."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from enum import StrEnum
from pathlib import Path

from verifyrig.core.errors import UsageError
from verifyrig.files.atomic_write import write_whole

_FILE = "clock.json"
_FORMATS = ("%Y-%m-%d %H:%M", "%d.%m.%Y %H:%M", "%H:%M")


class Trust(StrEnum):
    """Who stands for the time."""

    UNCHECKED = "unchecked"  # the machine's own clock, nobody looked
    WRONG = "wrong"  # earlier than what the stick was made of or holds: it cannot be right
    CONFIRMED = "confirmed"  # somebody looked at it and said that it is right
    TYPED = "typed"  # somebody typed it; right to about a minute


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockWord:
    """What a record says of its clock; `shifted_s` is by how much the machine's own clock was off."""

    trust: Trust
    shifted_s: float = 0.0

    def as_fact(self) -> dict[str, object]:
        """Return it as a record holds it."""
        return {"source": "machine", "trust": self.trust.value, "shifted_s": round(self.shifted_s, 1)}


def clock_word(folder: Path, not_before_utc_s: float, now_utc_s: float) -> ClockWord:
    """Return how far the clock is trusted now.

    Args:
        folder: Where the stick's system keeps word of itself.
        not_before_utc_s: A time that is certainly over: that of the build, of the newest record.
    """
    try:
        data = json.loads((folder / _FILE).read_text())
        return ClockWord(trust=Trust(data["trust"]), shifted_s=float(data["shifted_s"]))
    except (OSError, ValueError, KeyError, TypeError):
        return ClockWord(trust=Trust.WRONG if now_utc_s < not_before_utc_s else Trust.UNCHECKED)


def keep(folder: Path, word: ClockWord) -> None:
    """Keep it until the machine is switched off."""
    write_whole(folder / _FILE, json.dumps({"trust": word.trust.value, "shifted_s": word.shifted_s}))


def parse_time(text: str, now: datetime) -> datetime:
    """Return the moment that was typed, in the zone of `now`: 14:05, 2026-03-01 14:05 or 01.03.2026 14:05.

    Raises:
        UsageError: It is none of these.
    """
    for form in _FORMATS:
        try:
            found = datetime.strptime(text.strip(), form)
        except ValueError:
            continue
        if form == "%H:%M":
            found = found.replace(year=now.year, month=now.month, day=now.day)
        return found.replace(tzinfo=now.tzinfo)
    raise UsageError("this is no time", where="clock", mend="Type it as 14:05 or as 2026-03-01 14:05.")


def set_clock(moment: datetime) -> float:
    """Set this system's clock, and return by how much it was off, s. The machine's own clock chip stays as it is."""
    shift_s = moment.timestamp() - time.time()
    time.clock_settime(time.CLOCK_REALTIME, moment.timestamp())
    return shift_s


def local(utc_s: float, zone: tzinfo | None) -> datetime:
    """Return a moment in the shop's zone, UTC where it has none."""
    return datetime.fromtimestamp(utc_s, zone or UTC)
