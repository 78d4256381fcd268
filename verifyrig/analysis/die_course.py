"""One course of a die's temperature out of all the sensors on it.

A processor shows the heat of its die at more than one place: the package, and each core. A core stays some kelvins
below the hottest place, more so the more it draws, and its slope is off by some per cent; but all ride on the same
heat, and each has noise and steps of its own. What they tell beyond the package's own reading is its course: level, and
slope over temperature and power, are taken from the package itself.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from verifyrig.analysis.compress import Compressed
from verifyrig.analysis.signals import held_s
from verifyrig.analysis.thermal_path import IntArray
from verifyrig.core.trace import FloatArray

__all__ = ["DieCourse", "die_course", "joined_covariance"]

# How far a core's slope over temperature may lie off the package's, and by how much it falls below it for each watt,
# K/W: standard deviations (common practice, no source; far below its limit such a sensor is off by some per cent).
_SLOPE_SD, _SLOPE_SD_K_PER_W = 0.03, 0.05
# A core that moves by so much less or more than the package, or whose means of ten seconds stray by so much (root mean
# square), shows something else: a sensor that stands, a place that warms more slowly, work that came and went there.
_FOLLOWS_WITHIN, _STRAYS_K = 0.15, 0.5
_BLOCK_S, _CALM_S = 10.0, 15.0
_LEAST_READ = 0.98  # of the package's readings
_SAME_SHARE = 1e-6
_MOST_PARTS = 0.1  # changes of load over samples: where a share is steered no course is left between two of them


class DieCourse(NamedTuple):
    """A die's course, °C, shape (n,), NaN where its own sensor had no reading, and of how many sensors it is made."""

    temp_c: FloatArray
    sensors: int


def die_course(
    t_s: FloatArray, die_c: FloatArray, cores_c: FloatArray, power_w: FloatArray, share: FloatArray
) -> DieCourse:
    """Return the mean course of a die's sensors at the level of its own; its own alone where no other follows it.

    Args:
        t_s, die_c, power_w, share: Samples, s, °C, W and 0 to 1, shape (n,); the temperature may be NaN.
        cores_c: What the other sensors show, °C, shape (n, m), NaN where there was no reading.
    """
    read = np.isfinite(die_c)
    enough = np.count_nonzero(np.isfinite(cores_c[read]), axis=0) >= max(1.0, _LEAST_READ * np.count_nonzero(read))
    whole = read & np.isfinite(cores_c[:, enough]).all(axis=1)
    part = np.concatenate(([0], np.cumsum(np.abs(np.diff(share)) > _SAME_SHARE)))
    if not enough.any() or not whole.any() or part[-1] > _MOST_PARTS * len(t_s):
        return DieCourse(die_c, 1)
    calm = (t_s - t_s[np.searchsorted(part, part)] >= _CALM_S)[whole]
    fresh_share = float(np.median(np.diff(t_s))) / held_s(t_s, die_c)
    own_c, apart = die_c[whole], cores_c[np.ix_(whole, enough)] - die_c[whole, None]
    level, watts = _one_for_each(part[whole]), power_w[whole]
    fitted, slope = _fitted(_terms(level, _joined(own_c, apart, level), watts), apart, fresh_share)
    strays = _strays_k(t_s[whole][calm], (apart - fitted)[calm])
    kept = apart[:, (np.abs(slope) <= _FOLLOWS_WITHIN) & (strays <= _STRAYS_K)]
    count = kept.shape[1]
    if not count:
        return DieCourse(die_c, 1)
    middle = kept.mean(axis=1, keepdims=True)
    fitted, _ = _fitted(_terms(level, _joined(own_c, kept, level), watts), middle, fresh_share)
    course = die_c.copy()
    course[whole] = own_c + count / (count + 1) * (middle - fitted)[:, 0]
    return DieCourse(course, count + 1)


def _joined(own_c: FloatArray, apart: FloatArray, level: FloatArray) -> FloatArray:
    """Return the course, °C, shape (n,), were the cores off the die by a level for each part alone."""
    middle = apart.mean(axis=1)
    count = apart.shape[1]
    means = (level.T @ middle) / level.sum(axis=0)
    return np.asarray(own_c + count / (count + 1) * (middle - level @ means))


def _fitted(terms: FloatArray, apart: FloatArray, fresh_share: float) -> tuple[FloatArray, FloatArray]:
    """Return what the terms make of how far cores lie apart, K, shape (n, m), and each one's slope over temperature."""
    left = apart - terms @ np.linalg.lstsq(terms, apart, rcond=None)[0]
    held = _held_by(terms.shape[1], float(np.median(np.mean(left**2, axis=0))) / fresh_share)
    weights = np.linalg.solve(terms.T @ terms + held, terms.T @ apart)
    return terms @ weights, weights[-2]


def _strays_k(t_s: FloatArray, left: FloatArray) -> FloatArray:
    """Return root mean square of each column's means of ten seconds, K, shape (m,)."""
    if not len(t_s):
        return np.zeros(left.shape[1])
    blocks = _one_for_each((t_s // _BLOCK_S).astype(np.intp))
    means = (blocks.T @ left) / blocks.sum(axis=0)[:, None]
    return np.asarray(np.sqrt(np.mean(means**2, axis=0)))


def joined_covariance(data: Compressed, noise_k: float, own_noise_k: float, fresh: FloatArray) -> FloatArray:
    """Return by what the steps of a mean course are less sure than its noise says, K², shape (k, k).

    Level and slopes are as sure as the die's own sensor has them.

    Args:
        noise_k, own_noise_k: Standard deviation of a fresh value of the course, and of the die's own sensor, K.
        fresh: Fresh readings in each step, shape (k,).
    """
    more = own_noise_k**2 - noise_k**2
    if more <= 0:
        return np.zeros((len(fresh), len(fresh)))
    read = np.isfinite(data.temp_c)
    terms = _terms(_one_for_each(data.part), data.temp_c, data.drive.power_w)
    held = _held_by(terms.shape[1], own_noise_k**2)
    information = (terms * (fresh * read)[:, None]).T @ terms + held
    return np.asarray(more * terms @ np.linalg.solve(information, terms.T))


def _one_for_each(part: IntArray) -> FloatArray:
    return np.asarray(part[:, None] == np.unique(part)[None, :], dtype=np.float64)


def _terms(level: FloatArray, temp_c: FloatArray, power_w: FloatArray) -> FloatArray:
    """Return what a core may lie off the package by: a level for each part, the temperature, and the power."""
    from_middle_k = np.nan_to_num(temp_c - np.nanmean(temp_c))
    return np.column_stack((level, from_middle_k, power_w - np.mean(power_w)))


def _held_by(terms: int, noise_k2: float) -> FloatArray:
    """Return what is known of the terms beforehand: a little of the levels, so that one without a reading is none."""
    spread = np.concatenate((np.full(terms - 2, 1e6), (_SLOPE_SD, _SLOPE_SD_K_PER_W)))
    return np.diag(max(noise_k2, 1e-6) / spread**2)
