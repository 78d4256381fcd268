"""Trend: does a kept unit's figure creep, so that the bench drifts and not the products.

Sources: Kendall (1938), Mann (1945); slope of Sen (1968).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from verifyrig.capability.samples import Unanswered, are_equal
from verifyrig.core.reason import reason

__all__ = ["Trend", "find_trend"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A monotone trend.

    Attributes:
        slope: Median of all pairwise slopes, in the values' unit for each unit of `times`.
        low: Lower end of its 95 % interval.
        tau: Kendall's rank correlation with time.
        p_value: Chance of a tau at least this far from 0 without any trend.
    """

    n: int
    slope: float
    low: float
    high: float
    tau: float
    p_value: float

    @property
    def significant(self) -> bool:
        return self.p_value < 0.05


def find_trend(times: Iterable[float], values: Iterable[float | None]) -> Trend | Unanswered:
    """Return the trend of values over times (any unit; pairs with a missing value are left out).

    Raises:
        ValueError: The two differ in length.
    """
    from scipy.stats import kendalltau, theilslopes

    pairs = [(t, value) for t, value in zip(times, values, strict=True) if value is not None and np.isfinite(value)]
    if len(pairs) < 4:
        return Unanswered(why=reason("values-for-trend", count=len(pairs)))
    t, y = np.array(pairs, dtype=np.float64).T
    if are_equal(y) or np.ptp(t) == 0:
        return Unanswered(why=reason("values-or-times-equal", count=len(pairs)))
    tau = kendalltau(t, y)
    slope = theilslopes(y, t, alpha=0.95)
    return Trend(
        n=len(pairs),
        slope=float(slope.slope),
        low=float(slope.low_slope),
        high=float(slope.high_slope),
        tau=float(tau.statistic),
        p_value=float(tau.pvalue),
    )
