"""Metrics of one temperature channel in one stage: settled, peak, rise, rate, time constants."""

from __future__ import annotations

import math

import numpy as np

from verifyrig.analysis.ambient import AmbientMean
from verifyrig.analysis.budget import AMBIENT_CORRECTION, ambient_accuracy, expanded, sensor_lines
from verifyrig.analysis.compress import bin_edges
from verifyrig.analysis.course import course_of
from verifyrig.analysis.exponentials import ExponentialFit, fit_exponentials
from verifyrig.analysis.load_steps import is_pulsed, last_step_s, steps_in
from verifyrig.analysis.results import Metric, not_measured
from verifyrig.analysis.settled import Settled
from verifyrig.analysis.signals import noise_k, sensor_facts, stage_columns
from verifyrig.core.profile import StageKind
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import FloatArray, StageSpan, Trace
from verifyrig.metrology.uncertainty import Component

__all__ = ["CORRECTION_RANGE_K", "temperature_metrics"]

# Beyond this, fans on a curve and leakage make a correction for the room a guess (common practice, no source).
CORRECTION_RANGE_K = 10.0
_LEAST_STEPS = 14
# From one mode to three: the fewest that leave no more than noise.
_MODES = ((60.0,), (5.0, 80.0), (1.0, 15.0, 120.0))


def temperature_metrics(
    trace: Trace, stage: StageSpan, channel: str, settled: Settled | Reason, ambient: AmbientMean | None
) -> dict[str, Metric]:
    """Return the metrics of a temperature channel, by their names without the stage."""
    course = course_of(trace, stage, channel)
    if course is None:
        units = {"settled": "°C", "peak": "°C", "rise": "K", "rate": "K/s", "time_constant": "s"}
        return {f"{channel}.{name}": not_measured(unit, reason("no-reading")) for name, unit in units.items()}
    found = {
        "settled": _settled(settled, trace, channel),
        "peak": course.peak,
        "rise": _rise(settled, trace, channel, ambient),
        **_at_reference(settled, trace, channel, ambient),
        "rate": course.rate,
        "time_constant": _time_constant(trace, stage, channel, settled),
        **_time_constants(trace, stage, channel),
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


def _time_constant(trace: Trace, stage: StageSpan, channel: str, settled: Settled | Reason) -> Metric:
    """Time to 63.2 % of the way from the step to the settled value."""
    if isinstance(settled, Reason):
        return not_measured("s", settled)
    since_s = last_step_s(trace, stage)
    t_s, values = stage_columns(trace, stage, channel)
    after = t_s >= since_s
    if np.count_nonzero(after) < 5:
        return not_measured("s", reason("few-readings-after-step"))
    t, v = t_s[after], values[after]
    way_k = settled.value_c - float(v[0])
    if abs(way_k) < 5 * max(noise_k(values), 0.2):
        return not_measured("s", reason("hardly-moved"))
    share = np.maximum.accumulate((v - v[0]) / way_k)
    at = int(np.searchsorted(share, 1 - np.exp(-1)))
    if at >= len(t):
        return not_measured("s", reason("ended-before-time-constant"))
    tau_s = float(t[at] - since_s)
    step_s = float(np.median(np.diff(t)))
    u95 = 2 * np.hypot(step_s, tau_s * 2 * settled.u_k / abs(way_k))
    return Metric(value=tau_s, unit="s", u95=float(u95), settled=settled.known)


def _time_constants(trace: Trace, stage: StageSpan, channel: str) -> dict[str, Metric]:
    """Return the list of time constants where two are distinct with certainty, nothing elsewhere."""
    since_s = last_step_s(trace, stage)
    t_s, values = stage_columns(trace, stage, channel)
    if stage.kind == StageKind.IDLE or channel not in ("die_temp_c", "gpu_temp_c") or is_pulsed(steps_in(trace, stage)):
        return {}
    t, means = _thinned(t_s[t_s >= since_s] - since_s, values[t_s >= since_s])
    if len(t) < _LEAST_STEPS:
        return {}
    noise = max(noise_k(values), (sensor_facts(trace, channel).resolution or 0.0) / math.sqrt(12), 0.05)
    for starts in _MODES:
        fit = fit_exponentials(t, means, starts)
        if fit.residual_sd < 1.5 * noise:
            return _distinct(fit)
    return {}


def _distinct(fit: ExponentialFit) -> dict[str, Metric]:
    sure = np.abs(fit.amplitudes) > 4 * fit.u_amplitudes
    apart = fit.u_time_constants_s < 0.25 * fit.time_constants_s
    if len(fit.amplitudes) < 2 or not (sure.all() and apart.all() and np.ptp(np.sign(fit.amplitudes)) == 0):
        return {}
    u95 = 2 * float(np.max(fit.u_time_constants_s))
    least_sure = (reason("u95-of-least-sure"),)
    return {"time_constants": Metric(value=tuple(map(float, fit.time_constants_s)), unit="s", u95=u95, why=least_sure)}


def _thinned(t_s: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return means over steps that grow with time, so that a long stage weighs no more than its beginning."""
    if len(t_s) < _LEAST_STEPS:
        return np.empty(0), np.empty(0)
    cadence_s = max(1.0, float(np.median(np.diff(t_s))))
    bounds = bin_edges(0.0, float(t_s[-1]), np.empty(0), cadence_s)
    step = np.clip(np.searchsorted(bounds, t_s, side="left") - 1, 0, len(bounds) - 2)
    counts = np.bincount(step, minlength=len(bounds) - 1)
    used = counts > 0
    sums = [np.bincount(step, weights=x, minlength=len(bounds) - 1)[used] / counts[used] for x in (t_s, values)]
    return sums[0], sums[1]
