"""The power supply: rails that droop with the load, and a protection that may switch everything off at a step."""

from __future__ import annotations

import math
import random

from mock_hw.physics.parts import Supply

_STEP_SHARE = 0.3  # a rise by this share of full load within a second or so is a step
_LATEST_TRIP_S = 3.0


class PowerSupply:
    """Follows the package power. `trips` says whether the protection acts within a step of time."""

    def __init__(self, supply: Supply, load_w: float, rng: random.Random) -> None:
        self._supply = supply
        self._step_w = _STEP_SHARE * load_w
        self._random = rng
        self.settle(0.0)

    def settle(self, power_w: float) -> None:
        """Forget the past: the power has long been at this value."""
        self._power_w = self._slow_w = power_w
        self._in_step = False
        self._trip_in_s = math.inf

    def trips(self, power_w: float, dt_s: float) -> bool:
        """Move on by `dt_s` at a power; return True where the supply switches off within it."""
        self._power_w = power_w
        fresh_w = power_w - self._slow_w
        self._slow_w += fresh_w * (1 - math.exp(-dt_s / self._supply.step_fades_s))
        self._notice_step(power_w, fresh_w)
        self._trip_in_s -= dt_s
        return self._trip_in_s <= 0

    def _notice_step(self, power_w: float, fresh_w: float) -> None:
        if fresh_w < 0.3 * self._step_w:
            self._in_step = False
        elif fresh_w > self._step_w and not self._in_step:
            self._in_step = True
            if power_w >= self._supply.trip_power_w and self._random.random() < self._supply.trip_probability:
                self._trip_in_s = min(self._trip_in_s, self._random.uniform(0.05, _LATEST_TRIP_S))

    @property
    def rail_12v_v(self) -> float:
        """The 12 V rail now, V."""
        fresh_w = max(0.0, self._power_w - self._slow_w)
        supply = self._supply
        return supply.rail_12v_v - supply.droop_v_per_w * self._power_w - supply.step_droop_v_per_w * fresh_w

    @property
    def rail_5v_v(self) -> float:
        """The 5 V rail now, V; it hardly follows the processor."""
        return self._supply.rail_5v_v - 0.05 * self._supply.droop_v_per_w * self._power_w

    @property
    def rail_3v3_v(self) -> float:
        """The 3.3 V rail now, V."""
        return self._supply.rail_3v3_v - 0.03 * self._supply.droop_v_per_w * self._power_w
