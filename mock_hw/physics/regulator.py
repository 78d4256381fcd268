"""The processor's voltage regulator: it warms with its own loss, and asks for the floor clock when too hot."""

from __future__ import annotations

import math

from mock_hw.physics.parts import BoardPower


class Regulator:
    """One thermal node. `asks_floor` is the external-hot signal; `cuts` ends the story where it switches off."""

    def __init__(self, board_power: BoardPower) -> None:
        self._part = board_power
        self._time_constant_s = board_power.resistance_k_per_w * board_power.capacity_j_per_k
        self.temp_c = math.nan
        self.settle(25.0, 0.0)

    def settle(self, case_c: float, power_w: float) -> None:
        """Put it at its steady temperature for a case air and a package power."""
        self.temp_c = self._steady_c(case_c, power_w)
        self.asks_floor = False
        self._hot_s = 0.0

    def _steady_c(self, case_c: float, power_w: float) -> float:
        return case_c + self._part.loss_share * power_w * self._part.resistance_k_per_w

    def advance(self, case_c: float, power_w: float, dt_s: float) -> None:
        """Move on by `dt_s`: exact for constant power and case air."""
        steady_c = self._steady_c(case_c, power_w)
        self.temp_c = steady_c + (self.temp_c - steady_c) * math.exp(-dt_s / self._time_constant_s)
        if self.temp_c >= self._part.pin_c:
            self.asks_floor = True
        elif self.temp_c <= self._part.release_c:
            self.asks_floor = False
        self._hot_s += dt_s if self.asks_floor else 0.0

    @property
    def cuts(self) -> bool:
        """It has asked in vain for long enough and switches the machine off."""
        return self._hot_s >= self._part.cut_after_hot_s
