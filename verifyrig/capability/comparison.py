"""Two models or revisions: how much they differ, and whether that is too little to matter.

Sources: Welch (1947), e-Handbook 7.3.1; Mann and Whitney (1947) with the shift and the interval of Hodges and Lehmann
(1963), as in Hollander and Wolfe; Schuirmann (1987) for two one-sided tests.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from verifyrig.capability.samples import FloatArray, Unanswered, are_equal, finite
from verifyrig.core.reason import reason

__all__ = [
    "Equivalence",
    "MeanDifference",
    "Shift",
    "compare_means",
    "compare_ranks",
    "compare_summaries",
    "equivalence",
    "over_reference_ambient",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanDifference:
    """Second mean minus first, with its confidence interval, in the values' unit."""

    difference: float
    low: float
    high: float
    standard_error: float
    t: float
    dof: float
    p_value: float
    confidence: float

    @property
    def significant(self) -> bool:
        """Whether the interval leaves 0 out."""
        return not self.low <= 0 <= self.high


def compare_means(
    first: Iterable[float | None], second: Iterable[float | None], *, confidence: float = 0.95
) -> MeanDifference | Unanswered:
    """Return the difference of two means without assuming equal spreads (Welch)."""
    ones, others = finite(first), finite(second)
    why_not = _too_few(ones, others)
    if why_not:
        return why_not
    summaries = [
        (int(sample.size), float(sample.mean()), 0.0 if are_equal(sample) else float(np.std(sample, ddof=1)))
        for sample in (ones, others)
    ]
    return compare_summaries(*summaries[0], *summaries[1], confidence=confidence)


def compare_summaries(
    n1: int, mean1: float, sd1: float, n2: int, mean2: float, sd2: float, *, confidence: float = 0.95
) -> MeanDifference | Unanswered:
    """Return the same from the counts, means and standard deviations alone."""
    from scipy.special import stdtr, stdtrit

    v1, v2 = sd1**2 / n1, sd2**2 / n2
    error = math.sqrt(v1 + v2)
    if error == 0:
        return Unanswered(why=reason("units-equal-in-groups"))
    dof = (v1 + v2) ** 2 / (v1**2 / (n1 - 1) + v2**2 / (n2 - 1))
    difference = mean2 - mean1
    reach = float(stdtrit(dof, (1 + confidence) / 2)) * error
    return MeanDifference(
        difference=difference,
        low=difference - reach,
        high=difference + reach,
        standard_error=error,
        t=difference / error,
        dof=dof,
        p_value=2 * float(stdtr(dof, -abs(difference / error))),
        confidence=confidence,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """By how much the second group lies higher, from ranks alone: for few or skewed values.

    Attributes:
        shift: Median of all differences second minus first.
        low, high: Its confidence interval; infinite where so few units can never reach the confidence.
        u: Mann–Whitney statistic of the first group.
        p_value: Two-sided, by the same distribution as the interval: below 1 - `confidence` where 0 lies outside.
    """

    shift: float
    low: float
    high: float
    u: float
    p_value: float
    confidence: float


def compare_ranks(
    first: Iterable[float | None], second: Iterable[float | None], *, confidence: float = 0.95
) -> Shift | Unanswered:
    """Return the shift between two groups and the Mann–Whitney test of it; ties count against a difference."""
    ones, others = finite(first), finite(second)
    why_not = _too_few(ones, others)
    if why_not:
        return why_not
    differences = np.sort((others[None, :] - ones[:, None]).ravel())
    chance = _chance_of_pairs(int(ones.size), int(others.size))
    outside = int(np.searchsorted(chance, (1 - confidence) / 2, side="right"))
    against = min(np.count_nonzero(differences <= 0), np.count_nonzero(differences >= 0))
    return Shift(
        shift=float(np.median(differences)),
        low=float(differences[outside - 1]) if outside else -math.inf,
        high=float(differences[differences.size - outside]) if outside else math.inf,
        u=float(np.count_nonzero(differences < 0) + np.count_nonzero(differences == 0) / 2),
        p_value=min(1.0, 2 * float(chance[against])),
        confidence=confidence,
    )


# Beyond this many pairs the normal distribution is as good as counting.
_MOST_PAIRS_COUNTED = 900


@lru_cache(maxsize=64)
def _chance_of_pairs(n1: int, n2: int) -> FloatArray:
    """Return how likely at most 0, 1, 2, ... of the pairs of two like groups run one way, shape (n1 n2 + 1,).

    Counted (Mann and Whitney 1947: the orders are the coefficients of a Gaussian binomial), of many pairs by the
    normal distribution with a continuity correction.
    """
    from scipy.special import ndtr

    pairs = n1 * n2
    if pairs > _MOST_PAIRS_COUNTED:
        spread = math.sqrt(pairs * (n1 + n2 + 1) / 12)
        normal: FloatArray = ndtr((np.arange(pairs + 1) + 0.5 - pairs / 2) / spread)
        return normal
    ways = [1] + [0] * pairs
    for i in range(1, n1 + 1):
        for at in range(pairs, n2 + i - 1, -1):
            ways[at] -= ways[at - n2 - i]
        for at in range(i, pairs + 1):
            ways[at] += ways[at - i]
    return np.cumsum(np.array(ways, dtype=np.float64)) / float(math.comb(n1 + n2, n1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Equivalence:
    """Whether two groups are shown to differ by less than a margin.

    Attributes:
        low: Lower end of the interval that must lie within ± margin (90 % for alpha 0.05).
        p_value: The larger of the two one-sided ones.
    """

    difference: float
    low: float
    high: float
    margin: float
    p_value: float
    alpha: float

    @property
    def equivalent(self) -> bool:
        return self.p_value < self.alpha


def equivalence(
    first: Iterable[float | None],
    second: Iterable[float | None],
    *,
    margin: float,
    alpha: float = 0.05,
    by: Literal["means", "ranks"] = "means",
) -> Equivalence | Unanswered:
    """Return two one-sided tests against ± `margin`, in the values' unit: by means (Welch) or by ranks.

    Raises:
        ValueError: The margin is not above 0.
    """
    from scipy.special import stdtr

    if not margin > 0:
        raise ValueError(f"margin is {margin}, and must be above 0")
    ones, others = finite(first), finite(second)
    if by == "ranks":
        ranked = compare_ranks(ones, others, confidence=1 - 2 * alpha)
        if isinstance(ranked, Unanswered):
            return ranked
        differences, chance = (others[None, :] - ones[:, None]).ravel(), _chance_of_pairs(ones.size, others.size)
        tails = [np.count_nonzero(differences <= -margin), np.count_nonzero(differences >= margin)]
        p_value, middle, low, high = float(max(chance[tails])), ranked.shift, ranked.low, ranked.high
    else:
        found = compare_means(ones, others, confidence=1 - 2 * alpha)
        if isinstance(found, Unanswered):
            return found
        above_lower = float(stdtr(found.dof, -(found.difference + margin) / found.standard_error))
        below_upper = float(stdtr(found.dof, (found.difference - margin) / found.standard_error))
        p_value, middle, low, high = max(above_lower, below_upper), found.difference, found.low, found.high
    return Equivalence(difference=middle, low=low, high=high, margin=margin, p_value=p_value, alpha=alpha)


def over_reference_ambient(temps_c: FloatArray, ambients_c: FloatArray, reference_ambient_c: float) -> FloatArray:
    """Return temperatures as they would stand in a room of `reference_ambient_c`: each moves with its room.

    A temperature whose room is unknown (NaN) is unknown there too. Rises and K/W need no such correction.

    Raises:
        ValueError: The two differ in length.
    """
    if temps_c.shape != ambients_c.shape:
        raise ValueError(f"temps_c has shape {temps_c.shape}, ambients_c {ambients_c.shape}")
    return temps_c - ambients_c + reference_ambient_c


def _too_few(ones: FloatArray, others: FloatArray) -> Unanswered | None:
    if min(ones.size, others.size) < 2:
        return Unanswered(why=reason("units-two-of-each", first=int(ones.size), second=int(others.size)))
    return None
