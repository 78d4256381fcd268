"""Setting a limit from golden units: what good units reach, with the room that measuring needs."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from verifyrig.capability.indices import FEWEST_FOR_A_CLAIM
from verifyrig.capability.samples import Unanswered, finite, spread_of
from verifyrig.capability.tolerance import k_one_sided

__all__ = ["LimitProposal", "propose_limit"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitProposal:
    """A threshold for units like these, in the values' unit.

    Attributes:
        side: `max` or `min`.
        limit: The threshold to write into the profile.
        acceptance_limit: Where pass ends: the limit less the guard band. Good units reach up to here.
        factor: k of the one-sided tolerance factor.
        guard_band: Expanded uncertainty of one measurement.
        good_not_passed: Chance that a good unit does not pass outright.
        good_failed: Chance that a good unit fails outright.
        limit_passed: Chance that a unit exactly at the limit passes, which is the worst case.
        fault_passed: Chance that a unit with the stated fault passes; None where none was stated.
        provisional: Too few units for a claim.
    """

    side: Literal["max", "min"]
    limit: float
    acceptance_limit: float
    factor: float
    guard_band: float
    n: int
    mean: float
    sd: float
    good_not_passed: float
    good_failed: float
    limit_passed: float
    fault_passed: float | None
    provisional: bool


def propose_limit(
    golden: Iterable[float | None],
    *,
    u95: float,
    side: Literal["max", "min"] = "max",
    share: float = 0.99,
    confidence: float = 0.95,
    fault_value: float | None = None,
    coverage_factor: float = 2.0,
) -> LimitProposal | Unanswered:
    """Return the limit at which `share` of all good units still pass outright, with `confidence`.

    Acceptance ends at mean + k s of the golden units; the limit lies one guard band (w = U) further out, since
    the decision rule takes it off again. The chances are taken at the sample's own mean and spread; that spread
    is of measured values and so holds the measurement already.

    Args:
        u95: Expanded uncertainty of one measurement, above 0.
        fault_value: True value of a unit with the fault that the limit ought to catch.
        coverage_factor: k within `u95`.

    Raises:
        ValueError: `u95` is not above 0.
    """
    if not u95 > 0:
        raise ValueError(f"u95 is {u95}, and must be above 0")
    sample = finite(golden)
    sd = spread_of(sample)
    if isinstance(sd, Unanswered):
        return sd
    n, mean = int(sample.size), float(np.mean(sample))
    factor = k_one_sided(n, share, confidence)
    outward = 1.0 if side == "max" else -1.0
    acceptance_limit = mean + outward * factor * sd
    standard_uncertainty = u95 / coverage_factor
    return LimitProposal(
        side=side,
        limit=acceptance_limit + outward * u95,
        acceptance_limit=acceptance_limit,
        factor=factor,
        guard_band=u95,
        n=n,
        mean=mean,
        sd=sd,
        good_not_passed=_tail(factor),
        good_failed=_tail(factor + 2 * u95 / sd),
        limit_passed=_tail(coverage_factor),
        fault_passed=(
            None if fault_value is None else _tail(outward * (fault_value - acceptance_limit) / standard_uncertainty)
        ),
        provisional=n < FEWEST_FOR_A_CLAIM,
    )


def _tail(distance_in_sd: float) -> float:
    """Return the share of a normal distribution beyond this distance from its mean."""
    return 0.5 * math.erfc(distance_in_sd / math.sqrt(2))
