"""What units measured so far prove of those still to come: tolerance interval, capability, and what is missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from verifyrig.capability import (
    FEWEST_FOR_A_CLAIM,
    Capability,
    Normality,
    ToleranceInterval,
    Unanswered,
    capability,
    check_normality,
    clean_units_missing,
    distribution_free_interval,
    normal_interval,
    units_for_claim,
    zero_events_bound,
)
from verifyrig.capability.samples import FloatArray
from verifyrig.capability.tolerance import Side
from verifyrig.core.reason import Reason, reason
from verifyrig.core.run_columns import Coded
from verifyrig.qa.benches import bench_interval

__all__ = ["CONFIDENCE", "SHARE", "SampleClaim", "claim_for"]

# The claim that is made for the units still to come: 95 % of them within the limits, at 95 % confidence.
SHARE = 0.95
CONFIDENCE = 0.95
# With this much room 95 % lie within the limits whatever the shape: Chebyshev, 1/k² = 5 % at k = 4.47 = 3 x 1.49.
_PPK_FOR_ANY_SHAPE = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleClaim:
    """What a sample proves, in its unit; None where it proves nothing, with the reason in `notes`.

    Attributes:
        why_not_proven: Why "95 % of all units lie within the limits" is not proven; None where it is, and for
            counts, of which the notes give the bound.
        proven_share: Of what share of all units the sample proves that they lie within the limits; None of none.
    """

    n: int
    has_limit: bool
    tolerance_low: float | None = None
    tolerance_high: float | None = None
    cpk: float | None = None
    cpk_low: float | None = None
    ppk: float | None = None
    ppk_low: float | None = None
    why_not_proven: Reason | None = None
    proven_share: float | None = None
    notes: tuple[Reason, ...] = ()


def claim_for(
    sample: FloatArray,
    minimum: float | None,
    maximum: float | None,
    *,
    count: bool = False,
    steady: bool = True,
    benches: Coded | None = None,
) -> SampleClaim:
    """Return what a sample of finite values, in order of time, proves against the limits (either may be None).

    Args:
        count: Whether the values are counts, of which no spread is taken.
        steady: Whether the series shows no order; of one that changed on the way nothing follows for further units.
        benches: The bench of each value; None where nothing is known of benches.
    """
    n, has_limit = int(sample.size), minimum is not None or maximum is not None
    provisional = reason("claim-provisional", count=n) if n < FEWEST_FOR_A_CLAIM else None
    side: Side = "both" if (minimum is None) == (maximum is None) else "upper" if minimum is None else "lower"
    interval = normal_interval(sample, share=SHARE, confidence=CONFIDENCE, side=side)
    if count or isinstance(interval, Unanswered):
        notes = _count_notes(sample.tolist(), minimum, maximum)
        notes += [interval.why] if isinstance(interval, Unanswered) and n and not count else []
        return SampleClaim(
            n=n,
            has_limit=has_limit,
            why_not_proven=provisional,
            proven_share=_share_of_clean(sample, minimum, maximum),
            notes=tuple(notes),
        )
    if not steady:
        unsteady = reason("claim-unsteady") if has_limit else None
        return SampleClaim(
            n=n, has_limit=has_limit, why_not_proven=unsteady, notes=(provisional,) if provisional else ()
        )
    shape_note, interval, doubtful = _for_shape(sample, interval, side)
    across, of_benches = bench_interval(sample, benches or Coded.of([None] * n), side, SHARE, CONFIDENCE)
    interval = across or interval
    index = capability(sample, minimum=minimum, maximum=maximum, confidence=CONFIDENCE) if has_limit else None
    found = index if isinstance(index, Capability) else None
    why = provisional or _why_not_proven(interval, found, minimum, maximum, doubtful)
    missing = _more_units(sample, minimum, maximum) if has_limit and why else []
    return SampleClaim(
        n=n,
        has_limit=has_limit,
        tolerance_low=interval.low,
        tolerance_high=interval.high,
        cpk=found.cpk if found else None,
        cpk_low=found.cpk_low if found else None,
        ppk=found.ppk if found else None,
        # The bound takes all units for independent, which those of one bench are not.
        ppk_low=found.ppk_low if found and across is None else None,
        why_not_proven=why if has_limit else None,
        proven_share=SHARE if has_limit and why is None else None,
        notes=tuple(note for note in (provisional, shape_note, of_benches, *missing) if note is not None),
    )


def _for_shape(
    sample: FloatArray, interval: ToleranceInterval, side: Side
) -> tuple[Reason | None, ToleranceInterval, bool]:
    """Return what must be said of the shape, the interval that suits it, and whether a doubt remains."""
    normality = check_normality(sample)
    if not isinstance(normality, Normality) or not normality.doubtful:
        return None, interval, False
    p_value = normality.p_value
    free = distribution_free_interval(sample, share=SHARE, confidence=CONFIDENCE, side=side)
    if isinstance(free, Unanswered):
        return reason("claim-not-normal", p_value=p_value, why=(free.why,)), interval, True
    return reason("claim-order-statistics", p_value=p_value), free, False


def _why_not_proven(
    interval: ToleranceInterval,
    index: Capability | None,
    minimum: float | None,
    maximum: float | None,
    doubtful: bool,
) -> Reason | None:
    if not _holds(interval, minimum, maximum):
        return reason("claim-reaches-over")
    if doubtful and index is not None and index.ppk_low < _PPK_FOR_ANY_SHAPE:
        return reason("claim-too-near")
    return None


def _holds(interval: ToleranceInterval, minimum: float | None, maximum: float | None) -> bool:
    low_ok = minimum is None or (interval.low is not None and interval.low >= minimum)
    return low_ok and (maximum is None or (interval.high is not None and interval.high <= maximum))


def _share_of_clean(sample: FloatArray, minimum: float | None, maximum: float | None) -> float | None:
    """Return what units of which none lies outside prove of the others; None where one does, or nothing limits."""
    inside = (minimum is None or sample >= minimum) & (maximum is None or sample <= maximum)
    if not sample.size or (minimum is None and maximum is None) or not np.all(inside):
        return None
    return min(SHARE, 1 - zero_events_bound(int(sample.size), CONFIDENCE))


def _count_notes(values: Sequence[float], minimum: float | None, maximum: float | None) -> list[Reason]:
    good = [v for v in values if (minimum is None or v >= minimum) and (maximum is None or v <= maximum)]
    if len(good) < len(values) or not values or (minimum is None and maximum is None):
        return []
    most = zero_events_bound(len(good), CONFIDENCE)
    missing = clean_units_missing(len(good), SHARE, CONFIDENCE)
    if missing:
        return [reason("claim-none-outside-more", count=len(good), most=most, more=missing)]
    return [reason("claim-none-outside", count=len(good), most=most)]


def _more_units(sample: FloatArray, minimum: float | None, maximum: float | None) -> list[Reason]:
    needed = units_for_claim(sample, minimum=minimum, maximum=maximum, share=SHARE, confidence=CONFIDENCE)
    if isinstance(needed, Unanswered):
        return [needed.why]
    more = needed - int(sample.size)
    return [reason("claim-more-units", more=more)] if more > 0 else []
