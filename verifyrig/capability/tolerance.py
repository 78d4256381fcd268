"""Tolerance intervals: between which figures a share of all units lies, with a stated confidence.

Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3 and 7.2.6.4; ISO 16269-6:2014 (exact factors).
The approximations that the handbook prints, of Howe and of Natrella, are offered by name.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from verifyrig.capability.samples import FloatArray, Unanswered, finite, spread_of
from verifyrig.core.reason import reason

__all__ = [
    "Side",
    "ToleranceInterval",
    "distribution_free_interval",
    "k_one_sided",
    "k_two_sided",
    "needed_units",
    "normal_interval",
]

Side = Literal["both", "upper", "lower"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceInterval:
    """The interval, in the values' unit; a side that was not asked for is None.

    Attributes:
        factor: k in mean ± k s; None for a distribution-free interval.
        confidence: Confidence truly reached; at least what was asked.
        share: Share of all units that lies within.
    """

    low: float | None
    high: float | None
    share: float
    confidence: float
    n: int
    factor: float | None = None


def normal_interval(
    values: Iterable[float | None], *, share: float = 0.95, confidence: float = 0.95, side: Side = "both"
) -> ToleranceInterval | Unanswered:
    """Return the tolerance interval of a normal population from a sample (exact factors)."""
    sample = finite(values)
    sd = spread_of(sample)
    if isinstance(sd, Unanswered):
        return sd
    n, mean = int(sample.size), float(np.mean(sample))
    factor = (k_two_sided if side == "both" else k_one_sided)(n, share, confidence)
    return ToleranceInterval(
        low=None if side == "upper" else mean - factor * sd,
        high=None if side == "lower" else mean + factor * sd,
        share=share,
        confidence=confidence,
        n=n,
        factor=factor,
    )


@lru_cache(maxsize=4096)
def k_one_sided(
    n: int, share: float = 0.95, confidence: float = 0.95, *, method: Literal["exact", "natrella"] = "exact"
) -> float:
    """Return k so that mean + k s lies above `share` of a normal population, with `confidence`.

    `natrella` is defined only where the sample is large enough (its term a must be above 0).

    Source: exact, noncentral t, ISO 16269-6; Natrella, e-Handbook 7.2.6.3.
    """
    from scipy.special import nctdtrit, ndtri

    _check_request(n, share, confidence)
    z_share, z_confidence = float(ndtri(share)), float(ndtri(confidence))
    if method == "exact":
        return float(nctdtrit(n - 1, z_share * math.sqrt(n), confidence)) / math.sqrt(n)
    a = 1 - z_confidence**2 / (2 * (n - 1))
    b = z_share**2 - z_confidence**2 / n
    if a <= 0:
        raise ValueError(f"Natrella's approximation does not exist for n = {n} at confidence {confidence}")
    return (z_share + math.sqrt(z_share**2 - a * b)) / a


@lru_cache(maxsize=4096)
def k_two_sided(
    n: int, share: float = 0.95, confidence: float = 0.95, *, method: Literal["exact", "howe"] = "exact"
) -> float:
    """Return k so that mean ± k s holds `share` of a normal population, with `confidence`.

    Source: exact, double integral over mean and standard deviation, ISO 16269-6; Howe, e-Handbook 7.2.6.3.
    """
    from scipy.special import chdtri, ndtri

    _check_request(n, share, confidence)
    # chdtri takes the upper tail: the value that chi-square with n - 1 exceeds with `confidence`.
    chi_square = float(chdtri(n - 1, confidence))
    howe = float(ndtri((1 + share) / 2)) * math.sqrt((n - 1) * (1 + 1 / n) / chi_square)
    if method == "howe":
        return howe
    low, high = howe / 3, howe * 3
    while high - low > 1e-11 * howe:
        middle = (low + high) / 2
        low, high = (middle, high) if _confidence_of(middle, n, share) < confidence else (low, middle)
    return (low + high) / 2


def _check_request(n: int, share: float, confidence: float) -> None:
    if n < 2:
        raise ValueError(f"n is {n}; a spread needs two units")
    if not (0 < share < 1 and 0 < confidence < 1):
        raise ValueError(f"share {share} and confidence {confidence} must lie between 0 and 1")


@lru_cache(maxsize=512)
def _half_widths(n: int, share: float) -> tuple[FloatArray, FloatArray]:
    """Return weights of the sample mean's place, and the half width (in sigma) that holds `share` about it."""
    from scipy.special import ndtr

    nodes, weights = np.polynomial.legendre.leggauss(120)
    z = 4.5 * (nodes + 1)  # by symmetry 0 to 9 standard errors
    density = 4.5 * weights * 2 * np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi)
    off_centre = z / math.sqrt(n)
    low, high = np.zeros_like(z), off_centre + 9.0
    for _ in range(60):
        middle = (low + high) / 2
        too_wide = ndtr(off_centre + middle) - ndtr(off_centre - middle) > share
        low, high = np.where(too_wide, low, middle), np.where(too_wide, middle, high)
    return density, (low + high) / 2


def _confidence_of(k: float, n: int, share: float) -> float:
    """Return with which confidence mean ± k s holds `share`."""
    from scipy.special import chdtrc

    density, half_width = _half_widths(n, share)
    return float(np.sum(density * chdtrc(n - 1, (n - 1) * (half_width / k) ** 2)))


def needed_units(share: float, confidence: float = 0.95, *, side: Side = "upper") -> int:
    """Return how many units, all clean, prove that `share` of all units lies within what they span.

    One-sided the smallest n with share^n <= 1 - confidence (59 for 95/95, 299 for 99 % at 95 %); for both
    sides the span from the least to the largest.

    Source: e-Handbook 7.2.6.4; ISO 16269-6.
    """
    _check_request(2, share, confidence)
    if side != "both":
        return math.ceil(math.log1p(-confidence) / math.log(share) - 1e-9)
    n = 2
    while _span_confidence(n, share) < confidence:
        n += 1
    return n


def _span_confidence(n: int, share: float) -> float:
    return 1 - n * share ** (n - 1) + (n - 1) * share**n


def distribution_free_interval(
    values: Iterable[float | None], *, share: float = 0.95, confidence: float = 0.95, side: Side = "both"
) -> ToleranceInterval | Unanswered:
    """Return a tolerance interval from order statistics, whatever the distribution.

    The innermost order statistics that still reach the confidence are taken. Too few units are said, with
    the number that it takes.

    Source: e-Handbook 7.2.6.4 (the number of units within is binomial).
    """
    from scipy.special import bdtr

    ordered = np.sort(finite(values))
    n = int(ordered.size)
    needed = needed_units(share, confidence, side=side)
    if n < needed:
        why = reason("units-without-shape", count=n, needed=needed, share=share, confidence=confidence)
        return Unanswered(why=why)
    # Leaving out `cut` units at the ends: confidence = P(binomial(n, share) <= n - 1 - cut).
    least = 1 if side == "both" else 0
    cuts = np.arange(least, n)
    reached = bdtr(n - 1 - cuts, n, share)
    cut = int(cuts[np.flatnonzero(reached >= confidence)[-1]])
    low_cut = 0 if side == "upper" else (cut - least) // 2 if side == "both" else cut
    high_cut = cut - least - low_cut if side == "both" else cut
    return ToleranceInterval(
        low=None if side == "upper" else float(ordered[low_cut]),
        high=None if side == "lower" else float(ordered[n - 1 - high_cut]),
        share=share,
        confidence=float(bdtr(n - 1 - cut, n, share)),
        n=n,
    )
