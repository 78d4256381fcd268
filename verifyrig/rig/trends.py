"""Trends in a run's samples: how fast a reading moves, and which of its values are fresh.

A reading may be left out of every trend: one that nothing confirmed, or one that a dip of the load explains.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from verifyrig.rig.run_buffer import RunBuffer

# A straight line is drawn through so many fresh readings.
FRESH = 3


@dataclass(slots=True)
class _Fresh:
    """Which of a channel's rows brought a fresh reading: an index into the buffer, carried on from row to row."""

    since: int
    looked_until: int
    rows: deque[int] = field(default_factory=lambda: deque(maxlen=FRESH))


class Trends:
    """What the readings in a run's buffer do, less those that count in no trend."""

    def __init__(self, buffer: RunBuffer) -> None:
        self._buffer = buffer
        self._first = 0
        self._left_out: dict[str, set[int]] = {}
        self._fresh: dict[str, _Fresh] = {}

    def leave_out(self, channel: str) -> None:
        """Take a channel's newest reading for no part of a trend."""
        if self._buffer.first != self._first:
            self._first = self._buffer.first
            self._left_out = {
                name: {row for row in rows if row >= self._first} for name, rows in self._left_out.items()
            }
        self._left_out.setdefault(channel, set()).add(self._buffer.end - 1)

    def rate_per_s(self, channel: str, over_s: float, since: int = 0) -> float | None:
        """Return how fast a channel rose over the last `over_s`, unit per second; None while they are not full.

        Where the reading of that moment is lacking, the last one before it stands in.
        """
        buffer = self._buffer
        value, row = buffer.value(channel, buffer.end - 1), buffer.row_at(buffer.t_s - over_s)
        while row >= max(since, buffer.first):
            if self._counts(channel, row):
                return (value - buffer.value(channel, row)) / (buffer.t_s - buffer.time_s(row))
            row -= 1
        return None

    def fresh(self, channel: str, refresh_s: float, since: int) -> Sequence[tuple[float, float]]:
        """Return time, s, and value of the last three fresh readings since a moment.

        A reading is fresh where its value changed, or where the source had time to read anew.
        """
        buffer, index = self._buffer, self._fresh.get(channel)
        if index is None or index.since != since:
            index = self._fresh[channel] = _Fresh(since, since)
        while index.rows and index.rows[0] < buffer.first:
            index.rows.popleft()
        for row in range(max(index.looked_until, buffer.first), buffer.end):
            if self._counts(channel, row) and self._is_fresh(channel, row, index.rows, refresh_s):
                index.rows.append(row)
        index.looked_until = buffer.end
        return [(buffer.time_s(row), buffer.value(channel, row)) for row in index.rows]

    def _is_fresh(self, channel: str, row: int, before: Sequence[int], refresh_s: float) -> bool:
        buffer = self._buffer
        if not before or buffer.value(channel, row) != buffer.value(channel, before[-1]):
            return True
        return buffer.time_s(row) - buffer.time_s(before[-1]) >= refresh_s

    def _counts(self, channel: str, row: int) -> bool:
        return not math.isnan(self._buffer.value(channel, row)) and row not in self._left_out.get(channel, ())
