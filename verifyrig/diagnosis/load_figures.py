"""Figures of a load read from a record: power, the settled rise, the regulator, and idle compared with them."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from verifyrig.analysis.signals import fit_line
from verifyrig.core.reason import reason
from verifyrig.diagnosis.quantities import RecordFigure
from verifyrig.diagnosis.readings import LATE_S, LEAST_POWER_W, PowerStep, Readings

__all__ = ["load_figures"]

Found = Iterator[tuple[str, RecordFigure]]

# How far the part of a rise that is still to come differs between machines, as a part of it.
_TO_COME_SPREAD = 0.6
_LATE_LOAD_S = 720.0


def load_figures(readings: Readings) -> Found:
    """Yield what a load shows: its power, the rise per watt once settled, the regulator, what idle shows beyond it."""
    full = [s for s in readings.steps() if s.full and s.length_s >= 3.0]
    if full:
        watts = readings.mean("package_power_w", full[0].t_s + 1.5, min(full[0].until_s, full[0].t_s + 6.0))
        yield "load_power", RecordFigure(value=watts, u=0.02 * watts, source=reason("from-load-start"))
    else:
        yield from _forecast_power(readings)
    load = readings.settled_load()
    early = readings.long_load(60.0)
    if early is not None:
        yield from _regulator(readings, early)
    if load is None:
        return
    end = (load.until_s - LATE_S, load.until_s - 0.5)
    ambient, ambient_u = readings.ambient(load.until_s - 120.0, load.until_s)
    die, watts = readings.mean("die_temp_c", *end), readings.mean("package_power_w", load.until_s - 60.0, end[1])
    u_k = math.hypot(readings.die_u_k(), ambient_u)
    to_come = _to_come(load)
    span = readings.idle_span()
    # What is still to come is a part of what the load added; where idle was not read, of all of it.
    start = readings.mean("die_temp_c", *span) if span is not None else math.nan
    more_k = (die - (start if math.isfinite(start) else ambient)) * to_come / (1 - to_come)
    about = reason("from-load-after", power_w=watts, length_s=load.length_s)
    u_rise = math.hypot(u_k, _TO_COME_SPREAD * more_k) / watts
    shared = {"ambient": -ambient_u / watts}
    yield "load_rise", RecordFigure(value=(die - ambient + more_k) / watts, u=u_rise, source=about, shared=shared)
    yield from _late_creep(readings, load)
    yield from _excess(readings, die, watts, to_come)


def _to_come(load: PowerStep) -> float:
    """Return what part of its rise a load may not have shown yet: drawn machines, sound and blocked ones."""
    return 0.55 * math.exp(-load.length_s / 200.0)


def _regulator(readings: Readings, load: PowerStep) -> Found:
    """The regulator settles within minutes; a shorter load shows less than all of it."""
    peak = _peak(readings, "vrm_temp_c", load)
    ambient, _ = readings.ambient(load.t_s, load.until_s)
    watts = readings.mean("package_power_w", load.t_s + 2.0, load.t_s + 60.0)
    short = math.exp(-load.length_s / 180.0)
    value = (peak - ambient) / watts
    about = reason("from-load-for", power_w=watts, length_s=load.length_s)
    yield (
        "regulator_rise",
        RecordFigure(value=value / (1 - short), u=math.hypot(1.2 / watts, value * short), source=about),
    )


def _forecast_power(readings: Readings) -> Found:
    """Full power forecast from pulses on a part of the cores, which run at higher clocks: good to a fifth."""
    found = []
    for step in readings.steps():
        busy = readings.mean("busy_share", step.t_s + 1.0, min(step.until_s, step.t_s + 5.0))
        if step.up and 0.1 < busy < 0.85 and math.isfinite(step.step_w):
            found.append(step.before_w + step.step_w / busy)
    if found:
        watts = float(np.mean(found))
        yield "load_power", RecordFigure(value=watts, u=0.2 * watts, source=reason("from-pulse-forecast"))


def _late_creep(readings: Readings, load: PowerStep) -> Found:
    # Drawn machines are read after a quarter of an hour; sooner, a sound one with coolant creeps like a blocked one.
    if load.length_s < _LATE_LOAD_S:
        return
    times, values = readings.within("die_temp_c", load.until_s - 120.0, load.until_s - 0.5)
    if len(times) >= 30:
        line = fit_line(times, values)
        yield (
            "load_creep",
            RecordFigure(value=60 * line.slope, u=math.hypot(0.2, 60 * line.u_slope), source=reason("from-late-load")),
        )


def _excess(readings: Readings, die: float, watts: float, to_come: float) -> Found:
    """What the die shows while idle beyond its watts times the resistance that the load showed."""
    span = readings.idle_span()
    if span is None:
        return
    ambient, ambient_u = readings.ambient(*span)
    idle, idle_w = readings.mean("die_temp_c", *span), readings.mean("package_power_w", *span)
    if not abs(watts - idle_w) > LEAST_POWER_W:
        return  # a load that changes no power says nothing of a resistance
    k_per_w = (die - idle) / (watts - idle_w) / (1 - to_come)
    idle_u = math.hypot(readings.die_u_k(), readings.unsettled_k(idle - ambient))
    u = math.hypot(idle_u, ambient_u, math.hypot(0.06, _TO_COME_SPREAD * to_come) * k_per_w * idle_w)
    source, shared = reason("from-idle-against-load"), {"ambient": -ambient_u, "idle": idle_u}
    yield "rest_excess", RecordFigure(value=idle - ambient - k_per_w * idle_w, u=u, source=source, shared=shared)


def _peak(readings: Readings, channel: str, load: PowerStep) -> float:
    _, values = readings.within(channel, load.t_s, load.until_s)
    if len(values) < 30:
        return math.nan
    return float(np.max(np.convolve(values, np.ones(5) / 5, mode="valid")))
