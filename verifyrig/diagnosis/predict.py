"""What drawn machines would show: the figures of `quantities`, computed from the heat model."""

from __future__ import annotations

import numpy as np

from verifyrig.core.trace import BoolArray, FloatArray
from verifyrig.diagnosis.draws import FAULTS, Machines, sound
from verifyrig.diagnosis.heat_model import LoadCourse, run_course
from verifyrig.diagnosis.quantities import NAMES, even
from verifyrig.diagnosis.suspects import LIQUID_ONLY, Mechanism

__all__ = ["drawn_figures", "figures_of", "sold_as_sound"]

# A sensor shows a value some tenths of a second up to two seconds old, so "5 s" is read around 4 s.
_WINDOWS_S = (4.0, 19.0, 59.0, 178.0, 600.0)
_TAIL_S = (15.0, 19.0, 23.0, 27.0)  # after the start of a pulse of 5 s
_CREEP_S = 120.0
_THROTTLED = 0.97


def drawn_figures(cooler: str, n: int, seed: int) -> dict[Mechanism, tuple[FloatArray, FloatArray]]:
    """Return for each mechanism that changes heat, power or rails: figures on their even scale, and severities.

    Args:
        cooler: `air` or `liquid`.
        n: Machines drawn before those are left out that nobody would have sold.

    Returns:
        Arrays of shape (m, k) with NaN where a machine cannot show a figure, and (m,).
    """
    rng = np.random.default_rng(seed)
    machines = sound(n, cooler, rng)
    course = run_course(machines)
    keep = sold_as_sound(machines, course)
    shown = {name: values[keep] for name, values in figures_of(machines, course).items()}
    machines = machines.chosen(keep)
    found = {Mechanism.NONE: (_even(shown), machines.severity)}
    for mechanism, fault in FAULTS.items():
        if mechanism in LIQUID_ONLY and cooler != "liquid":
            continue
        broken = fault(machines, rng)
        found[mechanism] = (_even(figures_of(broken, run_course(broken))), broken.severity)
    return found


def sold_as_sound(machines: Machines, course: LoadCourse) -> BoolArray:
    """Return which machines could have been sold: cool enough under full load and while idle. Shape (n,)."""
    load_k = course.temps_c[-1, 0] - machines.ambient_c
    idle_k = course.idle_c[0] - machines.ambient_c
    regulator_c = course.temps_c[-1, 5] + machines.regulator_k_per_w * course.power_w[-1]
    good: BoolArray = (
        (course.temps_c[-1, 0] <= machines.limit_c - 8.0)
        & (load_k <= 0.45 * course.power_w[-1])
        & (idle_k <= 20.0)
        & (regulator_c <= 92.0)
    )
    return good


def _even(figures: dict[str, FloatArray]) -> FloatArray:
    return np.stack([even(name, figures[name]) for name in NAMES], axis=1)


def figures_of(m: Machines, course: LoadCourse) -> dict[str, FloatArray]:
    """Return every figure as it would be measured, each of shape (n,), NaN where the machine cannot show it."""
    idle_die, idle_w = course.idle_c[0] + m.die_offset_k, course.idle_w * m.power_gain
    shown = course.temps_c[:, 0] + m.die_offset_k
    watts = course.power_w * m.power_gain
    free = np.minimum.accumulate(course.clock_share, axis=0) > _THROTTLED
    z5, z20, z60, z180, z600 = (_impedance(course.t_s, shown, watts, free, at) for at in _WINDOWS_S)
    end_w, air, ambient = watts[-1], m.ambient_c, m.ambient_c + m.ambient_offset_k
    end = course.temps_c[-1]
    plate = air + m.plate_heat_share * (end[2] - air)
    idle_plate = air + m.plate_heat_share * (course.idle_c[2] - air)
    liquid = np.isfinite(m.flow_l_per_min)
    wet = np.where(liquid, 1.0, np.nan)
    run_k_per_w = (shown[-1] - idle_die) / (end_w - idle_w)
    late = int(np.searchsorted(course.t_s, course.t_s[-1] - _CREEP_S))
    return {
        "rest_rise": (idle_die - ambient) / idle_w,
        "rest_excess": idle_die - ambient - run_k_per_w * idle_w,
        "rest_die_over_sink": wet * (idle_die - course.idle_c[3]) / idle_w,
        "rest_creep": _idle_creep(m, course),
        "window_5s": z5,
        "window_20s": z20 - z5,
        "window_60s": z60 - z5,
        "window_180s": z180 - z60,
        "window_600s": z600 - z60,
        "pulse_tail": _tail(course, shown, watts),
        "load_rise": (shown[-1] - ambient) / end_w,
        "load_creep": (shown[-1] - shown[late]) / (_CREEP_S / 60.0),
        "load_power": watts[4],
        "room": ambient,
        "rail_droop": m.droop_v_per_w / m.power_gain,
        "regulator_rise": m.regulator_k_per_w + (end[5] - ambient) / end_w,
        "core_spread": m.core_spread_k_per_w,
        "die_over_plate": (shown[-1] - plate) / end_w,
        "plate_over_coolant": wet * (plate - end[3]) / end_w,
        "die_over_coolant": wet * (shown[-1] - end[3]) / end_w,
        "coolant_over_room": wet * (end[3] - ambient) / end_w,
        "plate_over_radiator": wet * (plate - end[4]) / end_w,
        "radiator_over_room": wet * (end[4] - ambient) / end_w,
        "plate_over_room": (plate - ambient) / end_w,
        "rest_plate_rise": (idle_plate - ambient) / idle_w,
        "inlet_over_room": (end[5] - ambient) / end_w,
        "coolant_flow": m.flow_l_per_min,
    }


def _impedance(t_s: FloatArray, shown: FloatArray, watts: FloatArray, free: BoolArray, at_s: float) -> FloatArray:
    """Rise per watt of the step at a time; NaN where the processor had slowed itself before."""
    place = int(np.argmin(np.abs(t_s - at_s)))
    step_w = watts[1 : place + 1].mean(axis=0) - watts[0]
    return np.where(free[place], (shown[place] - shown[0]) / step_w, np.nan)


def _tail(course: LoadCourse, shown: FloatArray, watts: FloatArray) -> FloatArray:
    """What a pulse of 5 s leaves behind: the step's response less the same response 5 s earlier (superposition)."""
    step_w = watts[1:5].mean(axis=0) - watts[0]
    left = []
    for at_s in _TAIL_S:
        late, early = (_at(course.t_s, shown, t) for t in (at_s, at_s - 5.0))
        left.append((late - early) / step_w)
    return np.asarray(np.mean(left, axis=0))


def _at(t_s: FloatArray, values: FloatArray, at_s: float) -> FloatArray:
    """Straight line between the two samples around a time, values of shape (m, n)."""
    after = min(max(int(np.searchsorted(t_s, at_s)), 1), len(t_s) - 1)
    part = (at_s - t_s[after - 1]) / (t_s[after] - t_s[after - 1])
    return np.asarray(values[after - 1] + part * (values[after] - values[after - 1]))


def _idle_creep(m: Machines, course: LoadCourse) -> FloatArray:
    """How fast a machine that was switched on lately still rises: its way to go over the time that the plate takes."""
    to_go_k = (course.idle_c[0] - m.ambient_c) * (1 / m.warmed_share - 1)
    slow_s = m.capacity_j_per_k[2] * (m.flow_k_per_w + m.carry_k_per_w + m.sink_k_per_w)
    return np.asarray(60.0 * to_go_k / np.maximum(slow_s, 60.0) + m.idle_drift_k_per_min)
