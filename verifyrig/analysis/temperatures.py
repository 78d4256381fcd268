"""Metrics of one temperature channel in one stage: settled, peak, rise, rate, time constants."""

from __future__ import annotations

import math

import numpy as np

from verifyrig.analysis.ambient import AmbientMean
from verifyrig.analysis.budget import AMBIENT_CORRECTION, ambient_accuracy, expanded, sensor_lines
from verifyrig.analysis.course import course_of
from verifyrig.analysis.load_steps import last_step_s
from verifyrig.analysis.results import Metric, not_measured
from verifyrig.analysis.settled import Settled
from verifyrig.analysis.signals import fit_line, noise_k, sensor_facts, stage_columns
from verifyrig.analysis.time_constants import Modes, find_modes
from verifyrig.core.profile import StageKind
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import FloatArray, StageSpan, Trace
from verifyrig.metrology.uncertainty import Component

__all__ = ["CORRECTION_RANGE_K", "temperature_metrics"]

# Beyond this, fans on a curve and leakage make a correction for the room a guess (common practice, no source).
CORRECTION_RANGE_K = 10.0
_LEAST_READINGS = 12
_LEAST_SD_K = 0.03
# Modes are listed that are known to within this part of themselves, where fewer are no more probable than this.
_DISTINCT_PART, _FEWER_AT_MOST = 0.6, 0.05


def temperature_metrics(
    trace: Trace, stage: StageSpan, channel: str, settled: Settled | Reason, ambient: AmbientMean | None
) -> dict[str, Metric]:
    """Return the metrics of a temperature channel, by their names without the stage."""
    course = course_of(trace, stage, channel)
    if course is None:
        units = {"settled": "°C", "peak": "°C", "rise": "K", "rate": "K/s", "time_constant": "s", "time_to_63_pct": "s"}
        return {f"{channel}.{name}": not_measured(unit, reason("no-reading")) for name, unit in units.items()}
    found = {
        "settled": _settled(settled, trace, channel),
        "peak": course.peak,
        "rise": _rise(settled, trace, channel, ambient),
        **_at_reference(settled, trace, channel, ambient),
        "rate": course.rate,
        **_time_constants(trace, stage, channel, settled),
    }
    return {f"{channel}.{name}": metric for name, metric in found.items()}


def _settled(settled: Settled | Reason, trace: Trace, channel: str) -> Metric:
    if isinstance(settled, Reason):
        return not_measured("°C", settled)
    lines = sensor_lines(sensor_facts(trace, channel), settled.u_k)
    return Metric(
        value=settled.value_c, unit="°C", u95=expanded(lines), why=settled.why, budget=lines, settled=settled.known
    )


def _rise(settled: Settled | Reason, trace: Trace, channel: str, ambient: AmbientMean | None) -> Metric:
    if isinstance(settled, Reason):
        return not_measured("K", settled)
    if ambient is None:
        return not_measured("K", reason("room-not-measured"))
    lines = (*sensor_lines(sensor_facts(trace, channel), settled.u_k), ambient_accuracy(ambient.u95_k))
    rise_k = settled.value_c - ambient.value_c
    if rise_k < -expanded(lines):
        return not_measured("K", reason("room-above-part", room_c=ambient.value_c))
    return Metric(value=rise_k, unit="K", u95=expanded(lines), why=settled.why, budget=lines, settled=settled.known)


def _at_reference(
    settled: Settled | Reason, trace: Trace, channel: str, ambient: AmbientMean | None
) -> dict[str, Metric]:
    """Return where the die would settle in the profile's reference room, refused where the room was too far from it."""
    if trace.profile is None or channel not in ("die_temp_c", "gpu_temp_c"):
        return {}
    reference_c = trace.profile.reference_ambient_c
    rise = _rise(settled, trace, channel, ambient)
    if not isinstance(rise.value, float) or ambient is None:
        return {"settled_at_reference": not_measured("°C", *rise.why)}
    shift_k = reference_c - ambient.value_c
    if abs(shift_k) > CORRECTION_RANGE_K:
        return {"settled_at_reference": not_measured("°C", reason("room-too-far", away_k=abs(shift_k)))}
    lines = (*rise.budget, Component(name=AMBIENT_CORRECTION, standard_uncertainty=0.1 * abs(shift_k)))
    metric = Metric(
        value=rise.value + reference_c,
        unit="°C",
        u95=expanded(lines),
        why=(reason("in-reference-room", reference_c=reference_c),),
        budget=lines,
        settled=rise.settled,
    )
    return {"settled_at_reference": metric}


def _time_constants(trace: Trace, stage: StageSpan, channel: str, settled: Settled | Reason) -> dict[str, Metric]:
    """Return the dominant time constant, the time to 63 % of the way, and a list where more than one is distinct."""
    since_s = last_step_s(trace, stage)
    t_s, values = stage_columns(trace, stage, channel)
    after = t_s >= since_s
    t, v = t_s[after], values[after]
    why_not = settled if isinstance(settled, Reason) else _why_no_time_constant(v, noise_k(values))
    if isinstance(settled, Reason) or why_not is not None:
        why = (why_not,) if why_not is not None else ()
        return {name: not_measured("s", *why) for name in ("time_constant", "time_to_63_pct")}
    least_sd = max(_LEAST_SD_K, (sensor_facts(trace, channel).resolution or 0.0) / math.sqrt(12) / 2)
    modes = find_modes(t, v, least_sd)
    cadence_s = float(np.median(np.diff(t)))
    heated = stage.kind != StageKind.IDLE and channel in ("die_temp_c", "gpu_temp_c")
    return {
        "time_constant": _dominant(modes, cadence_s, settled.known),
        "time_to_63_pct": _time_to_63_pct(t - since_s, v, settled),
        **(_distinct(modes) if modes is not None and heated else {}),
    }


def _why_no_time_constant(v: FloatArray, noise: float) -> Reason | None:
    if len(v) < _LEAST_READINGS:
        return reason("few-readings-after-step")
    way_k = float(np.mean(v[-3:])) - float(v[0])
    return reason("hardly-moved") if abs(way_k) < 5 * max(noise, 0.2) else None


def _dominant(modes: Modes | None, cadence_s: float, settled: bool) -> Metric:
    """Return the time constant of the mode that carries the largest part of the way."""
    if modes is None:
        return not_measured("s", reason("no-exponentials"))
    if not modes.bounded:
        return not_measured("s", reason("ended-before-time-constant"))
    tau_s = modes.dominant.tau_s
    # What is faster than the readings come is known to be that, and no more.
    u95_s = modes.dominant.u95_s if tau_s > cadence_s else max(modes.dominant.u95_s, cadence_s)
    return Metric(value=tau_s, unit="s", u95=u95_s, settled=settled)


def _distinct(modes: Modes) -> dict[str, Metric]:
    """Return the list of time constants where more than one is told from the others with certainty, else nothing."""
    sure = [mode for mode in modes.modes if mode.u95_s < _DISTINCT_PART * mode.tau_s]
    if len(sure) < 2 or modes.fewer > _FEWER_AT_MOST:
        return {}
    u95_s = max(mode.u95_s for mode in sure)
    values = tuple(mode.tau_s for mode in sure)
    return {"time_constants": Metric(value=values, unit="s", u95=u95_s, why=(reason("u95-of-least-sure"),))}


def _time_to_63_pct(t_s: FloatArray, v: FloatArray, settled: Settled) -> Metric:
    """Return when 63.2 % of the way from the first reading to the settled value were done, s since the step."""
    way_k = settled.value_c - float(v[0])
    if way_k == 0.0:
        return not_measured("s", reason("hardly-moved"))
    share = np.maximum.accumulate((v - v[0]) / way_k)
    at = int(np.searchsorted(share, 1 - np.exp(-1)))
    if at >= len(t_s):
        return not_measured("s", reason("ended-before-63-pct"))
    cadence_s = float(np.median(np.diff(t_s)))
    found_s, u_s = _crossing_s(t_s, v, float(v[0]) + way_k * (1 - math.exp(-1)), float(t_s[at]), cadence_s)
    u95 = 2 * math.hypot(cadence_s, u_s, found_s * 2 * settled.u_k / abs(way_k))
    return Metric(value=found_s, unit="s", u95=u95, settled=settled.known)


def _crossing_s(t_s: FloatArray, v: FloatArray, level: float, first_s: float, cadence_s: float) -> tuple[float, float]:
    """Return when a line through the readings around the first crossing crosses the level, and its uncertainty, s."""
    reach_s = max(0.2 * first_s, 3 * cadence_s)
    near = np.abs(t_s - first_s) <= reach_s
    if np.count_nonzero(near) < 4:
        return first_s, 0.0
    line = fit_line(t_s[near], v[near], origin=first_s)
    if abs(line.slope) < 3 * line.u_slope:
        return first_s, 0.0
    return first_s + min(max((level - line.intercept) / line.slope, -reach_s), reach_s), line.u_intercept / abs(
        line.slope
    )
