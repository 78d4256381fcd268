"""Whether a batch stayed the same while it was measured: what changed, by how much, and from which unit on."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from verifyrig.capability import OrderPattern, OrderSignal, Unanswered, find_order, find_trend
from verifyrig.capability.samples import FloatArray
from verifyrig.core.reason import Reason, reason

__all__ = ["FALSE_ALARM", "OUTLIER_FALSE_ALARM", "OrderChange", "changes_of", "order_words"]

# Chance of pointing at anything in a sound, steady batch: over all metrics, all patterns and all outliers together.
FALSE_ALARM = 0.05
# The outliers' part of it: to point at a sound unit costs somebody a dismounted cooler, and the faults that matter
# stand out by ten standard deviations and more.
OUTLIER_FALSE_ALARM = 0.001
_MOST_POINTS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderChange:
    """A change of one metric over a batch.

    Attributes:
        p_value: Chance of one this plain in any metric of a steady batch.
        change: Last against first, part after against part before, batch against the others, in the metric's unit;
            None for waves.
        run: First run after a step.
        batch: Which batch lies apart.
    """

    pattern: OrderPattern
    p_value: float
    why: Reason
    change: float | None = None
    run: str | None = None
    batch: str | None = None


def changes_of(
    series: Mapping[str, tuple[FloatArray, str]],
    batches: Sequence[str | None],
    named: Callable[[int], tuple[str, str]],
    alpha: float = FALSE_ALARM - OUTLIER_FALSE_ALARM,
) -> dict[str, tuple[OrderChange, ...]]:
    """Return by metric what changed over the runs, in order of time; metrics that stayed the same are left out.

    Args:
        series: By metric, its values in the order of the runs, NaN where there is none, and their unit.
        batches: Of each run.
        named: Unit and run at a place of the series.
        alpha: Chance of any change being found in a batch that stayed the same.
    """
    values = {name: pair[0] for name, pair in series.items()}
    signals = find_order(values, batches, alpha=alpha)
    found: dict[str, tuple[OrderChange, ...]] = {}
    for signal in signals:
        numbers, unit = series[signal.metric]
        found[signal.metric] = (*found.get(signal.metric, ()), _change(signal, numbers, unit, batches, named))
    return found


def _change(
    signal: OrderSignal,
    column: FloatArray,
    unit: str,
    batches: Sequence[str | None],
    named: Callable[[int], tuple[str, str]],
) -> OrderChange:
    p_value, said = signal.p_value, {"1": "", "°C": "K"}.get(unit, unit)
    if signal.pattern is OrderPattern.STEP:
        change = float(np.nanmean(column[signal.at :]) - np.nanmean(column[: signal.at]))
        at, run = named(signal.at)
        why = reason("order-step", at=at, change=change, unit=said, p_value=p_value)
        return OrderChange(pattern=signal.pattern, p_value=p_value, why=why, change=change, run=run)
    if signal.pattern is OrderPattern.BATCHES:
        own = np.array([batch == signal.batch for batch in batches])
        change = float(np.nanmean(column[own]) - np.nanmean(column[~own]))
        batch = str(signal.batch)
        why = reason("order-batches", batch=batch, change=change, unit=said, p_value=p_value)
        return OrderChange(pattern=signal.pattern, p_value=p_value, why=why, change=change, batch=batch)
    if signal.pattern is OrderPattern.DRIFT:
        slope = find_trend(*_thinned(column))
        change = 0.0 if isinstance(slope, Unanswered) else slope.slope * (column.size - 1)
        why = reason("order-drift", change=change, unit=said, p_value=p_value)
        return OrderChange(pattern=signal.pattern, p_value=p_value, why=why, change=change)
    return OrderChange(pattern=signal.pattern, p_value=p_value, why=reason("order-waves", p_value=p_value))


def _thinned(column: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return places and values, of a long series means of neighbours: its trend compares each value with each other."""
    width = -(-column.size // _MOST_POINTS)
    if width == 1:
        return np.arange(column.size, dtype=np.float64), column
    whole = column.size // width
    blocks = column[: whole * width].reshape(whole, width)
    known = np.isfinite(blocks).any(axis=1)
    means = np.full(whole, np.nan)
    means[known] = np.nanmean(blocks[known], axis=1)
    places = np.arange(whole, dtype=np.float64) * width + (width - 1) / 2
    return places.astype(np.float64), means


def order_words(changes: Mapping[str, Sequence[OrderChange]]) -> list[tuple[str, str]]:
    """Return metric and words of each metric's plainest change."""
    return [(name, str(own[0].why)) for name, own in changes.items()]
