"""Uncertainty budgets: components, effective degrees of freedom, coverage factor, expanded uncertainty.

Source: JCGM 100:2008 (GUM), 5.1.2, G.3 and G.4; where bounds are among the components, the convolution of their
distributions (JCGM 101:2008, 5.2), since a bound taken at k = 2 would reach beyond itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from verifyrig.metrology.convolution import expanded_half_width

__all__ = [
    "Combined",
    "Component",
    "combine",
    "coverage_factor",
    "effective_dof",
    "standard_from_expanded",
    "standard_from_half_width",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One line of an uncertainty budget.

    Attributes:
        name: What the uncertainty comes from, in words for the budget table.
        standard_uncertainty: u (k = 1) of the input, in the input's unit, >= 0.
        sensitivity: Change of the result for a change of the input by 1.
        dof: Degrees of freedom of `standard_uncertainty`, above 0; infinite where it is taken as known.
        rectangular: Whether the input lies anywhere within a bound alike, and never beyond it; else it is normal.

    Raises:
        ValueError: `standard_uncertainty` is negative or not a number, or `dof` is not above 0.
    """

    name: str
    standard_uncertainty: float
    sensitivity: float = 1.0
    dof: float = math.inf
    rectangular: bool = False

    @classmethod
    def within(cls, name: str, half_width: float, sensitivity: float = 1.0) -> Component:
        """Return the line of an input that lies anywhere within ± `half_width`, in the input's unit."""
        u = standard_from_half_width(half_width)
        return cls(name=name, standard_uncertainty=u, sensitivity=sensitivity, rectangular=True)

    def __post_init__(self) -> None:
        if not self.standard_uncertainty >= 0:
            raise ValueError(f"{self.name}: standard uncertainty {self.standard_uncertainty} is not >= 0")
        if not self.dof > 0:
            raise ValueError(f"{self.name}: {self.dof} degrees of freedom are not above 0")

    @property
    def contribution(self) -> float:
        """u of the result from this line alone, in the result's unit."""
        return abs(self.sensitivity) * self.standard_uncertainty


class Combined(NamedTuple):
    """The foot of a budget, all uncertainties in the result's unit."""

    standard_uncertainty: float
    effective_dof: float
    coverage_factor: float
    expanded_uncertainty: float


def combine(components: Sequence[Component], p: float = 0.95) -> Combined:
    """Return the combined result of independent components, expanded for coverage probability `p`.

    Rectangular components are convolved with the others, which together are t-distributed. Where there is none, that
    is the coverage factor of the effective degrees of freedom.

    Source: JCGM 100:2008, 5.1.2 (root sum of squares) and G.6.4 (expanded uncertainty from the t-distribution);
    JCGM 101:2008, 5.2.
    """
    standard = math.hypot(*(component.contribution for component in components))
    dof = effective_dof(components)
    bounds = [math.sqrt(3) * line.contribution for line in components if line.rectangular and line.contribution > 0]
    others = [line for line in components if not line.rectangular]
    # Less than one degree of freedom has no mean to speak of: what it gives is far beyond every bound.
    if not bounds or not math.isfinite(standard) or effective_dof(others) < 1.0:
        factor = coverage_factor(dof, p)
        return Combined(standard, dof, factor, factor * standard)
    scale = math.hypot(*(line.contribution for line in others))
    expanded = expanded_half_width(scale, effective_dof(others), bounds, p)
    return Combined(standard, dof, expanded / standard, expanded)


def effective_dof(components: Sequence[Component]) -> float:
    """Return the degrees of freedom of the combined uncertainty; infinite where nothing was estimated.

    Source: Welch–Satterthwaite, JCGM 100:2008, G.4.1: u_c^4 / sum(u_i^4 / nu_i).
    """
    contributions = [component.contribution for component in components]
    largest = max(contributions, default=0.0)
    if largest == 0.0 or not math.isfinite(largest):
        return math.inf
    # Divided by the largest first: the fourth power of a very small figure would vanish.
    shares = [contribution / largest for contribution in contributions]
    spread = sum(share**4 / component.dof for share, component in zip(shares, components, strict=True))
    return math.inf if spread == 0.0 else sum(share**2 for share in shares) ** 2 / spread


def coverage_factor(dof: float, p: float = 0.95) -> float:
    """Return k for coverage probability `p`, two-sided, from the t-distribution with `dof` degrees of freedom.

    Degrees of freedom that are not whole are interpolated, not cut down to the next whole number: both are
    allowed, and only this one lets U change steadily with its inputs.

    Raises:
        ValueError: `dof` is not above 0, or `p` not between 0 and 1.

    Source: JCGM 100:2008, G.3.4, G.4.1 and Table G.2.
    """
    from scipy.special import ndtri, stdtrit

    if not dof > 0:
        raise ValueError(f"{dof} degrees of freedom are not above 0")
    if not 0 < p < 1:
        raise ValueError(f"coverage probability {p} is not between 0 and 1")
    upper_tail_at = (1 + p) / 2
    return float(ndtri(upper_tail_at) if math.isinf(dof) else stdtrit(dof, upper_tail_at))


def standard_from_half_width(half_width: float) -> float:
    """Return u of a rectangular distribution ± `half_width` (a tolerance, half a resolution step), same unit.

    Source: JCGM 100:2008, 4.3.7.
    """
    return half_width / math.sqrt(3)


def standard_from_expanded(expanded_uncertainty: float, coverage: float = 2.0) -> float:
    """Return u from an expanded uncertainty and its stated coverage factor (2 unless a paper says otherwise).

    Source: JCGM 100:2008, 4.3.3.
    """
    return expanded_uncertainty / coverage
