"""Outliers: which values do not belong to the others.

Sources: Grubbs (1969), NIST/SEMATECH e-Handbook 1.3.5.17.1; Rosner (1983), e-Handbook 1.3.5.17.3.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from verifyrig.capability.samples import FloatArray, Unanswered, are_equal, as_column
from verifyrig.core.reason import reason

__all__ = ["EsdStep", "GrubbsTest", "find_outliers", "generalised_esd", "grubbs"]

# Rosner: the critical values hold well from 25 units and fairly from 15; below, Grubbs' one suspect.
_FEWEST_FOR_SEVERAL = 15


@dataclass(frozen=True, slots=True, kw_only=True)
class GrubbsTest:
    """Grubbs' test of the one value furthest from the mean.

    Attributes:
        at: Index of the suspect among the values as given.
        statistic: Its distance from the mean in standard deviations.
        critical: What the statistic must exceed.
    """

    at: int
    value: float
    statistic: float
    critical: float

    @property
    def is_outlier(self) -> bool:
        return self.statistic > self.critical


@dataclass(frozen=True, slots=True, kw_only=True)
class EsdStep:
    """One step of the generalised test: the value taken out, its statistic R and critical value lambda."""

    at: int
    value: float
    statistic: float
    critical: float


def grubbs(
    values: Iterable[float | None], *, alpha: float = 0.05, side: Literal["both", "high", "low"] = "both"
) -> GrubbsTest | Unanswered:
    """Return Grubbs' test for a single outlier; for `side` "high" or "low" the one-sided form."""
    places, sample = _placed(values)
    why_not = _too_alike(sample)
    if why_not:
        return why_not
    deviations = sample - sample.mean()
    distances = np.abs(deviations) if side == "both" else deviations if side == "high" else -deviations
    at = int(np.argmax(distances))
    tail = alpha / (2 * sample.size) if side == "both" else alpha / sample.size
    return GrubbsTest(
        at=int(places[at]),
        value=float(sample[at]),
        statistic=float(distances[at] / np.std(sample, ddof=1)),
        critical=_critical(sample.size, tail),
    )


def generalised_esd(
    values: Iterable[float | None], *, most: int, alpha: float = 0.05
) -> tuple[list[int], list[EsdStep]] | Unanswered:
    """Return the indices of the outliers among up to `most`, and every step of the test.

    The number of outliers is the last step whose statistic exceeds its critical value, even where an earlier
    one does not: several outliers hide one another.

    Raises:
        ValueError: `most` is below 1.
    """
    if most < 1:
        raise ValueError(f"most is {most}; at least one suspect is looked at")
    places, sample = _placed(values)
    why_not = _too_alike(sample)
    if why_not:
        return why_not
    steps: list[EsdStep] = []
    n = int(sample.size)
    while len(steps) < most and sample.size >= 3 and not are_equal(sample):
        distances = np.abs(sample - sample.mean())
        at = int(np.argmax(distances))
        tail = alpha / (2 * (n - len(steps)))
        steps.append(
            EsdStep(
                at=int(places[at]),
                value=float(sample[at]),
                statistic=float(distances[at] / np.std(sample, ddof=1)),
                critical=_critical(n - len(steps), tail),
            )
        )
        places, sample = np.delete(places, at), np.delete(sample, at)
    found = max((i + 1 for i, step in enumerate(steps) if step.statistic > step.critical), default=0)
    return [step.at for step in steps[:found]], steps


def find_outliers(values: Iterable[float | None], *, alpha: float = 0.05) -> list[int] | Unanswered:
    """Return the indices of outliers, by the test that suits the number of units: Grubbs, or generalised ESD."""
    listed = as_column(values)
    n = _placed(listed)[1].size
    if n < _FEWEST_FOR_SEVERAL:
        single = grubbs(listed, alpha=alpha)
        return single if isinstance(single, Unanswered) else [single.at] if single.is_outlier else []
    several = generalised_esd(listed, most=min(10, n // 4), alpha=alpha)
    return several if isinstance(several, Unanswered) else several[0]


def _placed(values: Iterable[float | None]) -> tuple[np.ndarray[tuple[int], np.dtype[np.intp]], FloatArray]:
    """Return where the finite values stand among those given, and the values."""
    column = as_column(values)
    places = np.flatnonzero(np.isfinite(column))
    return places, column[places]


def _too_alike(sample: FloatArray) -> Unanswered | None:
    if sample.size < 3:
        return Unanswered(why=reason("units-for-outlier", count=int(sample.size)))
    if are_equal(sample):
        return Unanswered(why=reason("units-equal", count=int(sample.size)))
    return None


def _critical(n: int, tail: float) -> float:
    from scipy.special import stdtrit

    t = -float(stdtrit(n - 2, tail))
    return (n - 1) / math.sqrt(n) * math.sqrt(t**2 / (n - 2 + t**2))
