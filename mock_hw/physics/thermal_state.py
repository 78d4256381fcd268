"""Temperatures of a machine's nodes, moved on in exact steps."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from mock_hw.physics.network import ThermalNetwork, coolant_k_per_w
from mock_hw.physics.parts import ThermalPath
from mock_hw.physics.water import flow_w_per_k

_STANDING_HOSE_SHARE = 0.3  # without flow the first hose still sits by the hot block


class ThermalState:
    """Node temperatures of one machine. All temperatures in °C."""

    def __init__(self, thermal: ThermalPath, ambient_c: float) -> None:
        self._thermal = thermal
        self.network = ThermalNetwork(thermal)
        self._size = len(self.network.nodes)
        self._index = {node: row for row, node in enumerate(self.network.nodes)}
        self._inputs = np.full(self._size + 3, ambient_c)
        self._inputs[self._size :] = (0.0, thermal.board_power_w, ambient_c)
        self.temps: list[float] = self._inputs[: self._size].tolist()

    def set(self, temps_c: dict[str, float]) -> None:
        """Put every node at a temperature."""
        self._inputs[: self._size] = [temps_c[node] for node in self.network.nodes]
        self.temps = self._inputs[: self._size].tolist()

    def step(
        self,
        levels: tuple[int, int],
        dt_us: int,
        ambient_c: float,
        board_power_w: float,
        choose_power_w: Callable[[float, float], float],
    ) -> float:
        """Move on by one step and return the power that went into the die, W.

        `choose_power_w(unpowered_c, gain_k_per_w)` gets where the die would end without power and how far
        each watt lifts it, and returns the power of this step: so throttling can hold a temperature exactly.
        """
        step = self.network.propagator(*levels, dt_us)
        inputs, size = self._inputs, self._size
        inputs[size:] = (0.0, board_power_w, ambient_c)
        ends = step.matrix @ inputs
        power_w = choose_power_w(float(ends[0]), step.die_gain_k_per_w)
        ends += step.die_column * power_w
        inputs[:size] = ends
        self.temps = ends.tolist()
        return power_w

    def temp_c(self, node: str) -> float:
        """Return a node's temperature; NaN where this cooler has no such node."""
        row = self._index.get(node)
        return math.nan if row is None else self.temps[row]

    @property
    def hose_out_c(self) -> float:
        """Coolant on its way from the block to the radiator, °C; NaN for an air cooler."""
        if self._thermal.cooler != "liquid":
            return math.nan
        coolant_c, over_k = self.temps[3], self.temps[2] - self.temps[3]
        if self._thermal.flow_l_per_min <= 0:
            return coolant_c + _STANDING_HOSE_SHARE * over_k
        heat_w = over_k / coolant_k_per_w(self._thermal)
        return coolant_c + heat_w / flow_w_per_k(self._thermal.flow_l_per_min)
