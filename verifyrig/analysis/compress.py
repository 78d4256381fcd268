"""Samples of a run into a few dozen steps, fine after each change of load and coarser later on."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from verifyrig.analysis.thermal_path import Drive, IntArray, pairs_of
from verifyrig.core.trace import BoolArray, FloatArray

__all__ = ["Compressed", "bin_edges", "compress", "idle_that_stood"]

_GROWTH = 0.18
# Steps have one of a few lengths, in samples: each pair of length and fan speed costs a machine's fadings anew.
_LENGTHS = np.array([1, 2, 3, 5, 8, 12, 18, 27, 40, 60, 90, 135, 200, 300, 450, 700, 1000, 1500, 2500, 5000])
_LEVELS = 4
_MOST_STEPS = 12
# A gap in the readings from so long on is a step of its own. A load has come or gone in it where the power changes by
# so much of its range in the gap, and by no less than a tenth of its whole range.
_GAP_S, _SWITCHED_SHARE, _LEAST_DIP = 6.0, 0.5, 0.1
_STOOD_K = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Compressed:
    """Steps with what was read in them.

    Attributes:
        drive: What moved the machine.
        end_s: End of each step, s, shape (k,).
        temp_c: Mean reading in each step, °C, shape (k,), NaN without any.
        count: Readings in each step, shape (k,).
        slope_k_per_s: How fast the reading moved, K/s, shape (k,).
        since_step_s: Time from the last change of load to the middle of the step, s, shape (k,).
        part: Which change of load that was, shape (k,).
        stood: Whether nothing had changed for long then, so that lumps follow as well as any path would, shape (k,).
    """

    drive: Drive
    end_s: FloatArray
    temp_c: FloatArray
    count: FloatArray
    slope_k_per_s: FloatArray
    since_step_s: FloatArray
    part: IntArray
    stood: BoolArray


def bin_edges(start_s: float, end_s: float, changes_s: FloatArray, cadence_s: float) -> FloatArray:
    """Return instants from `start_s` to `end_s`, s, that begin anew at every change of load and then spread out."""
    marks = [start_s, *(float(c) for c in changes_s if start_s < c < end_s), end_s]
    bounds = [start_s]
    for a, b in pairwise(marks):
        t = a
        while t < b:
            counts = _LENGTHS[max(1, int(np.searchsorted(_LENGTHS, _GROWTH * (t - a) / cadence_s, side="right"))) - 1]
            step = cadence_s * float(counts)
            t = b if t + 1.3 * step > b else t + step
            bounds.append(t)
    return np.array(bounds)


def compress(
    t_s: FloatArray,
    temp_c: FloatArray,
    power_w: FloatArray,
    ambient_c: FloatArray,
    fan_rpm: FloatArray | None,
    share: FloatArray,
) -> Compressed | None:
    """Return the samples as steps, or None where fewer than three steps hold a reading.

    Args:
        t_s, temp_c, power_w, room_c, share: Samples, shape (n,); temperature may be NaN, power and room may not.
    """
    cadence_s = max(1.0, float(np.median(np.diff(t_s))))
    changes = _step_times(t_s, share, power_w)
    if len(changes) > _MOST_STEPS:
        changes = changes[-_MOST_STEPS:]
    bounds = bin_edges(float(t_s[0]), float(t_s[-1]), changes, cadence_s)
    bounds = np.unique(np.concatenate((bounds, _bounds_of_gaps(t_s, np.isfinite(temp_c), power_w))))
    # A sample speaks for the time up to it, so it belongs to the step that ends with it.
    step = np.searchsorted(bounds, t_s, side="left") - 1
    inside: BoolArray = step >= 0
    k = len(bounds) - 1
    good = inside & np.isfinite(temp_c)
    count = np.bincount(step[good], minlength=k).astype(np.float64)
    if np.count_nonzero(count) < 3:
        return None
    mean_c = _means(step, temp_c, good, k)
    middle_s = 0.5 * (bounds[1:] + bounds[:-1])
    seen = np.isfinite(mean_c)
    slope = np.gradient(np.interp(middle_s, middle_s[seen], mean_c[seen]), middle_s)
    fan = None if fan_rpm is None else _filled(_means(step, fan_rpm, inside & np.isfinite(fan_rpm), k))
    seen_c = _filled(mean_c)
    level_at, level_of = _levels(seen_c if fan is None else fan)
    loaded = _means(step, share, inside, k)
    drive = Drive(
        dt_s=np.diff(bounds),
        power_w=_filled(_means(step, power_w, inside, k)),
        loaded=(np.nan_to_num(loaded) > 0).astype(np.float64),
        ambient_c=_filled(_means(step, ambient_c, inside, k)),
        fan_rpm=fan,
        seen_c=seen_c,
        start_power_w=float(power_w[0]),
        level_at=level_at,
        level_of=level_of,
        pairs=pairs_of(level_of, np.diff(bounds)),
    )
    begun = np.concatenate(([t_s[0]], changes))
    part = np.searchsorted(begun, middle_s, side="right") - 1
    return Compressed(
        drive=drive,
        end_s=bounds[1:],
        temp_c=mean_c,
        count=count,
        slope_k_per_s=slope,
        since_step_s=middle_s - begun[part],
        part=part,
        stood=np.zeros(k, dtype=np.bool_),
    )


def idle_that_stood(data: Compressed) -> BoolArray:
    """Return which steps are of an idle time before the first change of load whose reading stood still, shape (k,)."""
    first: BoolArray = data.part == data.part[0]
    readings = data.temp_c[first & np.isfinite(data.temp_c)]
    half = len(readings) // 2
    # The last step before the change holds the first sample with the new share.
    if half == 0 or first.all() or data.drive.loaded[first][:-1].any():
        return np.zeros_like(first)
    return first & (abs(float(np.mean(readings[half:]) - np.mean(readings[:half]))) <= _STOOD_K)


def _bounds_of_gaps(t_s: FloatArray, read: BoolArray, power_w: FloatArray) -> FloatArray:
    """Return where longer times without a reading begin and end, and where the load comes or goes within them, s.

    A step that held some of a dip would show its power and the readings beside it. One that held its end would show a
    die that is not warm again as the readings come back.
    """
    turns = np.flatnonzero(np.diff(np.concatenate(([True], read, [True])).astype(np.int8)))
    least_w = _LEAST_DIP * np.ptp(power_w)
    bounds = []
    for a, b in turns.reshape(-1, 2):
        before = max(0, a - 1)
        if t_s[b - 1] - t_s[before] >= _GAP_S:
            within_w = power_w[before:b]
            # A sample speaks for the time up to it: its power has changed since the one before it.
            switched = np.abs(np.diff(within_w)) > max(_SWITCHED_SHARE * np.ptp(within_w), least_w)
            bounds += [t_s[before], *t_s[before : b - 1][switched], t_s[b - 1]]
    return np.array(bounds)


def _step_times(t_s: FloatArray, share: FloatArray, power_w: FloatArray) -> FloatArray:
    """Return when the load changed, s: at the first sample with the new share, or at the one before it.

    A share noted for the time that led up to its sample shows by a power that has changed with it already.
    """
    at = np.flatnonzero(np.abs(np.diff(share)) > 1e-6) + 1
    later = power_w[np.minimum(at + 2, len(power_w) - 1)]
    changed_already = np.abs(power_w[at] - later) < 0.5 * np.abs(power_w[at - 1] - later)
    return np.where(changed_already, t_s[at - 1], t_s[at])


def _means(step: IntArray, values: FloatArray, good: BoolArray, k: int) -> FloatArray:
    sums = np.bincount(step[good], weights=values[good], minlength=k)
    counts = np.bincount(step[good], minlength=k)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(counts > 0, sums / counts, np.nan)


def _filled(values: FloatArray) -> FloatArray:
    """Bridge steps without a reading: only for what drives the model, never for what it is compared with."""
    at = np.arange(len(values))
    good = np.isfinite(values)
    return np.interp(at, at[good], values[good])


def _levels(values: FloatArray) -> tuple[IntArray, IntArray]:
    """Return steps that stand for the others by their value, and for each step the place of its stand-in."""
    low, high = float(values.min()), float(values.max())
    width = (high - low) / _LEVELS
    if width <= 0:
        return np.zeros(1, dtype=np.intp), np.zeros(len(values), dtype=np.intp)
    level = np.clip(((values - low) / width).astype(np.intp), 0, _LEVELS - 1)
    used, level_of = np.unique(level, return_inverse=True)
    middle = low + (used + 0.5) * width
    level_at = np.array(
        [int(np.argmin(np.where(level == u, np.abs(values - m), np.inf))) for u, m in zip(used, middle, strict=True)]
    )
    return level_at, level_of
