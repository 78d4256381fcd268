"""Machines drawn at random: sound ones, and each fault laid over a sound one. Spreads as the trade has them.

Medians and spreads are common practice, no source, checked against published figures where there are any: interface
0.05 to 0.10 K/W and heat sink 0.19 to 0.22 K/W in two processor makers' guidelines, heat-pipe towers 0.11 to 0.19 K/W.
A spread is the standard deviation of the logarithm unless a line says otherwise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np

from verifyrig.core.trace import BoolArray, FloatArray
from verifyrig.diagnosis.suspects import Mechanism

_SUPPLIES_THAT_SAG = 0.75


@dataclass(frozen=True, slots=True, kw_only=True)
class Machines:
    """n machines; every array has shape (n,), but `capacity_j_per_k` (6, n).

    Attributes:
        contact_k_per_w: Lid to plate: paste, pressure, film.
        flow_k_per_w: Plate to coolant (its own warming included), or the heat pipes.
        carry_k_per_w: Coolant to radiator, or pipes to fins.
        still_factor: How many times worse the sink gets without any fan.
        warmed_share: How far the idle state has come since power-on, 1 where it has settled.
        severity: Size of the fault, for sorting; 0 for sound machines.
        die_offset_k: What the die's sensor shows over its truth; `ambient_offset_k` likewise of the room's probe.
        droop_v_per_w: Fall of the 12 V rail for each watt.
        regulator_k_per_w: Regulator over case air, for each watt of the package.
        core_spread_k_per_w: Hottest over coolest core.
        flow_l_per_min: Coolant flow; NaN for an air cooler.
        idle_drift_k_per_min: How fast the idle die still moves because the machine was switched on, or loaded, lately.
        plate_heat_share: Where a probe on the plate's edge sits between plate and air, 0 to 1.
    """

    die_k_per_w: FloatArray
    contact_k_per_w: FloatArray
    flow_k_per_w: FloatArray
    carry_k_per_w: FloatArray
    sink_k_per_w: FloatArray
    case_k_per_w: FloatArray
    still_factor: FloatArray
    fan_exponent: FloatArray
    fan_stands: BoolArray
    capacity_j_per_k: FloatArray
    board_w: FloatArray
    idle_w: FloatArray
    load_w: FloatArray
    leakage_per_k: FloatArray
    limit_c: FloatArray
    ambient_c: FloatArray
    low_share: FloatArray
    curve_low_c: FloatArray
    curve_high_c: FloatArray
    fan_lag_s: FloatArray
    warmed_share: FloatArray
    severity: FloatArray
    die_offset_k: FloatArray
    ambient_offset_k: FloatArray
    power_gain: FloatArray
    droop_v_per_w: FloatArray
    regulator_k_per_w: FloatArray
    core_spread_k_per_w: FloatArray
    flow_l_per_min: FloatArray
    plate_heat_share: FloatArray
    idle_drift_k_per_min: FloatArray

    def chosen(self, which: BoolArray) -> Machines:
        """Return the machines where `which`, shape (n,), is true."""
        return replace(self, **{f.name: getattr(self, f.name)[..., which] for f in fields(self)})


WATER_W_PER_K_AT_1_L_PER_MIN = 69.4  # density times heat capacity of water at 30 °C over 60 s (IAPWS R6-95)


def sound(n: int, cooler: str, rng: np.random.Generator) -> Machines:
    """Return n machines without a fault, with a cooler of the kind `air` or `liquid`."""

    def about(median: float, spread: float) -> FloatArray:
        return np.asarray(median * np.exp(spread * rng.standard_normal(n)))

    def near(mean: float, spread: float, low: float = -np.inf) -> FloatArray:
        return np.maximum(low, mean + spread * rng.standard_normal(n))

    liquid = cooler == "liquid"
    flow = about(1.0, 0.30) if liquid else np.full(n, np.nan)
    film = about(0.022, 0.30)
    tower, in_pipes = about(0.14, 0.25), np.clip(near(0.25, 0.06), 0.08, 0.5)
    ones = np.ones(n)
    capacity = [about(4.6, 0.5), about(21.0, 0.35), about(88.0, 0.40)]
    capacity += [about(500.0, 0.35), about(380.0, 0.45)] if liquid else [about(25.0, 0.3), about(380.0, 0.45)]
    return Machines(
        die_k_per_w=about(0.118, 0.32),
        contact_k_per_w=about(0.033, 0.32),
        flow_k_per_w=film + 1 / (WATER_W_PER_K_AT_1_L_PER_MIN * flow) if liquid else 0.8 * in_pipes * tower,
        carry_k_per_w=about(0.01, 0.3) if liquid else 0.2 * in_pipes * tower,
        sink_k_per_w=about(0.096, 0.25) if liquid else (1 - in_pipes) * tower,
        case_k_per_w=about(0.023, 0.35),
        still_factor=about(5.7, 0.25),
        fan_exponent=np.clip(near(0.7, 0.1), 0.4, 1.0),
        fan_stands=np.zeros(n, dtype=np.bool_),
        capacity_j_per_k=np.stack([*capacity, about(870.0, 0.45)]),
        board_w=about(24.0, 0.30),
        idle_w=about(15.5, 0.42),
        load_w=about(104.0, 0.36),
        leakage_per_k=np.clip(near(0.0055, 0.0017), 0.001, 0.012),
        limit_c=near(95.0, 6.0, 80.0),
        ambient_c=near(22.5, 2.9),
        low_share=np.clip(near(0.40, 0.07), 0.2, 0.7),
        curve_low_c=near(50.0, 3.5),
        curve_high_c=near(80.0, 3.5),
        fan_lag_s=about(5.0, 0.4),
        warmed_share=ones.copy(),
        severity=np.zeros(n),
        die_offset_k=near(0.0, 0.7),
        ambient_offset_k=np.zeros(n),
        power_gain=1 + near(0.0, 0.03),
        droop_v_per_w=about(5.0e-4, 0.40),
        regulator_k_per_w=about(0.28, 0.30),
        core_spread_k_per_w=about(0.040, 0.25),
        flow_l_per_min=flow,
        plate_heat_share=np.clip(near(0.98, 0.03), 0.8, 1.0),
        # Four in five records begin settled; the others within minutes of power-on or of an earlier load.
        idle_drift_k_per_min=near(0.0, 0.05) + np.where(rng.random(n) < 0.2, near(0.0, 1.0), 0.0),
    )


Fault = Callable[[Machines, np.random.Generator], Machines]


def _sized(median: float, spread: float, m: Machines, rng: np.random.Generator) -> FloatArray:
    return np.asarray(median * np.exp(spread * rng.standard_normal(len(m.ambient_c))))


def _contact(median: float, spread: float, tilt: float) -> Fault:
    def fault(m: Machines, rng: np.random.Generator) -> Machines:
        size = _sized(median, spread, m, rng)
        uneven = m.core_spread_k_per_w + _sized(tilt, 0.7, m, rng)
        return replace(m, contact_k_per_w=size, core_spread_k_per_w=uneven, severity=size)

    return fault


def _slow(m: Machines, rng: np.random.Generator) -> Machines:
    flow = _sized(0.065, 0.5, m, rng)
    film = m.flow_k_per_w - 1 / (WATER_W_PER_K_AT_1_L_PER_MIN * m.flow_l_per_min)
    warming = 1 / (WATER_W_PER_K_AT_1_L_PER_MIN * flow)
    return replace(m, flow_l_per_min=flow, flow_k_per_w=film + warming, severity=warming)


def _stopped(m: Machines, rng: np.random.Generator) -> Machines:
    standing = _sized(2.7, 0.45, m, rng)
    warmed = np.where(rng.random(len(standing)) < 0.4, 1.0, rng.uniform(0.35, 1.0, len(standing)))
    none = np.full(len(standing), 0.001)
    return replace(m, flow_k_per_w=standing, flow_l_per_min=none, warmed_share=warmed, severity=standing * m.idle_w)


def _fan(m: Machines, rng: np.random.Generator) -> Machines:
    factor = _sized(5.7, 0.25, m, rng)
    return replace(m, fan_stands=np.ones(len(factor), dtype=np.bool_), still_factor=factor, severity=factor)


def _blocked(m: Machines, rng: np.random.Generator) -> Machines:
    factor = 1 + _sized(1.75, 0.40, m, rng)
    return replace(m, sink_k_per_w=m.sink_k_per_w * factor, severity=factor)


def _choked(m: Machines, rng: np.random.Generator) -> Machines:
    """The case takes so much that the whole way to the room gets two to four times as long."""
    more = (m.flow_k_per_w + m.carry_k_per_w + m.sink_k_per_w) * _sized(1.75, 0.40, m, rng)
    return replace(m, case_k_per_w=m.case_k_per_w + more, severity=more)


def _warm(m: Machines, rng: np.random.Generator) -> Machines:
    return replace(m, ambient_c=35.5 + 2.0 * rng.standard_normal(len(m.ambient_c)))


def _unlimited(m: Machines, rng: np.random.Generator) -> Machines:
    factor = _sized(2.0, 0.14, m, rng)
    cooled = m.regulator_k_per_w / factor
    return replace(m, load_w=m.load_w * factor, regulator_k_per_w=cooled, severity=factor)


def _hot_regulator(m: Machines, rng: np.random.Generator) -> Machines:
    over_k = 88.0 + _sized(30.0, 0.5, m, rng)
    return replace(m, regulator_k_per_w=over_k / m.load_w, severity=over_k)


def _offset(m: Machines, rng: np.random.Generator) -> Machines:
    size = _sized(17.0, 0.48, m, rng) * np.where(rng.random(len(m.ambient_c)) < 0.5, -1.0, 1.0)
    return replace(m, die_offset_k=m.die_offset_k + size, severity=size)


def _ambient_probe(m: Machines, rng: np.random.Generator) -> Machines:
    """Far enough off to be a fault: less is what probes without a calibration do."""
    size = (3.0 + _sized(4.0, 0.6, m, rng)) * np.where(rng.random(len(m.ambient_c)) < 0.5, -1.0, 1.0)
    return replace(m, ambient_offset_k=size, severity=size)


def _droop(m: Machines, rng: np.random.Generator) -> Machines:
    """A tired supply sags; one that only trips (over-current, over-temperature) shows sound rails until it is gone."""
    size = _sized(0.95, 0.30, m, rng) / m.load_w
    sags = rng.random(len(size)) < _SUPPLIES_THAT_SAG
    return replace(m, droop_v_per_w=np.where(sags, size, m.droop_v_per_w), severity=np.where(sags, size, 0.0))


# What these faults do to heat, power and rails; all others leave them as they are on a sound machine.
FAULTS: dict[Mechanism, Fault] = {
    Mechanism.PASTE: _contact(0.19, 0.32, 0.015),
    Mechanism.FILM: _contact(0.54, 0.28, 0.07),
    Mechanism.FLOW_SLOW: _slow,
    Mechanism.FLOW_STOPPED: _stopped,
    Mechanism.FAN_STOPPED: _fan,
    Mechanism.SINK_BLOCKED: _blocked,
    Mechanism.CASE_CHOKED: _choked,
    Mechanism.WARM_ROOM: _warm,
    Mechanism.SENSOR_OFFSET: _offset,
    Mechanism.SUPPLY: _droop,
    Mechanism.BOARD_POWER: _hot_regulator,
    Mechanism.FIRMWARE_LIMIT: _unlimited,
    Mechanism.AMBIENT_PROBE: _ambient_probe,
}
