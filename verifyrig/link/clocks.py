"""The two clocks of a computer: one that only goes on, and the one on the wall, which somebody may set."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from verifyrig.core.clock import RealClock


@dataclass(frozen=True, slots=True, kw_only=True)
class Clocks:
    """What a link measures time by; tests put others in.

    Attributes:
        steady_s: Goes on evenly, whatever is set; s from any origin.
        wall_s: The wall clock, s since 1970.
    """

    steady_s: Callable[[], float] = RealClock().now_s
    wall_s: Callable[[], float] = time.time

    def wall_ahead_s(self) -> float:
        """Return the wall clock minus the steady one, s: it jumps where somebody sets the clock."""
        return self.wall_s() - self.steady_s()
