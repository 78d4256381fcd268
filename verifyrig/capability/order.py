"""Order: is a series of units the same from its first unit to its last, or did something change on the way.

If nothing changed, every order of the units is as likely as the one that was seen. So all orders are compared with
it: by how far ranks climb over time (Spearman 1904), by the largest step between a first and a second part (Pettitt
1979), by how much neighbours resemble one another (Wald and Wolfowitz 1943) and by how far one batch lies from the
rest. The largest of all these over all metrics is held against what it comes to in shuffled orders (Westfall and
Young 1993, single step), so that one chance of a false alarm holds for all metrics and patterns together, whatever
the distribution and however the metrics depend on one another.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from verifyrig.capability.samples import FloatArray, as_column

__all__ = ["FEWEST_FOR_ORDER", "OrderPattern", "OrderSignal", "find_order"]

# Of five units a rising order comes by chance once in 60, and a budget over several metrics can never be met.
FEWEST_FOR_ORDER = 6
# Longer series are taken as means of neighbours: what changes over a series shows in 500 points as well.
_MOST_POINTS = 500
_SHUFFLES = (999, 4999)
# A first look ends where a fifth of the shuffled orders are plainer: four times the level, so nothing is lost by it.
_FIRST_LOOK, _PLAINLY_CHANCE = 249, 0.2
_NUMBERS_SHUFFLED = 2.0e7
_SEED = 20_771
# A step leaves at least this many units on either side; one or two alone are outliers.
_SHORTEST_PART = 3
_EULER = 0.5772156649


class OrderPattern(StrEnum):
    """How a series changes."""

    DRIFT = "drift"
    STEP = "step"
    WAVES = "waves"
    BATCHES = "batches"


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderSignal:
    """One pattern in one metric.

    Attributes:
        p_value: Chance of a pattern this plain in any metric, were no order in any of them.
        at: First unit after a step, as an index of the series; the series' first unit for other patterns.
        batch: Which batch lies apart, for that pattern.
    """

    metric: str
    pattern: OrderPattern
    p_value: float
    at: int = 0
    batch: Hashable = None


def find_order(
    series: Mapping[str, Sequence[float | None] | FloatArray], batches: Sequence[Hashable], *, alpha: float = 0.05
) -> list[OrderSignal]:
    """Return every pattern that is too plain for chance, the plainest first.

    Args:
        series: By metric, one value for each unit in order of time; None where it was not measured.
        batches: The batch of each unit, or None; batches are compared where there are at least two.
        alpha: Chance of any signal at all in units without an order, over all metrics and patterns together.

    Raises:
        ValueError: The series differ in length.
    """
    count = len(batches)
    if any(len(values) != count for values in series.values()):
        raise ValueError("every series must have one value for each unit")
    scored = {name: scores for name, values in series.items() if (scores := _scores(values)) is not None}
    if count < FEWEST_FOR_ORDER or not scored:
        return []
    table, width = _thinned(np.column_stack(list(scored.values())))
    groups = _groups(batches[::width][: len(table)])
    seen = _patterns(table[None], groups)
    for shuffles in (_FIRST_LOOK, _shuffles(table)):
        chance = _shuffled(table, groups, shuffles)
        plain = _plainness(seen, chance)[0]
        largest = _plainness(chance, chance).max(axis=(1, 2))
        if np.count_nonzero(largest >= plain.max()) > _PLAINLY_CHANCE * shuffles:
            return []
    signals = [
        (
            float(plain[row, column]),
            OrderSignal(
                metric=name,
                pattern=pattern,
                p_value=float((1 + np.count_nonzero(largest >= plain[row, column])) / (1 + largest.size)),
                at=_step_at(table[:, column]) * width if pattern is OrderPattern.STEP else 0,
                batch=_batch_apart(table[:, column], groups) if pattern is OrderPattern.BATCHES else None,
            ),
        )
        for row, pattern in enumerate(OrderPattern)
        for column, name in enumerate(scored)
        if np.isfinite(plain[row, column])
    ]
    kept = sorted((pair for pair in signals if pair[1].p_value <= alpha), key=lambda pair: -pair[0])
    return _without_likeness([signal for _, signal in kept])


def _without_likeness(signals: list[OrderSignal]) -> list[OrderSignal]:
    """Leave out waves where something else is seen: neighbours resemble one another in whatever else changes."""
    moved = {signal.metric for signal in signals if signal.pattern is not OrderPattern.WAVES}
    return [signal for signal in signals if signal.pattern is not OrderPattern.WAVES or signal.metric not in moved]


def _scores(values: Sequence[float | None] | FloatArray) -> FloatArray | None:
    """Return centred ranks of unit spread, 0 where nothing was measured, shape (n,); None where all are equal."""
    from scipy.stats import rankdata

    column = as_column(values)
    known = np.isfinite(column)
    if np.count_nonzero(known) < FEWEST_FOR_ORDER:
        return None
    ranks = rankdata(column[known])
    if np.ptp(ranks) == 0:
        return None
    scores = np.zeros(column.size)
    scores[known] = (ranks - ranks.mean()) / ranks.std()
    return scores


def _thinned(table: FloatArray) -> tuple[FloatArray, int]:
    """Return the table, of very many rows the means of neighbours, and how many rows one of them holds."""
    width = -(-len(table) // _MOST_POINTS)
    if width == 1:
        return table, 1
    whole = len(table) // width
    return table[: whole * width].reshape(whole, width, -1).mean(axis=1), width


def _groups(batches: Sequence[Hashable]) -> dict[Hashable, np.ndarray[tuple[int], np.dtype[np.bool_]]]:
    """Return which rows belong to each batch of at least two units that leaves two others."""
    masks = {
        batch: np.array([own == batch for own in batches], dtype=np.bool_)
        for batch in dict.fromkeys(batches)
        if batch is not None
    }
    return {batch: mask for batch, mask in masks.items() if 2 <= np.count_nonzero(mask) <= len(batches) - 2}


def _patterns(tables: FloatArray, groups: Mapping[Hashable, np.ndarray[tuple[int], np.dtype[np.bool_]]]) -> FloatArray:
    """Return how plain each pattern is, shape (tables, patterns, metrics), for tables of shape (tables, n, metrics)."""
    n = tables.shape[1]
    time = np.arange(n) - (n - 1) / 2
    drift = np.abs(np.einsum("i,bim->bm", time, tables))
    waves = np.einsum("bim,bim->bm", tables[:, 1:], tables[:, :-1])
    step = _step_sizes(tables).max(axis=1)
    apart = np.zeros_like(drift)
    for mask in groups.values():
        own = np.count_nonzero(mask)
        sums = np.einsum("i,bim->bm", mask.astype(np.float64), tables)
        apart = np.maximum(apart, np.abs(sums) / np.sqrt(own * (n - own) / n))
    return np.stack([drift, step, waves, apart], axis=1)


def _step_sizes(tables: FloatArray) -> FloatArray:
    """Return the standardised size of a step after each possible unit, shape (tables, places, metrics)."""
    n = tables.shape[1]
    before = np.arange(_SHORTEST_PART, n - _SHORTEST_PART + 1)
    sums = np.cumsum(tables, axis=1)[:, before - 1]
    sizes: FloatArray = np.abs(sums) / np.sqrt(before * (n - before) / n)[None, :, None]
    return sizes


def _step_at(scores: FloatArray) -> int:
    return _SHORTEST_PART + int(np.argmax(_step_sizes(scores[None, :, None])[0, :, 0]))


def _batch_apart(scores: FloatArray, groups: Mapping[Hashable, np.ndarray[tuple[int], np.dtype[np.bool_]]]) -> Hashable:
    n = scores.size
    return max(
        groups,
        key=lambda batch: (
            abs(float(scores[groups[batch]].sum()))
            / float(np.sqrt(np.count_nonzero(groups[batch]) * (n - np.count_nonzero(groups[batch]))))
        ),
    )


def _shuffles(table: FloatArray) -> int:
    fewest, most = _SHUFFLES
    return int(np.clip(_NUMBERS_SHUFFLED / table.size, fewest, most))


def _shuffled(
    table: FloatArray, groups: Mapping[Hashable, np.ndarray[tuple[int], np.dtype[np.bool_]]], shuffles: int
) -> FloatArray:
    """Return the patterns of many shuffled orders, shape (shuffles, patterns, metrics); the same ones at each call."""
    rng = np.random.default_rng(_SEED)
    at_once = max(1, int(2.0e6 / table.size))
    found = []
    for start in range(0, shuffles, at_once):
        some = min(at_once, shuffles - start)
        orders = rng.permuted(np.tile(np.arange(len(table)), (some, 1)), axis=1)
        found.append(_patterns(table[orders], groups))
    return np.concatenate(found)


def _plainness(patterns: FloatArray, chance: FloatArray) -> FloatArray:
    """Return each pattern on a common scale, -log of about how often chance does as much.

    Ranks over time and products of neighbours are nearly normal in shuffled orders; largest values of several are
    nearly of Gumbel's distribution, with the mean and spread that they have there.
    """
    from scipy.special import log_ndtr

    mean, spread = chance.mean(axis=0), chance.std(axis=0)
    spread = np.where(spread > 0, spread, 1.0)
    z = (patterns - mean) / spread
    scale: FloatArray = np.empty_like(z)
    half_normal_z = patterns[:, 0] / np.sqrt(np.mean(chance[:, 0] ** 2, axis=0))
    scale[:, 0] = -log_ndtr(-half_normal_z) - np.log(2)
    scale[:, 2] = -log_ndtr(-z[:, 2])
    for row in (1, 3):
        gumbel = np.pi / np.sqrt(6) * z[:, row] + _EULER
        scale[:, row] = -np.log(-np.expm1(-np.exp(-np.clip(gumbel, -50, 700))) + 1e-300)
    if not chance[:, 3].any():  # there are no batches to compare
        scale[:, 3] = -np.inf
    return scale
