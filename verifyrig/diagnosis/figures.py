"""Figures of the thermal path read from a record: idle, and the windows after a step of the load."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from verifyrig.analysis.signals import fit_line, sensor_facts
from verifyrig.core.reason import reason
from verifyrig.diagnosis.climb_windows import climb_rises, climbs, rises_of
from verifyrig.diagnosis.load_figures import load_figures
from verifyrig.diagnosis.probe_figures import core_spread, probe_gaps
from verifyrig.diagnosis.quantities import RecordFigure
from verifyrig.diagnosis.readings import READ_AT_S, PowerStep, Readings

__all__ = ["heat_figures"]

Found = Iterator[tuple[str, RecordFigure]]

_PROBE_U_K = 0.4
# A step after a load that lasted so long finds the machine cooling; its fall is read over so long before the step.
_LONG_S, _TREND_S = 30.0, 20.0
# A reading of whole degrees that hardly moves stands anywhere within one of them: so many of its steps, as a spread.
_START_STEPS = 0.15
# How fast a rise still grows around 5 s, as a part of it, 1/s (sound drawn machines 0.07, with a film under their
# cooler 0.18), how far that differs between them, and how old readings usually are, s.
_RISES_PER_S, _RISES_SPREAD_PER_S, _USUAL_AGE_S = 0.10, 0.05, 0.75
# Pulses that come so soon upon each other stand on what the earlier ones left. Of what that is before a pulse, this
# part is still there when the rest of the pulse is read, and so far it differs (drawn machines: 0.4 to 0.9).
_APART_S, _STILL_LEFT, _STILL_LEFT_SPREAD = 60.0, 0.6, 0.2
_BETWEEN = {"window_20s": (20, 5), "window_60s": (60, 5), "window_180s": (180, 60), "window_600s": (600, 60)}


def heat_figures(readings: Readings) -> dict[str, RecordFigure]:
    """Return every figure that the record holds, by the names of `quantities`; what is missing is absent."""
    found: dict[str, RecordFigure] = {}
    for part in (_idle, _windows, load_figures, core_spread, probe_gaps):
        for name, figure in part(readings):
            if math.isfinite(figure.value) and math.isfinite(figure.u):
                found[name] = figure
    return found


def _idle(readings: Readings) -> Found:
    span = readings.idle_span()
    if span is None:
        return
    late = (max(span[0], span[1] - 60.0), span[1])
    die, watts = readings.mean("die_temp_c", *late), readings.mean("package_power_w", *late)
    ambient, ambient_u = readings.ambient(*span)
    yield "room", RecordFigure(value=ambient, u=ambient_u, source=reason("from-idle"), shared={"ambient": ambient_u})
    moving_k = readings.unsettled_k(die - ambient)
    u_k = math.hypot(readings.die_u_k(), ambient_u)
    about = reason("from-idle-at", power_w=watts)
    shared = {"ambient": -ambient_u / watts, "idle": math.hypot(readings.die_u_k(), moving_k) / watts}
    u_rise = math.hypot(u_k, moving_k) / watts
    yield "rest_rise", RecordFigure(value=(die - ambient) / watts, u=u_rise, source=about, shared=shared)
    creep, creep_u = readings.idle_creep()
    yield "rest_creep", RecordFigure(value=creep, u=creep_u, source=reason("from-idle"))
    sink = readings.first_mean(("coolant_temp_c", "hose_in_temp_c", "radiator_temp_c"), late)
    yield (
        "rest_die_over_sink",
        RecordFigure(value=(die - sink) / watts, u=math.hypot(u_k, 0.5) / watts, source=reason("from-idle-sink")),
    )
    plate = readings.mean("plate_temp_c", *late)
    plate_u_k = math.hypot(_PROBE_U_K, readings.unsettled_k(plate - ambient) if math.isfinite(plate) else 0.0)
    yield (
        "rest_plate_rise",
        RecordFigure(value=(plate - ambient) / watts, u=plate_u_k / watts, source=reason("from-idle-plate")),
    )


def _windows(readings: Readings) -> Found:
    """From steps, and where none shows a window from a climb; of a climb's steps the first alone is one of its own."""
    later = {step.t_s for stage in climbs(readings) for step in rises_of(readings, stage)[1:]}
    ups = [s for s in readings.steps() if s.up and s.length_s >= 4.9 and math.isfinite(s.step_w) and s.t_s not in later]
    climbed = climb_rises(readings)
    five = _weighted(readings, ups, _at_five, _late_share(readings)) or climbed.get(5)
    if five is None:
        return
    yield "window_5s", replace(five, shared={"rise-5s": five.u})
    yield from _tail(readings, ups)
    found = {5: five}
    for at_s, around in ((20, (17.0, 21.0)), (60, (56.0, 61.0)), (180, (170.0, 186.0)), (600, (585.0, 612.0))):
        window = climbed.get(at_s) or _window(readings, ups, at_s, around)
        if window is not None:
            found[at_s] = window
    for name, (long_s, short_s) in _BETWEEN.items():
        if long_s in found and short_s in found:
            yield name, _less(found[long_s], found[short_s], long_s, short_s)


def _window(readings: Readings, ups: list[PowerStep], at_s: int, around: tuple[float, float]) -> RecordFigure | None:
    """Rise per watt at a time after the steps that lasted so long; else the fall after a long load."""
    long = [s for s in ups if s.length_s >= min(at_s + 1.0, around[1]) - 1.0 and not is_slowed(readings, s, at_s)]
    found = _weighted(readings, long, lambda r, s: _impedance(r, s, *around))
    if found is None and at_s >= 60:
        found = _mirrored(readings, at_s - 5.0, at_s + 1.0)
    return found


def _tail(readings: Readings, ups: list[PowerStep]) -> Found:
    """What is left 10 to 25 s after a pulse over what was before it; none where the next pulse comes sooner."""
    found = []
    starts_s = [step.t_s for step in readings.steps() if step.up]
    for step in ups:
        if not 4.0 <= step.length_s <= 7.0:
            continue
        off_s = step.until_s
        if any(off_s <= start_s < off_s + 25.0 for start_s in starts_s):
            continue
        left = readings.mean("die_temp_c", off_s + 10.0, off_s + 25.0)
        base = _baseline(readings, step)
        watts = readings.mean("package_power_w", step.t_s + 1.0, step.t_s + 5.05) - step.before_w
        if all(map(math.isfinite, (left, base, watts))) and watts > 3.0:
            fallen_k = _falls_k_per_s(readings, step) * (step.length_s + 17.5 + _baseline_s(step) / 2)
            earlier_k = base - _baseline(readings, _first_of_pulses(ups, step))
            found.append(
                (left - base - fallen_k + (1 - _STILL_LEFT) * earlier_k, watts * step.length_s / 5.0, earlier_k)
            )
    if found:
        rises, watts_of, earlier = (np.array(column) for column in zip(*found, strict=True))
        weight = float(watts_of @ watts_of)
        left_u = _STILL_LEFT_SPREAD * float(earlier @ watts_of) / weight
        u = math.hypot(0.25 / math.sqrt(weight), 0.003, left_u, _start_u_k(readings) / float(watts_of.mean()))
        yield (
            "pulse_tail",
            RecordFigure(value=float(rises @ watts_of) / weight, u=u, source=reason("from-pulses", count=len(found))),
        )


def _first_of_pulses(ups: list[PowerStep], step: PowerStep) -> PowerStep:
    """Return the first of the pulses that came one upon the other up to this one."""
    first = step
    for earlier in reversed([one for one in ups if one.t_s < step.t_s]):
        if earlier.length_s > 7.0 or first.t_s - earlier.until_s > _APART_S:
            break
        first = earlier
    return first


def _less(later: RecordFigure, earlier: RecordFigure, later_s: int, earlier_s: int) -> RecordFigure:
    """What came between: it has in it what is wrong with either rise, and so have the windows beside it."""
    return RecordFigure(
        value=later.value - earlier.value,
        u=math.hypot(later.u, earlier.u),
        source=later.source,
        shared={f"rise-{later_s}s": later.u, f"rise-{earlier_s}s": -earlier.u},
    )


def is_slowed(readings: Readings, step: PowerStep, within_s: float) -> bool:
    """Return whether the processor held its clock or power down within a time after the step."""
    early_w = step.before_w + step.step_w
    late_w = readings.mean("package_power_w", step.t_s + within_s - 8.0, step.t_s + within_s)
    if math.isfinite(late_w) and late_w < 0.88 * early_w:
        return True
    early = readings.mean("core_clock_mhz", step.t_s + 1.5, step.t_s + 4.0)
    low, high = np.searchsorted(readings.t_s, [step.t_s + 2.0, min(step.until_s - 0.5, step.t_s + within_s)])
    clocks = readings.column("core_clock_mhz")[low:high]
    clocks = clocks[np.isfinite(clocks)]
    return bool(len(clocks) >= 3 and math.isfinite(early) and np.quantile(clocks, 0.05) < 0.95 * early)


def _start_u_k(readings: Readings) -> float:
    """Return what is uncertain of the idle reading that all steps start from, K: it stands within one of its steps."""
    return _START_STEPS * (sensor_facts(readings.trace, "die_temp_c").resolution or 1.0)


def _baseline(readings: Readings, step: PowerStep) -> float:
    return readings.mean("die_temp_c", step.t_s - _baseline_s(step), step.t_s)


def _baseline_s(step: PowerStep) -> float:
    return min(10.0, max(2.0, step.before_s - 2.0))


def _falls_k_per_s(readings: Readings, step: PowerStep) -> float:
    """Return how fast the die still fell before a step that came after a longer load, K/s; 0 before any such load."""
    if not any(not s.up and s.before_s >= _LONG_S and s.t_s < step.t_s - 1.0 for s in readings.steps()):
        return 0.0
    times, values = readings.within("die_temp_c", step.t_s - min(_TREND_S, step.before_s - 4.0), step.t_s)
    return min(0.0, fit_line(times, values).slope) if len(times) >= 5 else 0.0


def _at_five(readings: Readings, step: PowerStep) -> tuple[float, float]:
    """Rise and watts around 5 s: the readings of the fourth to fifth second, carried to `READ_AT_S` by their age."""
    watts = readings.mean("package_power_w", step.t_s + 1.0, step.t_s + 5.05) - step.before_w
    fallen_k = _falls_k_per_s(readings, step) * (4.5 + _baseline_s(step) / 2)
    times, values = readings.within("die_temp_c", step.t_s + 3.9, step.t_s + 5.05)
    if not len(times):
        return math.nan, watts
    rise_k = float(values.mean()) - _baseline(readings, step) - fallen_k
    late_s = READ_AT_S - (float(times.mean()) - step.t_s - readings.die_age_s())
    return rise_k * (1 + _RISES_PER_S * late_s), watts


def _late_share(readings: Readings) -> float:
    """Return how uncertain a rise after 5 s is for what age its readings may have, as a part of it."""
    spread_s = readings.die_held_s() / math.sqrt(12)
    off_s = abs(readings.die_age_s() - _USUAL_AGE_S)
    return math.hypot(_RISES_PER_S * spread_s / math.sqrt(2), _RISES_SPREAD_PER_S * off_s)


def _impedance(readings: Readings, step: PowerStep, from_s: float, to_s: float) -> tuple[float, float]:
    watts = readings.mean("package_power_w", step.t_s + 1.0, step.t_s + to_s) - step.before_w
    return readings.mean("die_temp_c", step.t_s + from_s, step.t_s + to_s) - _baseline(readings, step), watts


def _weighted(
    readings: Readings,
    steps: list[PowerStep],
    read: Callable[[Readings, PowerStep], tuple[float, float]],
    share: float = 0.0,
) -> RecordFigure | None:
    """Mean rise per watt over steps, each weighted by its watts: a large step says more than a small one.

    `share` is what more is uncertain of it, as a part of it.
    """
    pairs = [read(readings, step) for step in steps]
    pairs = [(rise, watts) for rise, watts in pairs if math.isfinite(rise) and math.isfinite(watts) and watts > 3.0]
    if not pairs:
        return None
    rises, watts = np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs])
    weight = float(watts @ watts)
    value = float(rises @ watts) / weight
    power_w = float(watts.mean())
    u = math.hypot(0.45 / math.sqrt(weight), _start_u_k(readings) / power_w, math.hypot(0.04, share) * value)
    many = len(pairs) > 1
    source = (
        reason("from-steps", count=len(pairs), power_w=power_w) if many else reason("from-one-step", power_w=power_w)
    )
    return RecordFigure(value=value, u=u, source=source)


def _mirrored(readings: Readings, from_s: float, to_s: float) -> RecordFigure | None:
    """The fall after a long load, per watt taken away; only where the load had stood for five minutes."""
    downs = [s for s in readings.steps() if not s.up and s.before_s >= 300.0 and s.length_s >= to_s]
    found = []
    for step in downs:
        before_w = readings.mean("package_power_w", step.t_s - 120.0, step.t_s - 0.5)
        after_w = readings.mean("package_power_w", step.t_s + 2.0, step.t_s + to_s)
        fall = readings.mean("die_temp_c", step.t_s - 8.0, step.t_s) - readings.mean(
            "die_temp_c", step.t_s + from_s, step.t_s + to_s
        )
        if math.isfinite(fall) and before_w - after_w > 5.0:
            found.append((fall / (before_w - after_w), 0.6 / (before_w - after_w)))
    if not found:
        return None
    value, u = found[-1]
    return RecordFigure(value=value, u=math.hypot(u, 0.08 * value), source=reason("from-cooldown"))
