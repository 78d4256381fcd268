"""Capability of a design: how far its units stay from the limits, in units of their own spread.

Two spreads make two indices: Cpk takes the spread from unit to next unit (mean moving range), Ppk that of all units
about their mean. They agree where nothing changed over time. What the units prove rests on Ppk, of which the exact
bound is known.

Sources: NIST/SEMATECH e-Handbook, 6.1.6 (indices; it takes the spread of all units); names of the two spreads as in
ISO 22514-2 and ASTM E2281, from memory. The lower bound is that of the noncentral t-distribution, exact for one limit
and on the safe side for two; Bissell's (1990) approximation is offered by name.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from verifyrig.capability.samples import FloatArray, Unanswered, finite, spread_of
from verifyrig.capability.tolerance import k_one_sided, k_two_sided, needed_units
from verifyrig.core.reason import reason

__all__ = [
    "FEWEST_FOR_A_CLAIM",
    "Capability",
    "Normality",
    "bissell_lower_bound",
    "capability",
    "check_normality",
    "clean_units_missing",
    "cpk_lower_bound",
    "moving_range_dof",
    "units_for_claim",
    "zero_events_bound",
]

# Below this any claim is called provisional: the one-sided 95/95 factor is above 3 (common practice, no source).
FEWEST_FOR_A_CLAIM = 8
_MOST_UNITS_LOOKED_AT = 5000


@dataclass(frozen=True, slots=True, kw_only=True)
class Capability:
    """Capability of one metric.

    Attributes:
        sd: Standard deviation of all units about their mean.
        within_sd: Standard deviation from unit to next unit, in their order.
        cp, pp: (maximum - minimum)/(6 s) with the one and the other spread; None with one limit.
        cpk: Distance from the mean to the nearer limit over 3 `within_sd`; None where neighbours are all equal.
        cpk_low: Its lower confidence bound.
        ppk: The same over 3 `sd`.
        ppk_low: Its lower confidence bound: this one decides, not the point.
        provisional: Fewer than `FEWEST_FOR_A_CLAIM` units.
    """

    n: int
    mean: float
    sd: float
    within_sd: float
    cp: float | None
    pp: float | None
    cpk: float | None
    cpk_low: float | None
    ppk: float
    ppk_low: float
    confidence: float
    provisional: bool

    def proves(self, least_ppk: float) -> bool:
        """Return whether the lower bound reaches a wanted index, with enough units to claim it."""
        return not self.provisional and self.ppk_low >= least_ppk


def capability(
    values: Iterable[float | None],
    *,
    minimum: float | None = None,
    maximum: float | None = None,
    confidence: float = 0.95,
) -> Capability | Unanswered:
    """Return capability indices of a normal metric against one or two limits, in the values' unit.

    Args:
        values: One for each unit, in order of time.

    Raises:
        ValueError: No limit is given.
    """
    if minimum is None and maximum is None:
        raise ValueError("capability() needs a minimum or a maximum")
    sample = finite(values)
    sd = spread_of(sample)
    if isinstance(sd, Unanswered):
        return sd
    n, mean = int(sample.size), float(np.mean(sample))
    to_limits = [maximum - mean] if maximum is not None else []
    to_limits += [mean - minimum] if minimum is not None else []
    ppk = min(to_limits) / (3 * sd)
    within_sd = float(np.mean(np.abs(np.diff(sample)))) * math.sqrt(math.pi) / 2
    cpk = min(to_limits) / (3 * within_sd) if within_sd > 0 else None
    width = sum(to_limits) if maximum is not None and minimum is not None else None
    return Capability(
        n=n,
        mean=mean,
        sd=sd,
        within_sd=within_sd,
        cp=width / (6 * within_sd) if width is not None and within_sd > 0 else None,
        pp=width / (6 * sd) if width is not None else None,
        cpk=cpk,
        cpk_low=None if cpk is None else cpk_lower_bound(cpk, n, confidence, dof=moving_range_dof(n)),
        ppk=ppk,
        ppk_low=cpk_lower_bound(ppk, n, confidence),
        confidence=confidence,
        provisional=n < FEWEST_FOR_A_CLAIM,
    )


def moving_range_dof(n: int) -> float:
    """Return how many degrees of freedom the spread from `n` - 1 moving ranges is worth.

    Source: a spread of f degrees of freedom has the relative variance 1/(2 f) to first order. Moving ranges are
    absolute normal values of variance 2 whose neighbours correlate by -1/2: E|X||Y| = (4/pi)(sqrt(3)/2 + pi/12).
    """
    if n < 2:
        raise ValueError(f"n is {n}; a moving range needs two units")
    mean = 2 / math.sqrt(math.pi)
    own = 2 - mean**2
    neighbours = 4 / math.pi * (math.sqrt(3) / 2 + math.pi / 12) - mean**2
    ranges = n - 1
    variance = (ranges * own + 2 * (ranges - 1) * neighbours) / (ranges * mean) ** 2
    return 1 / (2 * variance)


def cpk_lower_bound(index: float, n: int, confidence: float = 0.95, *, dof: float | None = None) -> float:
    """Return the lower confidence bound of an observed index from `n` units of a normal population.

    For one limit 3 sqrt(n) times the index follows a noncentral t-distribution, whose noncentrality is solved for.
    With two limits the observed index is never larger than the one-sided one, so the bound stays valid.

    Args:
        dof: Degrees of freedom of its spread; n - 1 if None (the spread of all units).
    """
    from scipy.special import nctdtrinc

    if n < 2:
        raise ValueError(f"n is {n}; a spread needs two units")
    observed = 3 * math.sqrt(n) * index
    return float(nctdtrinc(n - 1 if dof is None else dof, confidence, observed)) / (3 * math.sqrt(n))


def bissell_lower_bound(cpk: float, n: int, confidence: float = 0.95) -> float:
    """Return Bissell's normal approximation of the same bound, as many tables print it."""
    from scipy.special import ndtri

    return cpk - float(ndtri(confidence)) * math.sqrt(1 / (9 * n) + cpk**2 / (2 * (n - 1)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Normality:
    """Whether a sample speaks against a normal distribution.

    Attributes:
        p_value: Chance of a sample at least this far from normal, were the population normal.
        doubtful: `p_value` below 0.05.
    """

    n: int
    statistic: float
    p_value: float

    @property
    def doubtful(self) -> bool:
        return self.p_value < 0.05


def check_normality(values: Iterable[float | None]) -> Normality | Unanswered:
    """Return Anderson and Darling's test with mean and spread estimated from the sample.

    Fewer than 8 units never speak against anything, and that is said.

    Source: D'Agostino and Stephens (1986), tables 4.7 and 4.9, from memory (case 3: A² (1 + 0.75/n + 2.25/n²)).
    """
    from scipy.special import log_ndtr

    sample = finite(values)
    spread = spread_of(sample, least=FEWEST_FOR_A_CLAIM)
    if isinstance(spread, Unanswered):
        return spread
    n = int(sample.size)
    z = np.sort((sample - sample.mean()) / spread)
    weights = (2 * np.arange(1, n + 1) - 1) / n
    statistic = float(-n - np.sum(weights * (log_ndtr(z) + log_ndtr(-z[::-1]))))
    return Normality(n=n, statistic=statistic, p_value=_anderson_darling_p(statistic * (1 + 0.75 / n + 2.25 / n**2)))


def _anderson_darling_p(adjusted: float) -> float:
    if adjusted >= 0.6:
        # The fit turns up again far out, where the chance is nil.
        return math.exp(1.2937 - 5.709 * adjusted + 0.0186 * adjusted**2) if adjusted < 13 else 0.0
    if adjusted > 0.34:
        return math.exp(0.9177 - 4.279 * adjusted - 1.38 * adjusted**2)
    if adjusted > 0.2:
        return 1 - math.exp(-8.318 + 42.796 * adjusted - 59.938 * adjusted**2)
    return 1 - math.exp(-13.436 + 101.14 * adjusted - 223.73 * adjusted**2)


def units_for_claim(
    values: Iterable[float | None],
    *,
    minimum: float | None = None,
    maximum: float | None = None,
    share: float = 0.95,
    confidence: float = 0.95,
) -> int | Unanswered:
    """Return how many units in all it takes to claim that `share` lies within the limits, at this mean and spread.

    With a normal metric; where it is not, `needed_units` counts clean units instead. A mean beyond a limit,
    or limits too narrow for any number, are said.
    """
    sample = finite(values)
    sd = spread_of(sample)
    if isinstance(sd, Unanswered):
        return sd
    margin = _margin_in_sd(sample, sd, minimum, maximum)
    factor = k_one_sided if minimum is None or maximum is None else k_two_sided
    low, high = max(FEWEST_FOR_A_CLAIM, int(sample.size)), _MOST_UNITS_LOOKED_AT
    if factor(high, share, confidence) > margin:
        return Unanswered(why=reason("units-outside-limits", share=share))
    while low < high:  # the factor falls with n
        middle = (low + high) // 2
        low, high = (low, middle) if factor(middle, share, confidence) <= margin else (middle + 1, high)
    return low


def _margin_in_sd(sample: FloatArray, sd: float, minimum: float | None, maximum: float | None) -> float:
    mean = float(np.mean(sample))
    to_limits = [maximum - mean] if maximum is not None else []
    to_limits += [mean - minimum] if minimum is not None else []
    if not to_limits:
        raise ValueError("units_for_claim() needs a minimum or a maximum")
    return min(to_limits) / sd


def zero_events_bound(trials: int, confidence: float = 0.95) -> float:
    """Return the highest share of events that no event in `trials` trials still allows; about 3/trials at 95 %.

    Source: exact binomial bound 1 - (1 - confidence)^(1/n); the rule of three is its approximation.
    """
    if trials < 0:
        raise ValueError(f"{trials} trials")
    return 1.0 if trials == 0 else -math.expm1(math.log1p(-confidence) / trials)


def clean_units_missing(clean: int, share: float, confidence: float = 0.95) -> int:
    """Return how many more clean units, without one bad, the claim "`share` of all units is good" needs."""
    return max(0, needed_units(share, confidence) - clean)
