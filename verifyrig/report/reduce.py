"""Fewer points for a picture, and no peak lost: first, lowest, highest and last of every bucket are kept."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]

# A line is broken where readings are missing for longer than this many of its usual steps.
_GAP_STEPS = 3.0


class LinePiece(NamedTuple):
    """A stretch of a line without a gap: times and values, each shape (n,), n >= 1, all finite."""

    t_s: FloatArray
    values: FloatArray


def reduced(t_s: FloatArray, values: FloatArray, buckets: int) -> list[LinePiece]:
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
    if not known.all():
        t_s, values = t_s[known], values[known]
    if len(t_s) == 0:
        return []
    breaks = _breaks(t_s)
    kept = _kept(t_s, values, buckets, breaks)
    bounds = [0, *np.searchsorted(kept, breaks).tolist(), len(kept)]
    parts = [kept[low:high] for low, high in pairwise(bounds) if high > low]
    return [LinePiece(t_s[part], values[part]) for part in parts]


def reduced_again(pieces: Sequence[LinePiece], buckets: int) -> list[LinePiece]:
    """Return an already reduced line with fewer points still; its gaps and extremes stay."""
    if not pieces:
        return []
    whole_s = max(pieces[-1].t_s[-1] - pieces[0].t_s[0], 1e-9)
    found = []
    for piece in pieces:
        share = (piece.t_s[-1] - piece.t_s[0]) / whole_s
        kept = _kept(piece.t_s, piece.values, max(1, round(buckets * share)), np.empty(0, dtype=np.intp))
        found.append(LinePiece(piece.t_s[kept], piece.values[kept]))
    return found


def _breaks(t_s: FloatArray) -> IndexArray:
    """Return where a new piece begins: after a step that is long beside the usual one."""
    steps = np.diff(t_s)
    if len(steps) == 0:
        return np.empty(0, dtype=np.intp)
    # The usual step, from at most some thousand of them: a day has a million.
    usual_s = float(np.median(steps[:: max(1, len(steps) // 4000)]))
    return np.flatnonzero(steps > _GAP_STEPS * usual_s) + 1


def _kept(t_s: FloatArray, values: FloatArray, buckets: int, breaks: IndexArray) -> IndexArray:
    if len(t_s) <= 4 * buckets:
        return np.arange(len(t_s))
    cuts = np.searchsorted(t_s, np.linspace(t_s[0], t_s[-1], buckets + 1)[1:-1])
    # A gap also ends a bucket, so that the points on both its sides stay.
    starts = np.unique(np.concatenate(([0], cuts, breaks, [len(t_s)])))
    kept = [
        (low, low + int(values[low:high].argmin()), low + int(values[low:high].argmax()), high - 1)
        for low, high in pairwise(starts.tolist())
    ]
    return np.unique(np.asarray(kept, dtype=np.intp))
