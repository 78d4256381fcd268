"""Plain readings of sampled columns: runs of steady load, means over time, slopes, noise, sensor facts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from verifyrig.core.plain_json import number_or_none
from verifyrig.core.trace import BoolArray, FloatArray, StageSpan, Trace

__all__ = [
    "SensorFacts",
    "SteepestRise",
    "StraightLine",
    "fit_line",
    "has_bad_times",
    "held_s",
    "lag1_correlation",
    "missing_share",
    "noise_k",
    "sensor_facts",
    "stage_columns",
    "steepest_rise",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorFacts:
    """What the record says of a channel's sensor; None where it says nothing.

    Attributes:
        resolution: Smallest step, in the channel's unit.
        refresh_s: Interval between fresh values, s.
        expanded_uncertainty: Of the reading at 95 %, in the channel's unit.
        limit: The machine's own limit, in the channel's unit.
        device: Stable identity of the sensor.
    """

    resolution: float | None = None
    refresh_s: float | None = None
    expanded_uncertainty: float | None = None
    limit: float | None = None
    device: str = ""


def sensor_facts(trace: Trace, channel: str) -> SensorFacts:
    """Return what the record says of the channel's sensor."""
    found = trace.recorded.channels.get(channel, {})
    return SensorFacts(
        resolution=_positive(found.get("resolution")),
        refresh_s=_positive(found.get("refresh_s")),
        expanded_uncertainty=_positive(found.get("expanded_uncertainty")),
        limit=_positive(found.get("limit")),
        device=str(found.get("device") or ""),
    )


def _positive(value: Any) -> float | None:
    number = number_or_none(value)
    return number if number is not None and number > 0 else None


def has_bad_times(t_s: FloatArray) -> bool:
    """Return whether sample times stand still, go back or are not numbers."""
    return not bool(np.isfinite(t_s).all()) or bool((np.diff(t_s) <= 0).any())


def stage_columns(trace: Trace, stage: StageSpan, channel: str) -> tuple[FloatArray, FloatArray]:
    """Return the channel's `ok` readings within the stage: times since the run began, s, and values, shape (m,)."""
    span = trace.within(stage)
    if channel not in trace.columns:
        return np.empty(0), np.empty(0)
    values = trace.usable(channel)[span]
    good = np.isfinite(values)
    return trace.t_s[span][good], values[good]


def missing_share(trace: Trace, stage: StageSpan, channel: str) -> float:
    """Return the share of the stage without an `ok` reading, 0 to 1, by samples or by time, whichever is more."""
    span = trace.within(stage)
    t_s = trace.t_s[span]
    if channel not in trace.columns or len(t_s) == 0:
        return 1.0
    good = np.isfinite(trace.usable(channel)[span])
    if not good.any():
        return 1.0
    return max(1.0 - float(good.mean()), _unseen_time_share(t_s[good], stage))


def _unseen_time_share(good_t_s: FloatArray, stage: StageSpan) -> float:
    end_s = float(good_t_s[-1]) if stage.end_s is None else stage.end_s
    length_s = end_s - stage.start_s
    if length_s <= 0:
        return 0.0
    steps_s = np.diff(np.concatenate(([stage.start_s], good_t_s, [end_s])))
    usual_s = float(np.median(np.diff(good_t_s))) if len(good_t_s) > 1 else length_s
    return float(np.clip(steps_s - 3.0 * usual_s, 0.0, None).sum()) / length_s


class StraightLine(NamedTuple):
    """A straight line y = intercept + slope (x - origin), with standard uncertainties (k = 1)."""

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    correlation: float
    residual_sd: float
    dof: int
    origin: float

    def at(self, x: float) -> tuple[float, float]:
        """Return the line's value at x and its standard uncertainty."""
        d = x - self.origin
        variance = self.u_intercept**2 + (d * self.u_slope) ** 2
        variance += 2 * d * self.correlation * self.u_intercept * self.u_slope
        return self.intercept + self.slope * d, math.sqrt(max(variance, 0.0))


def fit_line(x: FloatArray, y: FloatArray, origin: float = 0.0) -> StraightLine:
    """Fit a straight line by least squares; x and y of shape (n,), n >= 2, x not all equal.

    Raises:
        ValueError: Fewer than two points, or all x equal.

    Source: JCGM 100:2008, H.3.
    """
    n = len(x)
    x_mean, y_mean = float(np.mean(x)) if n else 0.0, float(np.mean(y)) if n else 0.0
    dx = x - x_mean
    sxx = float(dx @ dx)
    if n < 2 or sxx == 0.0:
        raise ValueError(f"a line needs two different x, got {n} points")
    slope = float(dx @ (y - y_mean)) / sxx
    residual = (y - y_mean) - slope * dx
    dof = n - 2
    s = math.sqrt(float(residual @ residual) / dof) if dof > 0 else math.inf
    d0 = origin - x_mean
    u_slope = s / math.sqrt(sxx)
    u_intercept = s * math.sqrt(1 / n + d0 * d0 / sxx)
    correlation = (d0 / math.sqrt(sxx)) / math.sqrt(1 / n + d0 * d0 / sxx)
    return StraightLine(y_mean + slope * d0, slope, u_intercept, u_slope, correlation, s, dof, origin)


class SteepestRise(NamedTuple):
    """The largest rise over a window, divided by it, unit/s, and when that window ended, s."""

    rate: float
    end_s: float


def steepest_rise(t_s: FloatArray, values: FloatArray, window_s: float) -> SteepestRise:
    """Return the steepest rise over a window that begins with a reading; they span at least one window."""
    inside: BoolArray = t_s + window_s <= t_s[-1] + 1e-9
    rises = np.interp(t_s[inside] + window_s, t_s, values) - values[inside]
    at = int(np.argmax(rises))
    return SteepestRise(float(rises[at]) / window_s, float(t_s[inside][at]) + window_s)


def lag1_correlation(values: FloatArray) -> float:
    """Return the autocorrelation of neighbouring samples, shape (n,); 0 where they do not vary.

    Source: NIST StRD, univariate summary statistics, sample autocorrelation coefficient (lag 1).
    """
    away = values - np.mean(values)
    variance = float(away @ away)
    return float(away[1:] @ away[:-1]) / variance if variance > 0.0 else 0.0


def noise_k(values: FloatArray) -> float:
    """Return the standard deviation of fast noise from second differences, in the values' unit, shape (n,).

    A smooth course, however steep, leaves no second difference; the factor sqrt(6) is that of white noise.
    Values held over a refresh are thinned to their changes' pace first, or the hold would hide the noise.
    """
    if len(values) < 6:
        return 0.0
    hold = max(1, round(len(values) / max(1, int(np.count_nonzero(np.diff(values))) + 1)))
    squares = np.sort(np.diff(values[:: min(hold, 3)], 2) ** 2)
    # The few largest come from steps of the load, not from noise.
    kept = squares[: max(3, len(squares) - max(2, len(squares) // 25))]
    return float(np.sqrt(np.mean(kept) / 6.0)) if len(kept) else 0.0


def held_s(t_s: FloatArray, values: FloatArray) -> float:
    """Return how long a sensor holds a value before a fresh one, s, as far as the readings show it.

    Whole degrees hide the pace of a sensor that hardly moves, so the quickest tenth of all runs of equal values
    counts; never less than the cadence, and 1.5 s, a usual pace, where the readings do not show it.
    """
    good = np.isfinite(values)
    if np.count_nonzero(good) < 20:
        return 1.5
    cadence_s = float(np.median(np.diff(t_s)))
    changed = np.flatnonzero(np.diff(values[good]) != 0)
    if len(changed) < 10:
        return max(1.5, cadence_s)
    runs = np.diff(changed) * cadence_s
    return float(max(cadence_s, min(3.0, np.quantile(runs, 0.1)), 1.5 if cadence_s <= 1.5 else 0.0))
