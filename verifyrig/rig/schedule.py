"""When a run's samples are due: on a fixed grid from the run's start, so that no delay adds up."""

from __future__ import annotations

import math

from verifyrig.core.interfaces import Clock

_HAIR_S = 1e-9


class Schedule:
    """The times of one run.

    Args:
        clock: The run's clock.
        period_s: Time between two samples, s.
    """

    def __init__(self, clock: Clock, period_s: float) -> None:
        self._clock = clock
        self._period_s = period_s
        self._start_s = clock.now_s()
        self._next_sample = 0

    @property
    def t_s(self) -> float:
        """Time since the run began, s."""
        return self._clock.now_s() - self._start_s

    @property
    def next_sample_s(self) -> float:
        """When the next sample is due, on the clock, s."""
        return self._start_s + self._next_sample * self._period_s

    def on_clock_s(self, t_s: float) -> float:
        """Return what the clock shows at a time of the run."""
        return self._start_s + t_s

    def is_due(self) -> bool:
        """Return whether the next sample is to be taken now."""
        return self._clock.now_s() >= self.next_sample_s - _HAIR_S

    def advance(self, now_s: float) -> None:
        """Go to the next deadline of the grid; deadlines missed by more than a period are left out."""
        behind = math.floor((now_s - self._start_s) / self._period_s + _HAIR_S)
        self._next_sample = max(self._next_sample + 1, behind + 1)
