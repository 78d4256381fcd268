"""What the processor counts since power-on: energy, throttling, busy time, work done."""

from __future__ import annotations

import math
from collections.abc import Sequence

ENERGY_RANGE_UJ = 262_143_328_850
"""The energy counter starts again after this many microjoules (the range seen on many packages)."""

_WORK_PER_CORE_GHZ_S = 10.0
_THROTTLE_EVENTS_PER_S = 4.0  # while it lasts, the status bit is cleared and set again


class Counters:
    """Counts that only grow while the machine is on.

    Attributes:
        energy_uj: As the energy counter shows it, with its gain error, wrapped at `ENERGY_RANGE_UJ`.
        throttled_s: How long the package has throttled for heat.
        busy_s: Busy time of each core, s.
        work_done: Units of work; a core at 1 GHz does ten in a second.
    """

    def __init__(self, cores: int, power_gain: float) -> None:
        self._cores = cores
        self._gain = power_gain
        self.restart(energy_uj=0)

    def restart(self, *, energy_uj: int) -> None:
        """Start again, as power-on does; the energy counter may begin anywhere."""
        self._energy_uj = float(energy_uj)
        self.uptime_s = 0.0
        self.throttled_s = 0.0
        self.busy_s = [0.0] * self._cores
        self.work_done = 0.0

    @property
    def energy_uj(self) -> int:
        """The energy counter, µJ."""
        return int(self._energy_uj)

    @property
    def throttle_events(self) -> int:
        """How many times the package has reported that it throttles for heat."""
        return math.ceil(self.throttled_s * _THROTTLE_EVENTS_PER_S)

    def add(
        self,
        dt_s: float,
        power_w: float,
        share: float,
        clock_ghz: float,
        busy_cores: Sequence[int] | None,
        throttling: bool,
    ) -> None:
        """Add a stretch of constant power and share."""
        self.uptime_s += dt_s
        self._energy_uj = (self._energy_uj + self._gain * power_w * dt_s * 1e6) % ENERGY_RANGE_UJ
        if throttling:
            self.throttled_s += dt_s
        if share > 0:
            self._add_work(dt_s, share, clock_ghz, busy_cores)

    def _add_work(self, dt_s: float, share: float, clock_ghz: float, busy_cores: Sequence[int] | None) -> None:
        self.work_done += _WORK_PER_CORE_GHZ_S * self._cores * share * clock_ghz * dt_s
        busy = busy_cores or range(self._cores)
        busy_s = min(1.0, share * self._cores / len(busy)) * dt_s
        for core in busy:
            self.busy_s[core] += busy_s
