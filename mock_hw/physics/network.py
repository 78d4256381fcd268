"""The thermal network of a simulated machine, integrated exactly for piecewise constant power.

Heat flows through conductances between nodes with heat capacities, C dT/dt = -K T + q. K is symmetric, so
C^-1/2 K C^-1/2 has real eigenvalues and orthogonal eigenvectors: one decomposition per fan speed gives the
matrix exponential for every step length. Propagators are kept by (fan speeds, step length).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import overload

import numpy as np
import numpy.typing as npt

from mock_hw.physics.parts import MachineParameters, ThermalPath
from mock_hw.physics.power import clock_share_for, leakage_factor, reference_power_w
from mock_hw.physics.water import flow_w_per_k

FloatArray = npt.NDArray[np.float64]

FAN_LEVELS = 100
"""Fan speeds are rounded to this many steps of full speed, so that few propagators serve a whole run."""

_FORCED_EXPONENT = 0.7  # forced convection over plates and fins grows with about this power of the air's speed
_CASE_STILL_SHARE = 0.3  # what a case still passes to the room by buoyancy with its fans off, over full speed
_KEPT_PROPAGATORS = 4096
_SLOWEST_PER_S = 1e-30  # a closed box has a mode that never decays; rounding must not make it grow


@dataclass(frozen=True, slots=True)
class Eigenmodes:
    """The eigenmodes of C^-1 K: it equals left diag(rates) right, rates in 1/s, shape (n,)."""

    rates_per_s: FloatArray
    left: FloatArray
    right: FloatArray

    def decay(self, dt_s: float) -> FloatArray:
        """Return exp(-C^-1 K dt), shape (n, n)."""
        decay: FloatArray = (self.left * np.exp(-self.rates_per_s * dt_s)) @ self.right
        return decay

    def driven(self, dt_s: float) -> FloatArray:
        """Return the integral of exp(-C^-1 K s) over s from 0 to dt, shape (n, n), s."""
        driven: FloatArray = (self.left * (-np.expm1(-self.rates_per_s * dt_s) / self.rates_per_s)) @ self.right
        return driven


@dataclass(frozen=True, slots=True)
class Propagator:
    """One step of fixed length at fixed fan speeds.

    Attributes:
        matrix: Shape (n, n + 3); times (node temperatures, power into the die, power into the case air, room
            temperature) it gives the node temperatures one step later.
        die_column: Shape (n,), the column of the die's power, K/W.
        die_gain_k_per_w: How far one watt lifts the die within the step, K/W.
    """

    matrix: FloatArray
    die_column: FloatArray
    die_gain_k_per_w: float


def air_conductance_share(fan_share: float, still_air_factor: float) -> float:
    """Return the sink's conductance to air over that at full fan speed."""
    still = 1 / still_air_factor
    return still + (1 - still) * math.pow(fan_share, _FORCED_EXPONENT)


def coolant_k_per_w(thermal: ThermalPath) -> float:
    """Return plate to coolant, K/W: the block's film plus the coolant's own warming, or the standing path."""
    if thermal.flow_l_per_min <= 0:
        return thermal.standing_k_per_w
    return thermal.plate_to_next_k_per_w + 1 / flow_w_per_k(thermal.flow_l_per_min)


class ThermalNetwork:
    """Nodes and conductances of one machine; see `nodes` for their order (the die first, the case air last)."""

    def __init__(self, thermal: ThermalPath) -> None:
        self._thermal = thermal
        liquid = thermal.cooler == "liquid"
        self.nodes: tuple[str, ...] = (
            ("die", "lid", "plate", "coolant", "radiator", "case")
            if liquid
            else ("die", "lid", "plate", "fins", "case")
        )
        self.capacities_j_per_k = np.array(self._capacities(liquid))
        self._modes: dict[tuple[int, int], Eigenmodes] = {}
        self._propagators: dict[tuple[int, int, int], Propagator] = {}

    def _capacities(self, liquid: bool) -> list[float]:
        t = self._thermal
        loop = [t.coolant_j_per_k] if liquid else []
        return [t.die_j_per_k, t.lid_j_per_k, t.plate_j_per_k, *loop, t.sink_j_per_k, t.case_j_per_k]

    def _links_w_per_k(self, cpu_fan_share: float) -> list[float]:
        """Conductances between neighbouring nodes, from die to case air."""
        t = self._thermal
        sink = air_conductance_share(cpu_fan_share, t.still_air_factor) / t.sink_to_air_k_per_w
        head = [1 / t.die_to_lid_k_per_w, 1 / t.paste_k_per_w]
        if t.cooler == "liquid":
            return [*head, 1 / coolant_k_per_w(t), 1 / t.coolant_to_radiator_k_per_w, sink]
        return [*head, 1 / t.plate_to_next_k_per_w, sink]

    def conductance_matrix(self, cpu_fan_share: float, case_fan_share: float) -> FloatArray:
        """Return K, shape (n, n), W/K; the room is outside and appears in the case air's diagonal only."""
        size = len(self.nodes)
        matrix = np.zeros((size, size))
        for row, link in enumerate(self._links_w_per_k(cpu_fan_share)):
            matrix[row : row + 2, row : row + 2] += [[link, -link], [-link, link]]
        matrix[-1, -1] += self.ambient_w_per_k(case_fan_share)
        return matrix

    def ambient_w_per_k(self, case_fan_share: float) -> float:
        """Return the conductance from case air to room, W/K."""
        share = _CASE_STILL_SHARE + (1 - _CASE_STILL_SHARE) * case_fan_share
        return share / self._thermal.case_to_ambient_k_per_w

    def _sources(self, case_fan_share: float) -> FloatArray:
        """Return the heat into each node per unit of (die power, case power, room), shape (n, 3)."""
        sources: FloatArray = np.zeros((len(self.nodes), 3), dtype=np.float64)
        sources[0, 0] = 1.0
        sources[-1, 1] = 1.0
        sources[-1, 2] = self.ambient_w_per_k(case_fan_share)
        return sources

    def steady_response(self, cpu_fan_share: float, case_fan_share: float) -> FloatArray:
        """Return the steady temperatures per unit of (die power, case power, room), shape (n, 3)."""
        stiffness = self.conductance_matrix(cpu_fan_share, case_fan_share)
        return np.asarray(np.linalg.solve(stiffness, self._sources(case_fan_share)), dtype=np.float64)

    def _modes_at(self, cpu_level: int, case_level: int) -> Eigenmodes:
        key = (cpu_level, case_level)
        if key not in self._modes:
            root = np.sqrt(self.capacities_j_per_k)
            stiffness = self.conductance_matrix(cpu_level / FAN_LEVELS, case_level / FAN_LEVELS)
            rates, vectors = np.linalg.eigh(stiffness / np.outer(root, root))
            self._modes[key] = Eigenmodes(np.maximum(rates, _SLOWEST_PER_S), vectors / root[:, None], vectors.T * root)
        return self._modes[key]

    def propagator(self, cpu_level: int, case_level: int, dt_us: int) -> Propagator:
        """Return the step of `dt_us` microseconds at fan speeds given in steps of 1 / `FAN_LEVELS`."""
        key = (cpu_level, case_level, dt_us)
        found = self._propagators.get(key)
        if found is None:
            if len(self._propagators) >= _KEPT_PROPAGATORS:
                self._propagators.clear()
            found = self._propagators[key] = self._build(*key)
        return found

    def _build(self, cpu_level: int, case_level: int, dt_us: int) -> Propagator:
        modes = self._modes_at(cpu_level, case_level)
        warming = self._sources(case_level / FAN_LEVELS) / self.capacities_j_per_k[:, None]
        driven = modes.driven(dt_us * 1e-6) @ warming
        matrix = np.ascontiguousarray(np.hstack([modes.decay(dt_us * 1e-6), driven]))
        return Propagator(matrix, driven[:, 0].copy(), float(driven[0, 0]))

    def die_impedance(self, t_s: FloatArray, cpu_fan_share: float, case_fan_share: float) -> FloatArray:
        """Return the die's rise per watt at each time after a step of power, K/W, same shape as `t_s`."""
        modes = self._modes_at(round(cpu_fan_share * FAN_LEVELS), round(case_fan_share * FAN_LEVELS))
        rises = [modes.driven(float(t))[0, 0] / self.capacities_j_per_k[0] for t in np.ravel(t_s)]
        return np.reshape(np.array(rises, dtype=np.float64), np.shape(t_s))


@overload
def true_impedance(params: MachineParameters, t_s: float, *, fan_share: float | None = ...) -> float: ...
@overload
def true_impedance(params: MachineParameters, t_s: FloatArray, *, fan_share: float | None = ...) -> FloatArray: ...
def true_impedance(
    params: MachineParameters, t_s: float | FloatArray, *, fan_share: float | None = None
) -> float | FloatArray:
    """Return the die's true rise per watt after a step of power with the fans held still, K/W.

    Args:
        params: The machine.
        t_s: Times after the step, s; a number or an array of any shape.
        fan_share: Speed of all fans over full speed; None means the curve's speed at idle. A standing
            cooler fan stands whatever is asked.
    """
    share = params.fans.low_share if fan_share is None else fan_share
    cpu_share = 0.0 if params.fans.cpu_fan_stopped else share
    rise = ThermalNetwork(params.thermal).die_impedance(np.asarray(t_s, dtype=float), cpu_share, share)
    return float(rise) if rise.ndim == 0 else rise


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyState:
    """Where a machine ends under constant share in a constant room, fans on their curve.

    Attributes:
        temps_c: Node name to temperature, °C; "room" too.
        power_w: Package power, leakage included, W.
        clock_share: Clock over full clock; below 1 where it throttles at its limit.
        fan_share: What the fan curve asks for.
    """

    temps_c: dict[str, float]
    power_w: float
    clock_share: float
    fan_share: float

    @property
    def die_c(self) -> float:
        """The die's temperature, °C."""
        return self.temps_c["die"]


def steady_state(
    params: MachineParameters,
    share: float = 1.0,
    *,
    ambient_c: float | None = None,
    fan_share: float | None = None,
) -> SteadyState:
    """Return the true steady state under a constant share of the processor.

    Args:
        params: The machine.
        share: Duty share, 0 to 1.
        room_c: Room temperature, °C; None means the machine's own room without its drift.
        fan_share: Holds the fans at a speed instead of the curve.

    A hotter die asks for more fan and more fan cools the die, so the fan speed is found by bisection.
    """
    ambient = params.ambient.temp_c if ambient_c is None else ambient_c
    network = ThermalNetwork(params.thermal)
    if fan_share is not None:
        return _steady_at(params, network, share, ambient, fan_share)
    low, high = params.fans.low_share, 1.0
    for _ in range(24):
        middle = (low + high) / 2
        die_c = _steady_at(params, network, share, ambient, middle).die_c
        low, high = (middle, high) if params.fans.duty_share(die_c) > middle else (low, middle)
    return _steady_at(params, network, share, ambient, low)


def _steady_at(
    params: MachineParameters, network: ThermalNetwork, share: float, ambient_c: float, fan_share: float
) -> SteadyState:
    """Solve the steady state at one fan speed, leakage and throttling included."""
    cpu = params.processor
    cpu_share = 0.0 if params.fans.cpu_fan_stopped else fan_share
    response = network.steady_response(cpu_share, fan_share)
    unpowered_c = response[:, 1] * params.thermal.board_power_w + response[:, 2] * ambient_c
    gain, clock = float(response[0, 0]), 1.0
    power_w = _leaking_power_w(params, reference_power_w(cpu, share, clock), float(unpowered_c[0]), gain)
    if unpowered_c[0] + gain * power_w > cpu.limit_c:
        allowed_w = (cpu.limit_c - float(unpowered_c[0])) / gain / leakage_factor(cpu, cpu.limit_c)
        clock = clock_share_for(cpu, share, allowed_w, cpu.floor_clock_share, 1.0)
        power_w = _leaking_power_w(params, reference_power_w(cpu, share, clock), float(unpowered_c[0]), gain)
    temps = unpowered_c + response[:, 0] * power_w
    named = {node: float(temp) for node, temp in zip(network.nodes, temps, strict=True)}
    return SteadyState(temps_c={**named, "room": ambient_c}, power_w=power_w, clock_share=clock, fan_share=fan_share)


def _leaking_power_w(params: MachineParameters, reference_w: float, unpowered_c: float, gain: float) -> float:
    """Return P from P = P0 (1 + k (T - T0)) and T = T_unpowered + gain P; infinite where it runs away."""
    growth = reference_w * params.processor.leakage_per_k * gain
    if growth >= 1:
        return float("inf")
    return reference_w * leakage_factor(params.processor, unpowered_c) / (1 - growth)
