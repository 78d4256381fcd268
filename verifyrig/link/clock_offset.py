"""How two clocks stand to each other, from the round trips of messages between them.

Four times make one exchange, as in RFC 5905 (NTP version 4, section 8): the asker's clock at sending (t1) and at the
answer's arrival (t4), the other's clock at arrival (t2) and at sending back (t3). Offset and delay are

    offset = ((t2 - t1) + (t3 - t4)) / 2        delay = (t4 - t1) - (t3 - t2)

However the delay divides between there and back, the true offset lies within half of it; the clocks drift apart by at
most 15 ppm meanwhile (PHI of RFC 5905). Of the last exchanges the one with the least of both counts (section 10).
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

DRIFT_PPM = 15.0  # PHI of RFC 5905: a frequency error that every quartz keeps
_KEPT = 8  # exchanges that the clock filter of RFC 5905 looks back on
_LONGEST_DELAY_S = 30.0


class Offset(NamedTuple):
    """What is to be added to the own clock to get the other's, s, and how far off that can be, s."""

    offset_s: float
    u95_s: float


class Exchange(NamedTuple):
    """The four times of one exchange, s: t1 and t4 by the own clock, t2 and t3 by the other's."""

    t1: float
    t2: float
    t3: float
    t4: float

    @property
    def offset_s(self) -> float:
        """Other clock minus own, where there and back take equally long."""
        return ((self.t2 - self.t1) + (self.t3 - self.t4)) / 2

    @property
    def delay_s(self) -> float:
        """Time on the way, there and back."""
        return (self.t4 - self.t1) - (self.t3 - self.t2)


class OffsetFilter:
    """The offset of two clocks that go on evenly; clocks that somebody may set are no input for it."""

    def __init__(self) -> None:
        self._kept: deque[Exchange] = deque(maxlen=_KEPT)

    def __len__(self) -> int:
        return len(self._kept)

    def add(self, exchange: Exchange) -> bool:
        """Take an exchange; return whether it can be one (an answer before its question cannot)."""
        possible = 0 <= exchange.delay_s <= _LONGEST_DELAY_S and exchange.t4 >= exchange.t1
        if possible:
            self._kept.append(exchange)
        return possible

    def clear(self) -> None:
        """Forget all: the other clock began anew."""
        self._kept.clear()

    def now(self, own_s: float) -> Offset | None:
        """Return the offset at `own_s` of the own clock, None while nothing is known."""
        return min((_judged(one, own_s) for one in self._kept), key=lambda found: found.u95_s, default=None)


def _judged(exchange: Exchange, own_s: float) -> Offset:
    age_s = max(0.0, own_s - exchange.t4)
    return Offset(exchange.offset_s, exchange.delay_s / 2 + DRIFT_PPM * 1e-6 * age_s)
