"""Fewer points for a picture, and no peak lost: first, lowest, highest and last of every bucket are kept."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]

# A line is broken where readings are missing for longer than this many of its usual steps.
_GAP_STEPS = 3.0


class Piece(NamedTuple):
    """A stretch of a line without a gap: times and values, each shape (n,), n >= 1, all finite."""

    t_s: FloatArray
    values: FloatArray


def reduced(t_s: FloatArray, values: FloatArray, buckets: int) -> list[Piece]:
    """Return the line as pieces of at most 4 points a bucket; NaN is a gap, never bridged over a long time.

    Args:
        t_s: Times, s, shape (n,), rising.
        values: Values at those times, shape (n,), NaN where there is none.
        buckets: Equal parts of the whole time, >= 1.

    Raises:
        ValueError: The shapes differ, or `buckets` is below 1.
    """
    if t_s.shape != values.shape:
        raise ValueError(f"t_s has shape {t_s.shape}, values {values.shape}")
    if buckets < 1:
        raise ValueError(f"buckets is {buckets}, and must be at least 1")
    known = np.isfinite(values)
    t_s, values = t_s[known], values[known]
    if len(t_s) == 0:
        return []
    kept = _kept(t_s, values, buckets)
    breaks = np.flatnonzero(_breaks(t_s)) + 1
    edges = [0, *np.searchsorted(kept, breaks).tolist(), len(kept)]
    parts = [kept[low:high] for low, high in pairwise(edges) if high > low]
    return [Piece(t_s[part], values[part]) for part in parts]


def _breaks(t_s: FloatArray) -> npt.NDArray[np.bool_]:
    steps = np.diff(t_s)
    if len(steps) == 0:
        return np.zeros(0, dtype=np.bool_)
    return np.asarray(steps > _GAP_STEPS * np.median(steps), dtype=np.bool_)


def _kept(t_s: FloatArray, values: FloatArray, buckets: int) -> IndexArray:
    if len(t_s) <= 4 * buckets:
        return np.arange(len(t_s))
    span_s = t_s[-1] - t_s[0]
    bucket = np.minimum(((t_s - t_s[0]) * (buckets / span_s)).astype(np.intp), buckets - 1)
    # A gap also ends a bucket, so that the points on both its sides stay.
    group = bucket + np.concatenate(([0], np.cumsum(_breaks(t_s)))).astype(np.intp) * (buckets + 1)
    starts = np.concatenate(([0], np.flatnonzero(np.diff(group)) + 1, [len(t_s)]))
    kept = [
        (low, low + int(np.argmin(values[low:high])), low + int(np.argmax(values[low:high])), high - 1)
        for low, high in pairwise(starts.tolist())
    ]
    return np.unique(np.asarray(kept, dtype=np.intp))
