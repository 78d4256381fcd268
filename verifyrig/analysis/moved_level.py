"""Whether a reading moved although its power stayed: behind fans or a pump that stand on no record, as a rule.

Where it will settle is not known then: it may stay where it went to or come back. What stood still for a minute
outweighs what was before, so older levels are forgotten after that.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from verifyrig.core.trace import BoolArray, FloatArray

__all__ = ["Levels", "moved_levels"]

_BLOCK_S, _LOOKED_AT_S = 10.0, 70.0
# A change of load is answered by what lumps cannot follow at first; power that differs by more is another load.
_ANSWERED_S, _ALIKE_POWER = 15.0, 0.05
_FEWEST = 3
# Means of 10 s lay up to 1.5 K apart on 46 simulated machines and up to 1.1 K on 54 steps of real boards and cards,
# with sensors of whole degrees, 40 to 400 s after the last change of load.
_LEAST_K, _IN_NOISE = 2.0, 6.0
# So far off what is expected, for a whole minute: the readings have the last word as much as the machines.
_OFF_K, _MINUTE = 0.75, 6


class Levels(NamedTuple):
    """Lowest and highest of what the readings lay above what was expected of them, K."""

    low_k: float
    high_k: float

    @property
    def moved(self) -> bool:
        """Whether they lie so far apart that the reading must have moved."""
        return self.high_k - self.low_k > _LEAST_K


def moved_levels(
    t_s: FloatArray,
    temp_c: FloatArray,
    power_w: FloatArray,
    share: FloatArray,
    expected_c: FloatArray,
    u_fresh_k: float,
) -> Levels | None:
    """Return between which levels the reading moved over the last minute at the present power; None unless it did.

    One that stood for that minute, but elsewhere, lies between that level and what is expected.

    Args:
        t_s, temp_c, power_w, share: Samples, s, °C, W, and share of the load, shape (n,); the temperature may be NaN.
        expected_c: What machines that explain the readings show then, °C, shape (n,).
        u_fresh_k: Standard deviation of the mean reading of 10 s, K.
    """
    newest = t_s > t_s[-1] - _BLOCK_S
    now_w = float(np.mean(power_w[newest]))
    used: BoolArray = (
        np.isfinite(temp_c)
        & (t_s > t_s[-1] - _LOOKED_AT_S)
        & (np.abs(power_w - now_w) <= _ALIKE_POWER * abs(now_w))
        & (t_s - _changed_s(t_s, share) >= _ANSWERED_S)
    )
    block = ((t_s[-1] - t_s[used]) // _BLOCK_S).astype(np.intp)
    above_k = (temp_c - expected_c)[used]
    counts = np.bincount(block)
    if np.count_nonzero(counts >= _FEWEST) < 2:
        return None
    means_k = np.bincount(block, weights=above_k)[counts >= _FEWEST] / counts[counts >= _FEWEST]
    if float(np.ptp(means_k)) > max(_LEAST_K, _IN_NOISE * u_fresh_k):
        return Levels(float(np.min(means_k)), float(np.max(means_k)))
    off_k = float(np.mean(means_k))
    if len(means_k) >= _MINUTE and abs(off_k) > _OFF_K:
        return Levels(min(0.0, off_k), max(0.0, off_k))
    return None


def _changed_s(t_s: FloatArray, share: FloatArray) -> FloatArray:
    """Return when the load last changed before each sample, s, shape (n,); minus infinity before the first change."""
    changed = np.concatenate(([False], np.abs(np.diff(share)) > 1e-6))
    return np.maximum.accumulate(np.where(changed, t_s, -math.inf))
