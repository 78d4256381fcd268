"""What a decision rule costs: bad units accepted, good units rejected.

Source: JCGM 106:2012, 9.5 (global risks; from memory). The true values are normal about the process mean, the
measured one is normal about the true one; both risks are rectangles under a bivariate normal density.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["GlobalRisks", "global_risks"]

# A limit that is not there lies this many standard deviations away: beyond all double precision.
_FAR = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GlobalRisks:
    """Shares of all units made and measured.

    Attributes:
        conforming: True value within the tolerance limits.
        accepted: Measured value within the acceptance limits.
        false_accept: Outside the tolerance and accepted (the customer's risk).
        false_reject: Within the tolerance and not accepted (the maker's risk).
    """

    conforming: float
    accepted: float
    false_accept: float
    false_reject: float


def global_risks(
    *,
    process_mean: float,
    process_sd: float,
    standard_uncertainty: float,
    minimum: float | None = None,
    maximum: float | None = None,
    guard_band: float = 0.0,
) -> GlobalRisks:
    """Return the risks of accepting what is measured inside the limits by at least `guard_band`.

    All arguments are in the unit of the limits; `guard_band` may be negative (guarded rejection).

    Raises:
        ValueError: No limit, or a spread or uncertainty that is not above 0.
    """
    if minimum is None and maximum is None:
        raise ValueError("global_risks() needs a minimum or a maximum")
    if not (process_sd > 0 and standard_uncertainty > 0):
        raise ValueError("process_sd and standard_uncertainty must be above 0")
    seen_sd = math.hypot(process_sd, standard_uncertainty)
    true = _scaled(minimum, maximum, 0.0, process_mean, process_sd)
    seen = _scaled(minimum, maximum, guard_band, process_mean, seen_sd)
    both = _rectangle(true, seen, process_sd / seen_sd)
    conforming = _share(*true)
    accepted = _share(*seen)
    return GlobalRisks(
        conforming=conforming,
        accepted=accepted,
        false_accept=max(0.0, accepted - both),
        false_reject=max(0.0, conforming - both),
    )


def _scaled(minimum: float | None, maximum: float | None, guard: float, mean: float, sd: float) -> tuple[float, float]:
    low = -_FAR if minimum is None else (minimum + guard - mean) / sd
    high = _FAR if maximum is None else (maximum - guard - mean) / sd
    return low, max(low, high)


def _share(low: float, high: float) -> float:
    from scipy.special import ndtr

    return float(ndtr(high) - ndtr(low))


def _rectangle(x: tuple[float, float], y: tuple[float, float], correlation: float) -> float:
    corners = [(x[1], y[1], 1), (x[0], y[1], -1), (x[1], y[0], -1), (x[0], y[0], 1)]
    return sum(sign * _both_below(h, k, correlation) for h, k, sign in corners)


def _both_below(h: float, k: float, correlation: float) -> float:
    """Return P(X <= h, Y <= k) of the standard bivariate normal distribution.

    Source: Owen (1956), by his T function.
    """
    from scipy.special import ndtr, owens_t

    if h == 0 and k == 0:
        return 0.25 + math.asin(correlation) / (2 * math.pi)
    root = math.sqrt(1 - correlation**2)
    h_slope = (k - correlation * h) / (h * root) if h else math.copysign(math.inf, k)
    k_slope = (h - correlation * k) / (k * root) if k else math.copysign(math.inf, h)
    across = 0.5 if h * k < 0 or (h * k == 0 and h + k < 0) else 0.0
    return float(0.5 * (ndtr(h) + ndtr(k)) - owens_t(h, h_slope) - owens_t(k, k_slope) - across)
