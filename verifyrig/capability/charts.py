"""Control charts: does a series stay what it was.

Individuals with moving range, mean with range or standard deviation of batches, and short-run Z, which puts
several models on one chart. Sources: ASTM E2587 (factors and limits); the four rules of the Western Electric
handbook (1956), from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from verifyrig.capability.samples import FloatArray, Unanswered, are_equal, finite
from verifyrig.core.reason import reason

__all__ = [
    "Chart",
    "Factors",
    "Signal",
    "batch_chart",
    "factors",
    "individuals_chart",
    "short_run_chart",
    "western_electric",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Factors:
    """Control chart factors for batches of `n`, by their customary letters (ASTM E2587)."""

    n: int
    c4: float
    d2: float
    d3: float

    @property
    def a2(self) -> float:
        """Mean chart from the mean range."""
        return 3 / (self.d2 * math.sqrt(self.n))

    @property
    def a3(self) -> float:
        """Mean chart from the mean standard deviation."""
        return 3 / (self.c4 * math.sqrt(self.n))

    @property
    def b3(self) -> float:
        """Lower limit of the standard deviation chart."""
        return max(0.0, 1 - 3 * math.sqrt(1 - self.c4**2) / self.c4)

    @property
    def b4(self) -> float:
        """Upper limit of the standard deviation chart."""
        return 1 + 3 * math.sqrt(1 - self.c4**2) / self.c4

    @property
    def big_d3(self) -> float:
        """Lower limit of the range chart (D3)."""
        return max(0.0, 1 - 3 * self.d3 / self.d2)

    @property
    def big_d4(self) -> float:
        """Upper limit of the range chart (D4)."""
        return 1 + 3 * self.d3 / self.d2


@cache
def factors(n: int) -> Factors:
    """Return the factors for batches of `n` >= 2, worked out from the normal distribution."""
    if n < 2:
        raise ValueError(f"batches of {n}; a spread needs two units")
    c4 = math.sqrt(2 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))
    d2, d3 = _range_moments(n)
    return Factors(n=n, c4=c4, d2=d2, d3=d3)


def _range_moments(n: int) -> tuple[float, float]:
    """Return mean and standard deviation of the range of n standard normal values.

    Source: density of the range, Tippett (1925): n (n - 1) ∫ f(x) f(x + w) (F(x + w) - F(x))^(n - 2) dx.
    """
    from scipy.special import ndtr

    nodes, weights = np.polynomial.legendre.leggauss(160)
    width, width_weight = 7.0 * (nodes + 1), 7.0 * weights  # the range w, 0 to 14
    x, step = np.linspace(-14.0, 9.0, 700, retstep=True)
    low, high = x[:, None], x[:, None] + width[None, :]
    both_ends = np.exp(-(low**2 + high**2) / 2) / (2 * math.pi)
    density = n * (n - 1) * step * np.sum(both_ends * (ndtr(high) - ndtr(low)) ** (n - 2), axis=0)
    mean = float(np.sum(width_weight * density * width))
    square = float(np.sum(width_weight * density * width**2))
    return mean, math.sqrt(square - mean**2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """A rule that a series breaks.

    Attributes:
        at: Index of the point that completes the pattern.
        rule: 1 to 4, or 0 for a spread (range, standard deviation, moving range) outside its limits.
        why: In words.
    """

    at: int
    rule: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """Limits and signals of a chart of places and of its companion of spreads.

    Attributes:
        points: The plotted places (values, batch means or Z), shape (n,).
        spreads: The plotted spreads; moving ranges begin with the second point.
        sigma: Standard deviation of one plotted place, as the spreads give it.
    """

    points: FloatArray
    centre: float
    low: float
    high: float
    sigma: float
    spreads: FloatArray
    spread_centre: float
    spread_high: float
    signals: tuple[Signal, ...]

    @property
    def steady(self) -> bool:
        """Whether no rule is broken."""
        return not self.signals


def individuals_chart(
    values: Iterable[float | None], *, centre: float | None = None, sigma: float | None = None
) -> Chart | Unanswered:
    """Return the chart of single values with moving ranges of two: limits at 2.66 mean moving ranges.

    Args:
        centre: Centre line kept from earlier, or None for the mean of these.
        sigma: Standard deviation kept from earlier (a golden unit's), or None for these moving ranges'.
    """
    points = finite(values)
    if points.size < 2:
        return Unanswered(why=reason("values-for-range", count=int(points.size)))
    spreads = np.abs(np.diff(points))
    two = factors(2)
    mean_range = float(np.mean(spreads)) if sigma is None else sigma * two.d2
    if mean_range == 0 or (sigma is None and are_equal(points)):
        return Unanswered(why=reason("units-equal-no-spread", count=int(points.size)))
    return _chart(
        points,
        float(np.mean(points)) if centre is None else centre,
        mean_range / two.d2,
        spreads,
        mean_range,
        (two.big_d3 * mean_range, two.big_d4 * mean_range),
        first_spread_at=1,
    )


def batch_chart(batches: Sequence[Iterable[float | None]], *, by: str = "range") -> Chart | Unanswered:
    """Return the chart of batch means, with `by` "range" (X̄–R) or "sd" (X̄–S); all batches of one size.

    Raises:
        ValueError: `by` is neither.
    """
    if by not in ("range", "sd"):
        raise ValueError(f"by is {by!r}, and must be 'range' or 'sd'")
    samples = [finite(batch) for batch in batches]
    sizes = sorted({int(sample.size) for sample in samples})
    if len(samples) < 2 or len(sizes) != 1 or sizes[0] < 2:
        named = ", ".join(str(size) for size in sizes) or "none"
        return Unanswered(why=reason("batches-unequal", count=len(samples), sizes=named))
    table = np.array(samples)
    known = factors(sizes[0])
    if by == "range":
        spreads, a, lower, upper = np.ptp(table, axis=1), known.a2, known.big_d3, known.big_d4
    else:
        spreads, a, lower, upper = np.std(table, axis=1, ddof=1), known.a3, known.b3, known.b4
    mean_spread = float(np.mean(spreads))
    if all(map(are_equal, samples)):
        return Unanswered(why=reason("units-equal-in-batches"))
    means = table.mean(axis=1)
    limits = (lower * mean_spread, upper * mean_spread)
    return _chart(means, float(means.mean()), a * mean_spread / 3, spreads, mean_spread, limits, first_spread_at=0)


def short_run_chart(
    values: Sequence[float | None],
    models: Sequence[str],
    *,
    known: Mapping[str, tuple[float, float]] | None = None,
) -> Chart | Unanswered:
    """Return one chart for units of several models: Z = (value - model's mean) / model's standard deviation.

    A model's mean and standard deviation come from `known`, else from its own values here (moving ranges, in
    their order). A model with fewer than two values and nothing known is left out of the chart.

    Raises:
        ValueError: `values` and `models` differ in length.

    Source: short-run charts as in the e-Handbook 6.3 and textbooks; limits ±3 and 3.686 for moving ranges.
    """
    if len(values) != len(models):
        raise ValueError(f"{len(values)} values and {len(models)} models")
    measured = [(value, model) for value, model in zip(values, models, strict=True) if len(finite([value]))]
    scales = {model: _scale(model, measured, known or {}) for model in dict.fromkeys(models)}
    z = [(value - scale[0]) / scale[1] for value, model in measured if (scale := scales[model]) and value is not None]
    if len(z) < 2:
        return Unanswered(why=reason("models-unknown", count=len(z)))
    points = np.array(z, dtype=np.float64)
    two = factors(2)
    limits = (0.0, two.big_d4 * two.d2)
    return _chart(points, 0.0, 1.0, np.abs(np.diff(points)), two.d2, limits, first_spread_at=1)


def _scale(
    model: str, measured: Sequence[tuple[float | None, str]], known: Mapping[str, tuple[float, float]]
) -> tuple[float, float] | None:
    if model in known:
        return known[model]
    own = finite(value for value, its_model in measured if its_model == model)
    if own.size < 2 or are_equal(own):
        return None
    return float(own.mean()), float(np.mean(np.abs(np.diff(own)))) / factors(2).d2


def _chart(
    points: FloatArray,
    centre: float,
    sigma: float,
    spreads: FloatArray,
    spread_centre: float,
    spread_limits: tuple[float, float],
    *,
    first_spread_at: int,
) -> Chart:
    low, high = spread_limits
    outside = np.flatnonzero((spreads > high) | (spreads < low))
    jumps = [
        Signal(at=int(at) + first_spread_at, rule=0, why=f"spread {spreads[at]:.4g} outside {low:.4g} to {high:.4g}")
        for at in outside
    ]
    signals = sorted([*western_electric((points - centre) / sigma), *jumps], key=lambda signal: signal.at)
    return Chart(
        points=points,
        centre=centre,
        low=centre - 3 * sigma,
        high=centre + 3 * sigma,
        sigma=sigma,
        spreads=spreads,
        spread_centre=spread_centre,
        spread_high=high,
        signals=tuple(signals),
    )


# rule: (points that must lie beyond, out of so many, beyond how many sigma on one side, in words)
_RULES = {
    1: (1, 1, 3.0, "beyond 3 sigma"),
    2: (2, 3, 2.0, "two of three beyond 2 sigma on one side"),
    3: (4, 5, 1.0, "four of five beyond 1 sigma on one side"),
    4: (8, 8, 0.0, "eight in a row on one side"),
}


def western_electric(z: Iterable[float]) -> list[Signal]:
    """Return where a series in units of sigma about its centre breaks one of the four rules.

    A pattern is signalled at the point that completes it, and that point must itself lie beyond.
    """
    scores = np.asarray(list(z), dtype=np.float64)
    signals = []
    for rule, (wanted, window, sigma, why) in _RULES.items():
        for side in (1, -1):
            beyond = (side * scores) > sigma
            counts = np.convolve(beyond, np.ones(window, dtype=int))[: scores.size]
            hits = np.flatnonzero(beyond & (counts >= wanted))
            signals += [Signal(at=int(at), rule=rule, why=f"{why}, {'high' if side > 0 else 'low'}") for at in hits]
    return sorted(signals, key=lambda signal: (signal.at, signal.rule))
