"""Gauge study: how much of what is seen comes from measuring, and how much from the units.

The second factor is whatever is repeated between readings of one unit: persons, or taking the probe off and
mounting it again. Sources: ANOVA method of crossed gauge studies (from memory of the common manual); limits
10 % and 30 % and five distinct categories are common practice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy.typing as npt

from verifyrig.capability.anova import CrossedAnova, crossed_anova
from verifyrig.capability.samples import Unanswered
from verifyrig.core.reason import reason

__all__ = ["GaugeStudy", "gauge_study"]

# An interaction less significant than this is pooled with the repeats (common practice).
_POOLED_ABOVE_P = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStudy:
    """Standard deviations, in the values' unit, and what they make of the gauge.

    Attributes:
        factor: Name of the second factor, such as `remount` or `person`.
        repeat_sd: Reading again without touching anything.
        factor_sd: From the second factor, its interaction with the units included.
        gauge_sd: Both together.
        unit_sd: True spread of the units.
        tolerance_share: 6 gauge_sd over the width of the tolerance; None without one.
        pooled: Whether the interaction was taken as mere repeats.
    """

    factor: str
    repeat_sd: float
    factor_sd: float
    gauge_sd: float
    unit_sd: float
    tolerance_share: float | None
    pooled: bool
    anova: CrossedAnova

    @property
    def total_sd(self) -> float:
        """Everything together."""
        return math.hypot(self.gauge_sd, self.unit_sd)

    @property
    def study_share(self) -> float:
        """Gauge over everything seen in the study, as standard deviations."""
        return self.gauge_sd / self.total_sd

    @property
    def distinct_categories(self) -> int:
        """How many groups of units the gauge can tell apart: whole part of 1.41 unit_sd/gauge_sd, at least 1."""
        return max(1, math.floor(math.sqrt(2) * self.unit_sd / self.gauge_sd))

    @property
    def fitness(self) -> str:
        """`fit`, `conditional` or `unfit`, by the share of the tolerance, else of the study."""
        share = self.study_share if self.tolerance_share is None else self.tolerance_share
        return "fit" if share < 0.10 else "conditional" if share <= 0.30 else "unfit"


def gauge_study(
    table: npt.ArrayLike, *, tolerance_width: float | None = None, factor: str = "remount"
) -> GaugeStudy | Unanswered:
    """Return the gauge study of a full table, shape (units, levels of the second factor, repeats).

    Args:
        tolerance_width: Upper minus lower limit, in the values' unit; with one limit, twice the distance
            from the units' mean to it.

    Raises:
        ValueError: The table does not have three axes, or the tolerance is not above 0.
    """
    if tolerance_width is not None and not tolerance_width > 0:
        raise ValueError(f"tolerance_width is {tolerance_width}, and must be above 0")
    anova = crossed_anova(table)
    if isinstance(anova, Unanswered):
        return anova
    pooled, repeat_variance, mixed_variance, reference = _repeats(anova)
    units, levels, repeats = anova.sizes
    factor_variance = max(0.0, (anova.second.mean_square - reference) / (units * repeats))
    unit_variance = max(0.0, (anova.first.mean_square - reference) / (levels * repeats))
    gauge_sd = math.sqrt(repeat_variance + factor_variance + mixed_variance)
    if gauge_sd == 0:
        return Unanswered(why=reason("repeats-equal"))
    return GaugeStudy(
        factor=factor,
        repeat_sd=math.sqrt(repeat_variance),
        factor_sd=math.sqrt(factor_variance + mixed_variance),
        gauge_sd=gauge_sd,
        unit_sd=math.sqrt(unit_variance),
        tolerance_share=None if tolerance_width is None else 6 * gauge_sd / tolerance_width,
        pooled=pooled,
        anova=anova,
    )


def _repeats(anova: CrossedAnova) -> tuple[bool, float, float, float]:
    """Return whether interaction is pooled, variance of repeats and of interaction, and the mean square to beat."""
    mixed, residual = anova.interaction, anova.residual
    if residual.dof == 0 or (mixed.p_value is not None and mixed.p_value > _POOLED_ABOVE_P):
        pooled = (mixed.sum_of_squares + residual.sum_of_squares) / (mixed.dof + residual.dof)
        return True, pooled, 0.0, pooled
    mixed_variance = max(0.0, (mixed.mean_square - residual.mean_square) / anova.sizes[2])
    return False, residual.mean_square, mixed_variance, mixed.mean_square
