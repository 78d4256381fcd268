"""What every statistic begins with: finite values as an array, and a named reason where there is no answer."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from verifyrig.core.reason import Reason, reason

__all__ = ["FloatArray", "Unanswered", "are_equal", "as_column", "finite", "spread_of"]

FloatArray = npt.NDArray[np.float64]
# Equal figures that were computed on the way from equal readings differ in their last binary digits.
_ROUNDING_SHARE = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class Unanswered:
    """A question that these data cannot answer.

    Attributes:
        why: Why, one clause.
    """

    why: Reason


def as_column(values: Iterable[float | None] | FloatArray) -> FloatArray:
    """Return the values, shape (n,), NaN for None; an array as it is."""
    if isinstance(values, np.ndarray):
        return values
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def finite(values: Iterable[float | None] | FloatArray) -> FloatArray:
    """Return the values that are numbers, shape (n,), in their order; None and NaN were not measured."""
    column = as_column(values)
    return column[np.isfinite(column)]


def are_equal(sample: FloatArray) -> bool:
    """Return whether the values, shape (n,), are all the same but for rounding."""
    return not sample.size or bool(np.ptp(sample) <= _ROUNDING_SHARE * float(np.max(np.abs(sample))))


def spread_of(sample: FloatArray, least: int = 2) -> float | Unanswered:
    """Return the sample standard deviation (n - 1), or why there is none.

    Source of the two-pass form: the mean is taken off first, so that common leading digits cost nothing.
    """
    if sample.size < least:
        if sample.size < 2:
            return Unanswered(why=reason("units-one-needed" if sample.size else "units-none-needed", needed=least))
        return Unanswered(why=reason("units-needed", count=int(sample.size), needed=least))
    if are_equal(sample):
        return Unanswered(why=reason("units-equal-no-spread", count=int(sample.size)))
    return float(np.std(sample - sample[0], ddof=1))
