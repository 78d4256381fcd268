"""Analysis of variance: one factor, and two crossed factors with repeats.

Numbers with many common leading digits are safe: the first value is taken off exactly before anything is summed.
Source: any textbook; checked against NIST StRD and an independent library.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from verifyrig.capability.samples import FloatArray, Unanswered, finite
from verifyrig.core.reason import reason

__all__ = ["AnovaLine", "CrossedAnova", "OneWayAnova", "crossed_anova", "one_way_anova"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AnovaLine:
    """One line of the table; F and p are None for the residual, or where the residual is 0."""

    source: str
    sum_of_squares: float
    dof: int
    f: float | None = None
    p_value: float | None = None

    @property
    def mean_square(self) -> float:
        return self.sum_of_squares / self.dof if self.dof else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class OneWayAnova:
    """Between groups and within."""

    between: AnovaLine
    within: AnovaLine

    @property
    def residual_sd(self) -> float:
        return math.sqrt(self.within.mean_square)


def one_way_anova(groups: Sequence[Iterable[float | None]]) -> OneWayAnova | Unanswered:
    """Return the one-factor analysis of groups that may differ in size; groups without a value are left out."""
    samples = [sample for group in groups if (sample := finite(group)).size]
    n = sum(sample.size for sample in samples)
    if len(samples) < 2 or n <= len(samples):
        return Unanswered(why=reason("values-in-groups", count=n, groups=len(samples)))
    origin = samples[0][0]
    shifted = [sample - origin for sample in samples]
    grand = math.fsum(value for sample in shifted for value in sample) / n
    means = [math.fsum(sample) / sample.size for sample in shifted]
    between = math.fsum(sample.size * (mean - grand) ** 2 for sample, mean in zip(shifted, means, strict=True))
    within = math.fsum((value - mean) ** 2 for sample, mean in zip(shifted, means, strict=True) for value in sample)
    if between + within == 0:
        return Unanswered(why=reason("units-equal", count=n))
    dof_between, dof_within = len(samples) - 1, n - len(samples)
    f, p = _f_test(between, dof_between, within, dof_within)
    return OneWayAnova(
        between=AnovaLine(source="between", sum_of_squares=between, dof=dof_between, f=f, p_value=p),
        within=AnovaLine(source="within", sum_of_squares=within, dof=dof_within),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossedAnova:
    """Two crossed factors. Without repeats `interaction` holds all that is left and `residual` has dof 0."""

    first: AnovaLine
    second: AnovaLine
    interaction: AnovaLine
    residual: AnovaLine
    sizes: tuple[int, int, int]


def crossed_anova(table: npt.ArrayLike) -> CrossedAnova | Unanswered:
    """Return the analysis of a full table, shape (first factor, second factor, repeats).

    F is taken against the interaction, as for random factors (the wish of a gauge study), and the interaction
    against the residual.

    Raises:
        ValueError: The table does not have three axes, or has no full cells.
    """
    values = np.asarray(table, dtype=np.float64)
    if values.ndim != 3 or min(values.shape) < 1:
        raise ValueError(f"the table has shape {values.shape}; (first, second, repeats) is needed")
    firsts, seconds, repeats = values.shape
    if not np.isfinite(values).all():
        return Unanswered(why=reason("study-has-gaps"))
    if firsts < 2 or seconds < 2:
        return Unanswered(why=reason("study-not-crossed", rows=firsts, columns=seconds))
    sums = _crossed_sums(values)
    if sum(sums) == 0:
        return Unanswered(why=reason("units-equal", count=int(values.size)))
    dofs = (firsts - 1, seconds - 1, (firsts - 1) * (seconds - 1), firsts * seconds * (repeats - 1))
    return _crossed_lines(sums, dofs, (firsts, seconds, repeats))


def _crossed_sums(values: FloatArray) -> tuple[float, float, float, float]:
    """Return the sums of squares of first factor, second factor, interaction and residual."""
    shifted = values - values.flat[0]
    shifted = shifted - shifted.mean()
    firsts, seconds, repeats = values.shape
    cells = shifted.mean(axis=2)
    first_effect, second_effect = cells.mean(axis=1), cells.mean(axis=0)
    mixed = cells - first_effect[:, None] - second_effect[None, :]
    return (
        seconds * repeats * float(np.sum(first_effect**2)),
        firsts * repeats * float(np.sum(second_effect**2)),
        repeats * float(np.sum(mixed**2)),
        float(np.sum((shifted - cells[:, :, None]) ** 2)),
    )


def _crossed_lines(
    sums: tuple[float, float, float, float], dofs: tuple[int, int, int, int], sizes: tuple[int, int, int]
) -> CrossedAnova:
    by_interaction = [_f_test(sums[i], dofs[i], sums[2], dofs[2]) for i in (0, 1)]
    mixed_f, mixed_p = _f_test(sums[2], dofs[2], sums[3], dofs[3])
    (first_f, first_p), (second_f, second_p) = by_interaction
    return CrossedAnova(
        first=AnovaLine(source="first", sum_of_squares=sums[0], dof=dofs[0], f=first_f, p_value=first_p),
        second=AnovaLine(source="second", sum_of_squares=sums[1], dof=dofs[1], f=second_f, p_value=second_p),
        interaction=AnovaLine(source="interaction", sum_of_squares=sums[2], dof=dofs[2], f=mixed_f, p_value=mixed_p),
        residual=AnovaLine(source="residual", sum_of_squares=sums[3], dof=dofs[3]),
        sizes=sizes,
    )


def _f_test(upper: float, upper_dof: int, lower: float, lower_dof: int) -> tuple[float | None, float | None]:
    from scipy.special import fdtrc

    if lower_dof < 1 or lower == 0:
        return None, None
    f = (upper / upper_dof) / (lower / lower_dof)
    return f, float(fdtrc(upper_dof, lower_dof, f))
