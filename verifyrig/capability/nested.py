"""Where the spread of units comes from: components of variance of nested groups, and what holds of a unit of any group.

Sources: analysis of variance of an unbalanced nested classification with its expected mean squares (Searle, Casella
and McCulloch, Variance Components, 1992, chapter 5); tolerance limits of the one-way random model by a generalised
pivotal quantity (Krishnamoorthy and Mathew, Technometrics 46, 2004). From memory; checked by simulation in the tests.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from verifyrig.capability.samples import FloatArray, Unanswered
from verifyrig.capability.tolerance import Side, ToleranceInterval
from verifyrig.core.reason import reason
from verifyrig.core.run_columns import Coded

__all__ = ["SpreadSource", "grouped_interval", "nested_components"]

_Codes = npt.NDArray[np.intp]
_DRAWS = 20_000
_SEED = 88_211
# Of two groups nothing follows for a third: the spread between groups has one degree of freedom.
FEWEST_GROUPS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadSource:
    """One source of spread.

    Attributes:
        sd: Its standard deviation in the values' unit; 0 where the estimate of its variance is negative.
        share: Of the whole variance.
        dof: Degrees of freedom that it is estimated with.
    """

    name: str
    sd: float
    share: float
    dof: int


def nested_components(
    values: Iterable[float], factors: Sequence[tuple[str, Sequence[Hashable]]], residual: str
) -> list[SpreadSource] | Unanswered:
    """Return the components of variance, outermost first, the residual last.

    Args:
        values: Finite values, shape (n,).
        factors: Name and group of each value, from the outermost inwards; a group belongs to one outer group, so the
            same label in two outer groups means two groups. Factors that tell nothing apart are left out.
        residual: Name of what remains within the innermost groups.
    """
    y = np.array(list(values), dtype=np.float64)
    levels = _levels(factors, y.size)
    if y.size < 3 or not levels:
        return Unanswered(why=reason("components-no-groups", count=int(y.size)))
    names = [name for name, _ in levels] + [residual]
    codes: list[_Codes] = [np.zeros(y.size, dtype=np.intp), *(own for _, own in levels), np.arange(y.size)]
    squares = np.diff([_between(y, own) for own in codes])
    dof = np.diff([int(own.max()) + 1 for own in codes])
    # The expected sum of squares of line i holds component j by the trace of its projection on j's groups.
    traces = np.array([[_trace(own, inner) for inner in codes[1:]] for own in codes])
    variances = np.linalg.solve(np.diff(traces, axis=0), squares)
    positive = np.clip(variances, 0.0, None)
    whole = float(positive.sum())
    if whole <= 0:
        return Unanswered(why=reason("units-equal-no-spread", count=int(y.size)))
    return [
        SpreadSource(name=name, sd=float(np.sqrt(variance)), share=float(variance / whole), dof=int(freedom))
        for name, variance, freedom in zip(names, positive, dof, strict=True)
    ]


def _levels(factors: Sequence[tuple[str, Sequence[Hashable]]], n: int) -> list[tuple[str, _Codes]]:
    """Return name and group numbers of each factor that tells more apart than the one outside it, and not all apart."""
    levels: list[tuple[str, _Codes]] = []
    outer: list[Hashable] = [None] * n
    groups = 1
    for name, labels in factors:
        joint = list(zip(outer, labels, strict=True))
        order = {label: at for at, label in enumerate(dict.fromkeys(joint))}
        if groups < len(order) < n:
            levels.append((name, np.array([order[label] for label in joint], dtype=np.intp)))
            outer, groups = list(joint), len(order)
    return levels


def _between(y: FloatArray, codes: _Codes) -> float:
    sums, counts = np.bincount(codes, weights=y - y.mean()), np.bincount(codes)
    return float(np.sum(sums**2 / counts))


def _trace(outer: _Codes, inner: _Codes) -> float:
    """Return trace(P Z Z'), P the projection on the outer groups, Z the incidence of the inner ones."""
    pairs, counts = np.unique(np.stack([outer, inner]), axis=1, return_counts=True)
    return float(np.sum(counts**2 / np.bincount(outer)[pairs[0]]))


def grouped_interval(
    values: Sequence[float] | FloatArray,
    groups: Sequence[Hashable] | Coded,
    *,
    share: float = 0.95,
    confidence: float = 0.95,
    side: Side,
) -> ToleranceInterval | Unanswered:
    """Return between what values `share` of all units of all groups lies, those of groups not yet seen included.

    Both the spread between groups and that within them are random and normal. Two-sided limits are those of both
    sides for (1 + share)/2 each, which is on the safe side.
    """
    from scipy.special import ndtri

    column = np.asarray(values, dtype=np.float64)
    coded = groups if isinstance(groups, Coded) else Coded.of(groups)
    present, first = np.unique(coded.codes, return_index=True)
    samples = [column[coded.codes == code] for code in present[np.argsort(first)]]
    a, n = len(samples), len(values)
    if a < FEWEST_GROUPS or n - a < 2:
        return Unanswered(why=reason("groups-too-few", count=a, needed=FEWEST_GROUPS))
    means = np.array([sample.mean() for sample in samples])
    size = a / sum(1 / sample.size for sample in samples)  # harmonic mean: unweighted sums of squares
    between = size * float(np.sum((means - means.mean()) ** 2))
    within = float(sum(np.sum((sample - sample.mean()) ** 2) for sample in samples))
    rng = np.random.default_rng(_SEED)
    between_draw = between / rng.chisquare(a - 1, _DRAWS)
    within_draw = within / rng.chisquare(n - a, _DRAWS)
    spread = np.sqrt(between_draw / size + (1 - 1 / size) * within_draw)
    centre = rng.standard_normal(_DRAWS) * np.sqrt(between_draw / (a * size))
    reach = float(ndtri((1 + share) / 2 if side == "both" else share))
    upper = float(np.quantile(centre + reach * spread, confidence))
    lower = float(np.quantile(centre - reach * spread, 1 - confidence))
    middle = float(means.mean())
    return ToleranceInterval(
        low=None if side == "upper" else middle + lower,
        high=None if side == "lower" else middle + upper,
        share=share,
        confidence=confidence,
        n=n,
    )
