"""Machines drawn at random: sound ones, and each fault laid over a sound one, out of the ranges of `machine_ranges`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np

from verifyrig.analysis.machine_ranges import FAULTY, SOUND, WATER_W_PER_K_AT_1_L_PER_MIN
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


def sound(n: int, cooler: str, rng: np.random.Generator) -> Machines:
    """Return n machines without a fault, with a cooler of the kind `air` or `liquid`."""

    def drawn(name: str) -> FloatArray:
        return SOUND[name].draw(n, rng)

    liquid = cooler == "liquid"
    flow = drawn("flow_l_per_min") if liquid else np.full(n, np.nan)
    film = drawn("film_k_per_w")
    tower, in_pipes = drawn("tower_k_per_w"), drawn("in_pipes_share")
    ones = np.ones(n)
    capacity = [drawn("die_j_per_k"), drawn("lid_j_per_k"), drawn("plate_j_per_k")]
    capacity += [drawn("coolant_j_per_k" if liquid else "pipes_j_per_k"), drawn("fins_j_per_k")]
    return Machines(
        die_k_per_w=drawn("die_k_per_w"),
        contact_k_per_w=drawn("contact_k_per_w"),
        flow_k_per_w=film + 1 / (WATER_W_PER_K_AT_1_L_PER_MIN * flow) if liquid else 0.8 * in_pipes * tower,
        carry_k_per_w=drawn("carry_k_per_w") if liquid else 0.2 * in_pipes * tower,
        sink_k_per_w=drawn("radiator_k_per_w") if liquid else (1 - in_pipes) * tower,
        case_k_per_w=drawn("case_k_per_w"),
        still_factor=drawn("still_factor"),
        fan_exponent=drawn("fan_exponent"),
        fan_stands=np.zeros(n, dtype=np.bool_),
        capacity_j_per_k=np.stack([*capacity, drawn("case_j_per_k")]),
        board_w=drawn("board_w"),
        idle_w=drawn("idle_w"),
        load_w=drawn("load_w"),
        leakage_per_k=drawn("leakage_per_k"),
        limit_c=drawn("limit_c"),
        ambient_c=drawn("ambient_c"),
        low_share=drawn("low_share"),
        curve_low_c=drawn("curve_low_c"),
        curve_high_c=drawn("curve_high_c"),
        fan_lag_s=drawn("fan_lag_s"),
        warmed_share=ones.copy(),
        severity=np.zeros(n),
        die_offset_k=drawn("die_offset_k"),
        power_gain=drawn("power_gain"),
        droop_v_per_w=drawn("droop_v_per_w"),
        regulator_k_per_w=drawn("regulator_k_per_w"),
        core_spread_k_per_w=drawn("core_spread_k_per_w"),
        flow_l_per_min=flow,
        plate_heat_share=drawn("plate_heat_share"),
        # Four in five records begin settled; the others within minutes of power-on or of an earlier load.
        idle_drift_k_per_min=0.05 * rng.standard_normal(n) + np.where(rng.random(n) < 0.2, rng.standard_normal(n), 0.0),
        ambient_offset_k=drawn("ambient_offset_k"),
    )


Fault = Callable[[Machines, np.random.Generator], Machines]


def _sized(name: str, m: Machines, rng: np.random.Generator) -> FloatArray:
    return FAULTY[name].draw(len(m.ambient_c), rng)


def _contact(interface: str, tilt: str) -> Fault:
    def fault(m: Machines, rng: np.random.Generator) -> Machines:
        size = _sized(interface, m, rng)
        uneven = m.core_spread_k_per_w + _sized(tilt, m, rng)
        return replace(m, contact_k_per_w=size, core_spread_k_per_w=uneven, severity=size)

    return fault


def _slow(m: Machines, rng: np.random.Generator) -> Machines:
    flow = _sized("slow_flow_l_per_min", m, rng)
    film = m.flow_k_per_w - 1 / (WATER_W_PER_K_AT_1_L_PER_MIN * m.flow_l_per_min)
    warming = 1 / (WATER_W_PER_K_AT_1_L_PER_MIN * flow)
    return replace(m, flow_l_per_min=flow, flow_k_per_w=film + warming, severity=warming)


def _stopped(m: Machines, rng: np.random.Generator) -> Machines:
    standing = _sized("standing_k_per_w", m, rng)
    warmed = np.where(rng.random(len(standing)) < 0.4, 1.0, rng.uniform(0.35, 1.0, len(standing)))
    none = np.full(len(standing), 0.001)
    return replace(m, flow_k_per_w=standing, flow_l_per_min=none, warmed_share=warmed, severity=standing * m.idle_w)


def _fan(m: Machines, rng: np.random.Generator) -> Machines:
    factor = SOUND["still_factor"].draw(len(m.ambient_c), rng)
    return replace(m, fan_stands=np.ones(len(factor), dtype=np.bool_), still_factor=factor, severity=factor)


def _blocked(m: Machines, rng: np.random.Generator) -> Machines:
    factor = 1 + _sized("blocked_more", m, rng)
    return replace(m, sink_k_per_w=m.sink_k_per_w * factor, severity=factor)


def _choked(m: Machines, rng: np.random.Generator) -> Machines:
    """The case takes so much that the whole way to the room gets two to four times as long."""
    more = (m.flow_k_per_w + m.carry_k_per_w + m.sink_k_per_w) * _sized("choked_more", m, rng)
    return replace(m, case_k_per_w=m.case_k_per_w + more, severity=more)


def _warm(m: Machines, rng: np.random.Generator) -> Machines:
    return replace(m, ambient_c=_sized("warm_ambient_c", m, rng))


def _unlimited(m: Machines, rng: np.random.Generator) -> Machines:
    factor = _sized("unlimited_factor", m, rng)
    cooled = m.regulator_k_per_w / factor
    return replace(m, load_w=m.load_w * factor, regulator_k_per_w=cooled, severity=factor)


def _hot_regulator(m: Machines, rng: np.random.Generator) -> Machines:
    over_k = 88.0 + _sized("hot_regulator_more_k", m, rng)
    return replace(m, regulator_k_per_w=over_k / m.load_w, severity=over_k)


def _offset(m: Machines, rng: np.random.Generator) -> Machines:
    size = _sized("offset_k", m, rng) * np.where(rng.random(len(m.ambient_c)) < 0.5, -1.0, 1.0)
    return replace(m, die_offset_k=m.die_offset_k + size, severity=size)


def _ambient_probe(m: Machines, rng: np.random.Generator) -> Machines:
    """Far enough off to be a fault: less is what probes without a calibration do."""
    size = (3.0 + _sized("ambient_probe_more_k", m, rng)) * np.where(rng.random(len(m.ambient_c)) < 0.5, -1.0, 1.0)
    return replace(m, ambient_offset_k=size, severity=size)


def _droop(m: Machines, rng: np.random.Generator) -> Machines:
    """A tired supply sags; one that only trips (over-current, over-temperature) shows sound rails until it is gone."""
    size = _sized("sagging_v", m, rng) / m.load_w
    sags = rng.random(len(size)) < _SUPPLIES_THAT_SAG
    return replace(m, droop_v_per_w=np.where(sags, size, m.droop_v_per_w), severity=np.where(sags, size, 0.0))


# What these faults do to heat, power and rails; all others leave them as they are on a sound machine.
FAULTS: dict[Mechanism, Fault] = {
    Mechanism.PASTE: _contact("dried_paste_k_per_w", "tilted_k_per_w"),
    Mechanism.FILM: _contact("film_left_on_k_per_w", "film_tilted_k_per_w"),
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
