"""Figures of the heat's path read from a record: rest, windows after a step, the settled load, probes."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from verifyrig.analysis.signals import fit_line, noise_k
from verifyrig.diagnosis.quantities import Figure
from verifyrig.diagnosis.readings import Readings, Step
from verifyrig.diagnosis.water import flow_l_per_min

__all__ = ["heat_figures"]

Found = Iterator[tuple[str, Figure]]

_SETTLED_LOAD_S = 200.0
_LATE_S = 20.0
_PROBE_U_K = 0.4
_BETWEEN = {"window_20s": (20, 5), "window_60s": (60, 5), "window_180s": (180, 60), "window_600s": (600, 60)}
_SIDE_U_K = 0.7


def heat_figures(readings: Readings) -> dict[str, Figure]:
    """Return every figure that the record holds, by the names of `quantities`; what is missing is absent."""
    found: dict[str, Figure] = {}
    for part in (_rest, _windows, _load, _cores, _probes):
        for name, figure in part(readings):
            if math.isfinite(figure.value) and math.isfinite(figure.u):
                found[name] = figure
    return found


def _die_u_k(readings: Readings) -> float:
    """Standard uncertainty of a mean of die readings: noise, whole degrees."""
    values = readings.column("die_temp_c")
    return math.hypot(0.15, 0.3 * noise_k(values[np.isfinite(values)]))


def _rest(readings: Readings) -> Found:
    span = readings.rest_span()
    if span is None:
        return
    late = (max(span[0], span[1] - 60.0), span[1])
    die, watts = readings.mean("die_temp_c", *late), readings.mean("package_power_w", *late)
    room, room_u = readings.room(*span)
    yield "room", Figure(value=room, u=room_u, source="rest")
    u_k = math.hypot(_die_u_k(readings), room_u)
    yield "rest_rise", Figure(value=(die - room) / watts, u=u_k / watts, source=f"rest, {watts:.0f} W")
    times, values = readings.within("die_temp_c", *span)
    if len(times) >= 30:
        line = fit_line(times, values)
        yield "rest_creep", Figure(value=60 * line.slope, u=math.hypot(0.15, 60 * line.u_slope), source="rest")
    sink = _first(readings, ("coolant_temp_c", "hose_in_temp_c", "radiator_temp_c"), late)
    yield (
        "rest_die_over_sink",
        Figure(value=(die - sink) / watts, u=math.hypot(u_k, 0.5) / watts, source="rest, coolant or radiator"),
    )
    plate = readings.mean("plate_temp_c", *late)
    yield "rest_plate_rise", Figure(value=(plate - room) / watts, u=_PROBE_U_K / watts, source="rest, probe on plate")


def _first(readings: Readings, channels: tuple[str, ...], span: tuple[float, float]) -> float:
    means = [readings.mean(channel, *span) for channel in channels]
    return next((mean for mean in means if math.isfinite(mean)), math.nan)


def _windows(readings: Readings) -> Found:
    ups = [s for s in readings.steps() if s.up and s.length_s >= 4.9 and math.isfinite(s.step_w)]
    five = _weighted(readings, ups, _at_five)
    if five is None:
        return
    yield "window_5s", five
    yield from _tail(readings, ups)
    found = {5: five}
    for at_s, around in ((20, (17.0, 21.0)), (60, (56.0, 61.0)), (180, (170.0, 186.0)), (600, (585.0, 612.0))):
        window = _window(readings, ups, at_s, around)
        if window is not None:
            found[at_s] = window
    for name, (later, earlier) in _BETWEEN.items():
        if later in found and earlier in found:
            yield name, _less(found[later], found[earlier])


def _window(readings: Readings, ups: list[Step], at_s: int, around: tuple[float, float]) -> Figure | None:
    """Rise per watt at a time after the steps that lasted so long; else the fall after a long load."""
    long = [s for s in ups if s.length_s >= min(at_s + 1.0, around[1]) - 1.0 and not is_slowed(readings, s, at_s)]
    found = _weighted(readings, long, lambda r, s: _impedance(r, s, *around))
    if found is None and at_s >= 60:
        found = _mirrored(readings, at_s - 5.0, at_s + 1.0)
    return found


def _tail(readings: Readings, ups: list[Step]) -> Found:
    """What is left 10 to 25 s after a pulse, over the mean of what was before it and what comes 45 s after it."""
    found = []
    for step in ups:
        if not 4.0 <= step.length_s <= 7.0:
            continue
        off_s = step.until_s
        left = readings.mean("die_temp_c", off_s + 10.0, off_s + 25.0)
        base = _baseline(readings, step)
        watts = readings.mean("package_power_w", step.t_s + 1.0, step.t_s + 5.05) - step.before_w
        if all(map(math.isfinite, (left, base, watts))) and watts > 3.0:
            found.append((left - base, watts * step.length_s / 5.0))
    if found:
        rises, watts_of = np.array([f[0] for f in found]), np.array([f[1] for f in found])
        weight = float(watts_of @ watts_of)
        u = math.hypot(0.25 / math.sqrt(weight), 0.003)
        yield "pulse_tail", Figure(value=float(rises @ watts_of) / weight, u=u, source=f"{len(found)} pulses")


def _less(later: Figure, earlier: Figure) -> Figure:
    return Figure(value=later.value - earlier.value, u=math.hypot(later.u, earlier.u), source=later.source)


def is_slowed(readings: Readings, step: Step, within_s: float) -> bool:
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


def _baseline(readings: Readings, step: Step) -> float:
    return readings.mean("die_temp_c", step.t_s - min(10.0, max(2.0, step.before_s - 2.0)), step.t_s)


def _at_five(readings: Readings, step: Step) -> tuple[float, float]:
    """Rise and watts around 5 s: the readings of the fourth to fifth second, some of them a second old."""
    watts = readings.mean("package_power_w", step.t_s + 1.0, step.t_s + 5.05) - step.before_w
    return readings.mean("die_temp_c", step.t_s + 3.9, step.t_s + 5.05) - _baseline(readings, step), watts


def _impedance(readings: Readings, step: Step, from_s: float, to_s: float) -> tuple[float, float]:
    watts = readings.mean("package_power_w", step.t_s + 1.0, step.t_s + to_s) - step.before_w
    return readings.mean("die_temp_c", step.t_s + from_s, step.t_s + to_s) - _baseline(readings, step), watts


def _weighted(
    readings: Readings, steps: list[Step], read: Callable[[Readings, Step], tuple[float, float]]
) -> Figure | None:
    """Mean rise per watt over steps, each weighted by its watts: a large step tells more than a small one."""
    pairs = [read(readings, step) for step in steps]
    pairs = [(rise, watts) for rise, watts in pairs if math.isfinite(rise) and math.isfinite(watts) and watts > 3.0]
    if not pairs:
        return None
    rises, watts = np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs])
    weight = float(watts @ watts)
    value = float(rises @ watts) / weight
    u_k = 0.45
    source = f"{len(pairs)} step{'s' if len(pairs) > 1 else ''} of {watts.mean():.0f} W"
    return Figure(value=value, u=math.hypot(u_k / math.sqrt(weight), 0.04 * value), source=source)


def _mirrored(readings: Readings, from_s: float, to_s: float) -> Figure | None:
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
    return Figure(value=value, u=math.hypot(u, 0.08 * value), source="the cooldown, mirrored")


def _load(readings: Readings) -> Found:
    full = [s for s in readings.steps() if s.full and s.length_s >= 3.0]
    if full:
        watts = readings.mean("package_power_w", full[0].t_s + 1.5, min(full[0].until_s, full[0].t_s + 6.0))
        yield "load_power", Figure(value=watts, u=0.02 * watts, source="the first seconds of the load")
    else:
        yield from _foreseen_power(readings)
    load = _settled(readings)
    early = readings.long_load(60.0)
    if early is not None:
        yield from _regulator(readings, early)
    if load is None:
        return
    end = (load.until_s - _LATE_S, load.until_s - 0.5)
    room, room_u = readings.room(load.until_s - 120.0, load.until_s)
    die, watts = readings.mean("die_temp_c", *end), readings.mean("package_power_w", load.until_s - 60.0, end[1])
    u_k = math.hypot(_die_u_k(readings), room_u)
    short = max(0.0, 600.0 - load.length_s) / 600.0
    u_rise = math.hypot(u_k / watts, 0.15 * short * (die - room) / watts)
    about = f"load, {watts:.0f} W after {load.length_s:.0f} s"
    yield "load_rise", Figure(value=(die - room) / watts, u=u_rise, source=about)
    yield from _late_creep(readings, load)
    yield from _excess(readings, die, watts, load)


def _settled(readings: Readings) -> Step | None:
    """The longest full load up to where its heat changed, None where that came before it could settle."""
    load = readings.long_load(_SETTLED_LOAD_S)
    if load is None:
        return None
    steady = replace(load, until_s=readings.steady_until_s(load))
    return steady if steady.length_s >= _SETTLED_LOAD_S else None


def _regulator(readings: Readings, load: Step) -> Found:
    """The regulator settles within minutes; a shorter load shows less than all of it."""
    peak = _peak(readings, "vrm_temp_c", load)
    room, _ = readings.room(load.t_s, load.until_s)
    watts = readings.mean("package_power_w", load.t_s + 2.0, load.t_s + 60.0)
    short = math.exp(-load.length_s / 180.0)
    value = (peak - room) / watts
    about = f"load, {watts:.0f} W for {load.length_s:.0f} s"
    yield "regulator_rise", Figure(value=value / (1 - short), u=math.hypot(1.2 / watts, value * short), source=about)


def _foreseen_power(readings: Readings) -> Found:
    """Full power foreseen from pulses on a part of the cores, which run at higher clocks: good to a fifth."""
    found = []
    for step in readings.steps():
        busy = readings.mean("busy_share", step.t_s + 1.0, min(step.until_s, step.t_s + 5.0))
        if step.up and 0.1 < busy < 0.85 and math.isfinite(step.step_w):
            found.append(step.before_w + step.step_w / busy)
    if found:
        watts = float(np.mean(found))
        yield "load_power", Figure(value=watts, u=0.2 * watts, source="foreseen from pulses")


def _late_creep(readings: Readings, load: Step) -> Found:
    if load.length_s < 480.0:
        return
    times, values = readings.within("die_temp_c", load.until_s - 120.0, load.until_s - 0.5)
    if len(times) >= 30:
        line = fit_line(times, values)
        yield "load_creep", Figure(value=60 * line.slope, u=math.hypot(0.2, 60 * line.u_slope), source="late load")


def _excess(readings: Readings, die: float, watts: float, load: Step) -> Found:
    """What the die shows at rest beyond its watts times the resistance that the load showed."""
    span = readings.rest_span()
    if span is None:
        return
    room, room_u = readings.room(*span)
    rest, rest_w = readings.mean("die_temp_c", *span), readings.mean("package_power_w", *span)
    k_per_w = (die - rest) / (watts - rest_w)
    u = math.hypot(_die_u_k(readings), room_u, 0.06 * k_per_w * rest_w)
    yield "rest_excess", Figure(value=rest - room - k_per_w * rest_w, u=u, source="rest against load")


def _peak(readings: Readings, channel: str, load: Step) -> float:
    _, values = readings.within(channel, load.t_s, load.until_s)
    if len(values) < 30:
        return math.nan
    return float(np.max(np.convolve(values, np.ones(5) / 5, mode="valid")))


def _cores(readings: Readings) -> Found:
    load = readings.long_load(10.0)
    cores = readings.like("core_temp_c")
    if load is None or len(cores) < 3:
        return
    span = (max(load.t_s + 5.0, load.until_s - 120.0), load.until_s - 0.5)
    means = np.array([readings.mean(core, *span) for core in cores])
    watts = readings.mean("package_power_w", *span)
    if np.isfinite(means).all():
        spread = float(np.ptp(means))
        yield "core_spread", Figure(value=spread / watts, u=0.5 / watts, source=f"{len(cores)} cores under load")


def _probes(readings: Readings) -> Found:
    load = _settled(readings)
    if load is None:
        return
    end = (load.until_s - _LATE_S, load.until_s - 0.5)
    watts = readings.mean("package_power_w", load.until_s - 60.0, end[1])
    room, _ = readings.room(*end)
    die, plate = readings.mean("die_temp_c", *end), readings.mean("plate_temp_c", *end)
    coolant = _first(readings, ("coolant_temp_c", "hose_in_temp_c"), end)
    radiator, inlet = readings.mean("radiator_temp_c", *end), readings.mean("inlet_temp_c", *end)
    gaps = {
        "die_over_plate": die - plate,
        "plate_over_coolant": plate - coolant,
        "die_over_coolant": die - coolant,
        "coolant_over_room": coolant - room,
        "plate_over_radiator": plate - radiator,
        "radiator_over_room": radiator - room,
        "plate_over_room": plate - room,
        "inlet_over_room": inlet - room,
    }
    for name, gap_k in gaps.items():
        yield name, Figure(value=gap_k / watts, u=_SIDE_U_K / watts, source=f"probes under {watts:.0f} W")
    yield from _flow(readings, end, watts)


def _flow(readings: Readings, span: tuple[float, float], watts: float) -> Found:
    rise_k = readings.mean("hose_out_temp_c", *span) - readings.mean("hose_in_temp_c", *span)
    if math.isfinite(rise_k) and math.isfinite(watts):
        # Below the probes' own difference the flow is only known to be "not small".
        flow = flow_l_per_min(watts, max(rise_k, 0.4))
        u = flow * min(1.0, _SIDE_U_K / max(rise_k, 0.4))
        yield "coolant_flow", Figure(value=flow, u=u, source=f"hoses {rise_k:.1f} K apart at {watts:.0f} W")
