"""The rule of verdicts on columns: what `run_verdict` says of one figure and one run, said of very many at once.

A verdict is its place in `MILDEST_FIRST` here, so that the worst of several is the largest.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from verifyrig.metrology.verdict import MILDEST_FIRST, Verdict

__all__ = ["Severities", "judge_figures", "judge_runs", "severity"]

Severities = NDArray[np.int8]
_FloatArray = NDArray[np.float64]
_BoolArray = NDArray[np.bool_]


def severity(verdict: Verdict) -> int:
    """Return the place of a verdict, the mildest first."""
    return MILDEST_FIRST.index(verdict)


_PASS, _CONDITIONAL_PASS, _CONDITIONAL_FAIL, _FAIL, _NOT_MEASURED = map(
    severity,
    (Verdict.PASS, Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL, Verdict.FAIL, Verdict.NOT_MEASURED),
)


def judge_figures(
    values: _FloatArray, u95: _FloatArray, may_pass: _BoolArray, *, minimum: float | None, maximum: float | None
) -> Severities:
    """Return the guard-banded verdict on each figure, as `figure_verdict` does.

    Args:
        values, u95: In the limits' unit, shape (n,), NaN where there is none.
        may_pass: Where nothing forbids that the figure passes.

    Raises:
        ValueError: No limit is given, the limits contradict one another, or an uncertainty is negative.

    Source: ILAC-G8:09/2019, 4.2.3.
    """
    if minimum is None and maximum is None:
        raise ValueError("judge_figures() needs a minimum or a maximum")
    if minimum is not None and maximum is not None and minimum > maximum:
        raise ValueError(f"minimum {minimum} lies above maximum {maximum}")
    measured = np.isfinite(values) & np.isfinite(u95)
    if np.any(u95[measured] < 0):
        raise ValueError("an uncertainty is never negative")
    found = np.full(values.shape, _PASS, dtype=np.int8)
    for value, limit in ((values, maximum), (-values, None if minimum is None else -minimum)):
        if limit is not None:
            with np.errstate(invalid="ignore"):  # not measured, said below
                own = np.select(
                    [value <= limit - u95, value <= limit, value <= limit + u95],
                    [_PASS, _CONDITIONAL_PASS, _CONDITIONAL_FAIL],
                    default=_FAIL,
                )
            found = np.maximum(found, own).astype(np.int8)
    found[~measured] = _NOT_MEASURED
    return np.where(may_pass, found, _without_pass(found))


def judge_runs(limits: list[Severities], *, completed: _BoolArray, lost_power: _BoolArray) -> Severities:
    """Return the verdict on each run, as `run_verdict` does for one whose record is sealed.

    Args:
        limits: Verdicts of the figures against each of the profile's limits, each shape (n,).
    """
    nothing = np.full(completed.shape, _NOT_MEASURED, dtype=np.int8)
    found = np.max(np.stack(limits), axis=0) if limits else nothing
    found = np.where(completed, found, _without_pass(found))
    return np.where(lost_power, np.int8(_FAIL), found)


def _without_pass(found: Severities) -> Severities:
    return np.where(found <= _CONDITIONAL_PASS, np.int8(_NOT_MEASURED), found)
