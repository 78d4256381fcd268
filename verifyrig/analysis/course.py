"""The course of a temperature within a stage: where it began, its peak, its steepest rise, its scatter.

A load that begins between two readings has done part of its first rise before the next one. So the steepest rise is
looked for from shortly before the stage on, which also bears a stage whose start was set a little late, and what hides
between two fresh readings widens it.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from verifyrig.analysis.budget import expanded, sensor_lines
from verifyrig.analysis.results import Metric, not_measured
from verifyrig.analysis.signals import fit_line, held_s, noise_k, sensor_facts, stage_columns, steepest_rise
from verifyrig.core.reason import reason
from verifyrig.core.trace import FloatArray, StageSpan, Trace
from verifyrig.metrology.uncertainty import Component

__all__ = ["RATE_WINDOW_S", "Course", "course_of"]

RATE_WINDOW_S = 10.0
_START_S = 5.0


class Course(NamedTuple):
    """A channel's course in a stage.

    Attributes:
        start_c: Mean of the last 5 s before the stage, else its first reading, °C.
        peak: Highest reading, °C.
        peak_after_s: When that was, s after the stage's start.
        unseen_k: How far it fell between the last reading before the stage and a peak that is the first in it, K.
        rate: Steepest rise over 10 s, K/s.
        scatter_k: Standard deviation of the readings about a straight line in the stage's last third, slow swings
            included, no less than fast noise and the sensor's step make it, K.
    """

    start_c: float
    peak: Metric
    peak_after_s: float
    unseen_k: float
    rate: Metric
    scatter_k: float


def course_of(trace: Trace, stage: StageSpan, channel: str) -> Course | None:
    """Return the channel's course in the stage; None without a reading."""
    t_s, values = stage_columns(trace, stage, channel)
    if len(values) == 0:
        return None
    facts = sensor_facts(trace, channel)
    lines = sensor_lines(facts, noise_k(values))
    at = int(np.argmax(values))
    scatter_k = _scatter_k(t_s, values, facts.resolution)
    earlier_t_s, earlier = _just_before(trace, stage, channel)
    begun_s = float(earlier_t_s[-1] if len(earlier_t_s) else t_s[0])
    around_t_s, around = np.concatenate((earlier_t_s, t_s)), np.concatenate((earlier, values))
    return Course(
        start_c=float(np.mean(earlier)) if len(earlier) else float(values[0]),
        peak=Metric(value=float(values[at]), unit="°C", u95=expanded(lines), budget=lines),
        peak_after_s=float(t_s[at]) - stage.start_s,
        unseen_k=abs(float(earlier[-1] - values[0])) if at == 0 and len(earlier) else 0.0,
        rate=_rate(around_t_s, around, begun_s, scatter_k, facts.refresh_s),
        scatter_k=scatter_k,
    )


def _just_before(trace: Trace, stage: StageSpan, channel: str) -> tuple[FloatArray, FloatArray]:
    """Return the readings of the 5 s before the stage, none where it was the first."""
    if channel not in trace.columns:
        return np.empty(0), np.empty(0)
    low, high = np.searchsorted(trace.t_s, (stage.start_s - _START_S, stage.start_s), side="left")
    values = trace.usable(channel)[low:high]
    good = np.isfinite(values)
    return trace.t_s[low:high][good], values[good]


def _scatter_k(t_s: FloatArray, values: FloatArray, resolution: float | None) -> float:
    least = max(noise_k(values), (resolution or 0.0) / math.sqrt(12))
    late = t_s >= t_s[-1] - (t_s[-1] - t_s[0]) / 3
    return max(least, fit_line(t_s[late], values[late]).residual_sd) if np.count_nonzero(late) >= 6 else least


def _rate(t_s: FloatArray, values: FloatArray, begun_s: float, scatter_k: float, refresh_s: float | None) -> Metric:
    if t_s[-1] - begun_s < RATE_WINDOW_S:
        return not_measured("K/s", reason("span-too-short"))
    steepest = steepest_rise(t_s, values, RATE_WINDOW_S)
    # The window ends up to one fresh reading too early or too late for the rise that began within it.
    unseen_s = max(held_s(t_s, values), refresh_s or 0.0)
    around = np.interp((steepest.end_s - unseen_s, steepest.end_s + unseen_s), t_s, values)
    hidden_k = float(abs(around[1] - around[0])) / 2
    lines = (
        Component(name="scatter", standard_uncertainty=math.sqrt(2) * scatter_k, sensitivity=1 / RATE_WINDOW_S),
        Component.within("between fresh readings", hidden_k, 1 / RATE_WINDOW_S),
    )
    return Metric(value=steepest.rate, unit="K/s", u95=expanded(lines), budget=lines)
