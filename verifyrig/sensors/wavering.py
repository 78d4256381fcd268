"""How a reading wavers: how often it turns back, and how often it is fresh. Pure."""

from __future__ import annotations

import math

# A reading as fine as its noise turns back all the time; after a silence that should have held 14 turns
# (chance below 1e-6) it is stuck.
_SILENT_TURNS = 14.0
_LEAST_TURNS = 12
_LEAST_SILENCE_S = 20.0
_FORGET_S = 120.0


class Turns:
    """How often a reading turns back by more than its smallest step: noise, not a ramp."""

    __slots__ = ("_count", "_direction", "_rate_per_s", "_smallest", "_weight_s")

    def __init__(self) -> None:
        self._smallest = math.inf
        self._direction = 0
        self._count = 0
        self._rate_per_s = 0.0
        self._weight_s = 0.0

    def changed(self, difference: float, quiet_s: float) -> None:
        """Take one change and the time that the value stood before it."""
        size = abs(difference)
        if size < 1e-9:
            return
        self._smallest = min(self._smallest, size)
        direction = 1 if difference > 0 else -1
        turned = direction != self._direction and self._direction != 0 and size > 1.5 * self._smallest
        self._direction = direction
        self._count += turned
        # Mean rate over the last minutes: events over time, both forgotten alike.
        keep = math.exp(-quiet_s / _FORGET_S)
        total_s = self._weight_s * keep + quiet_s
        if total_s > 0:
            self._rate_per_s = (self._rate_per_s * self._weight_s * keep + turned) / total_s
        self._weight_s = total_s

    def is_silent(self, quiet_s: float) -> bool:
        """Return whether a silence so long cannot be chance."""
        enough = self._count >= _LEAST_TURNS and quiet_s > _LEAST_SILENCE_S
        return enough and quiet_s * self._rate_per_s > _SILENT_TURNS


class RefreshMeter:
    """Measures the interval between fresh values: the mean of the shortest times between changes.

    A driver that keeps its last value for two seconds changes only every two seconds; a coarse reading
    skips some of these, so gaps of twice the shortest and more say nothing.
    """

    __slots__ = ("_began", "_gaps")
    _ENOUGH = 8
    _KEPT = 64

    def __init__(self) -> None:
        self._gaps: list[float] = []
        self._began = False

    def changed(self, gap_s: float) -> None:
        """Take the time between two changes; the first one began somewhere within an interval and says nothing."""
        if self._began:
            self._gaps.append(gap_s)
        self._began = True
        if len(self._gaps) > self._KEPT:
            del self._gaps[0]

    def interval_s(self) -> float | None:
        """Return the interval, known to within one sampling period; None until enough changes were seen."""
        if len(self._gaps) < self._ENOUGH:
            return None
        shortest_s = min(self._gaps)
        single = [gap_s for gap_s in self._gaps if gap_s < 1.5 * shortest_s]
        return sum(single) / len(single)
