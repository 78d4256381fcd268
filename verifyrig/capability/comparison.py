"""Two models or revisions: how much they differ, and whether that is too little to matter.

Sources: Welch (1947), e-Handbook 7.3.1; Mann and Whitney (1947) with Hodges and Lehmann's shift;
Schuirmann (1987) for two one-sided tests.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

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
        low: Lower end of its confidence interval; with very few values the whole range of differences.
        u: Mann–Whitney statistic of the first group.
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
    """Return the shift between two groups and the Mann–Whitney test of it."""
    from scipy.special import ndtri
    from scipy.stats import mannwhitneyu

    ones, others = finite(first), finite(second)
    why_not = _too_few(ones, others)
    if why_not:
        return why_not
    found = mannwhitneyu(ones, others, alternative="two-sided")
    differences = np.sort((others[None, :] - ones[:, None]).ravel())
    n1, n2 = ones.size, others.size
    spread = math.sqrt(n1 * n2 * (n1 + n2 + 1) / 12)
    cut = max(0, math.floor(n1 * n2 / 2 - float(ndtri((1 + confidence) / 2)) * spread))
    return Shift(
        shift=float(np.median(differences)),
        low=float(differences[cut]),
        high=float(differences[differences.size - 1 - cut]),
        u=float(found.statistic),
        p_value=float(found.pvalue),
        confidence=confidence,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Equivalence:
    """Whether two means are shown to differ by less than a margin.

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
    first: Iterable[float | None], second: Iterable[float | None], *, margin: float, alpha: float = 0.05
) -> Equivalence | Unanswered:
    """Return the two one-sided tests (Welch form) against ± `margin`, in the values' unit.

    Raises:
        ValueError: The margin is not above 0.
    """
    from scipy.special import stdtr

    if not margin > 0:
        raise ValueError(f"margin is {margin}, and must be above 0")
    found = compare_means(first, second, confidence=1 - 2 * alpha)
    if isinstance(found, Unanswered):
        return found
    above_lower = float(stdtr(found.dof, -(found.difference + margin) / found.standard_error))
    below_upper = float(stdtr(found.dof, (found.difference - margin) / found.standard_error))
    return Equivalence(
        difference=found.difference,
        low=found.low,
        high=found.high,
        margin=margin,
        p_value=max(above_lower, below_upper),
        alpha=alpha,
    )


def over_reference_ambient(
    temps_c: Sequence[float | None], ambients_c: Sequence[float | None], reference_ambient_c: float
) -> list[float | None]:
    """Return temperatures as they would stand in a room of `reference_ambient_c`: each moves with its room.

    A temperature whose room is unknown is unknown there too. Rises and K/W need no such correction.

    Raises:
        ValueError: The two lists differ in length.
    """
    pairs = zip(temps_c, ambients_c, strict=True)
    return [
        None if temp_c is None or ambient_c is None else temp_c - ambient_c + reference_ambient_c
        for temp_c, ambient_c in pairs
    ]


def _too_few(ones: FloatArray, others: FloatArray) -> Unanswered | None:
    if min(ones.size, others.size) < 2:
        return Unanswered(why=reason("units-two-of-each", first=int(ones.size), second=int(others.size)))
    return None
