"""The bench as a factor: where the spread of a batch comes from, how each bench stands to the others, and of which
benches a claim holds."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from verifyrig.capability import (
    MeanDifference,
    SpreadSource,
    ToleranceInterval,
    Unanswered,
    compare_means,
    grouped_interval,
    nested_components,
    normal_interval,
)
from verifyrig.capability.nested import FEWEST_GROUPS
from verifyrig.capability.samples import FloatArray
from verifyrig.capability.tolerance import Side
from verifyrig.core.reason import Reason, reason
from verifyrig.core.run_columns import Coded
from verifyrig.qa.units import UnitRun

__all__ = ["BenchPlace", "bench_interval", "components_of", "places_of", "within_benches"]

# Of any bench of a batch being called apart from the others in a metric.
_FALSE_ALARM = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchPlace:
    """One bench against all others in one metric, in its unit.

    Attributes:
        difference: Its mean minus that of the others; its interval holds with 95 % for all benches together.
    """

    bench: str
    n: int
    mean: float
    difference: float
    low: float
    high: float

    @property
    def apart(self) -> bool:
        """Whether it lies apart from the others."""
        return not self.low <= 0 <= self.high


def within_benches(values: FloatArray, benches: Coded) -> FloatArray:
    """Return the values with each bench's own level taken off, so that only what changes over time remains.

    Args:
        values: NaN where there is none, shape (n,).
    """
    column = values.copy()
    codes = benches.present()
    for code in codes if codes.size > 1 else ():
        own = benches.codes == code
        if np.isfinite(column[own]).any():
            column[own] -= np.nanmedian(column[own])
    return column


def places_of(values: Sequence[float | None], runs: Sequence[UnitRun]) -> tuple[BenchPlace, ...]:
    """Return each named bench against the others; empty where there is one bench only."""
    known = [(value, run.bench) for value, run in zip(values, runs, strict=True) if value is not None and run.bench]
    names = sorted({bench for _, bench in known})
    found = []
    for name in names if len(names) > 1 else ():
        own = [value for value, bench in known if bench == name]
        others = [value for value, bench in known if bench != name]
        one = compare_means(others, own, confidence=1 - _FALSE_ALARM / len(names))
        if isinstance(one, MeanDifference):
            mean = float(np.mean(own))
            place = BenchPlace(bench=name, n=len(own), mean=mean, difference=one.difference, low=one.low, high=one.high)
            found.append(place)
    return tuple(found)


def components_of(values: Sequence[float | None], runs: Sequence[UnitRun]) -> tuple[SpreadSource, ...]:
    """Return the spread of every run's figure by bench, day, unit and mount, nested in this order, and what remains.

    Args:
        values: Of all comparable runs, repeats of a unit too.
    """
    known = [(value, run) for value, run in zip(values, runs, strict=True) if value is not None]
    factors: list[tuple[str, list[Hashable]]] = [
        ("bench", [run.bench for _, run in known]),
        ("day", [datetime.fromtimestamp(run.started_utc_s, UTC).date() for _, run in known]),
        ("unit", [run.unit for _, run in known]),
        ("mount", [run.states.get("remount") for _, run in known]),
    ]
    several = len({run.unit for _, run in known}) < len(known)
    found = nested_components([value for value, _ in known], factors, "repeat" if several else "unit")
    return () if isinstance(found, Unanswered) else tuple(found)


def bench_interval(
    sample: FloatArray, benches: Coded, side: Side, share: float, confidence: float
) -> tuple[ToleranceInterval | None, Reason | None]:
    """Return the interval that regards the benches, None where the plain one does, and of which benches it holds."""
    present = {benches.words[code] for code in benches.present().tolist()}
    names = sorted(bench for bench in present if bench is not None)
    if not names:
        return None, None
    if len(names) == 1:
        return None, reason("claim-of-one-bench", bench=names[0])
    if None not in present and len(names) >= FEWEST_GROUPS:
        across = grouped_interval(sample, benches, share=share, confidence=confidence, side=side)
        if not isinstance(across, Unanswered):
            return across, reason("claim-across-benches", count=len(names))
    every = [
        normal_interval(
            sample[benches.codes == benches.words.index(bench)],
            share=share,
            confidence=1 - (1 - confidence) / len(names),
            side=side,
        )
        for bench in names
    ]
    known = [interval for interval in every if not isinstance(interval, Unanswered)]
    if len(known) < len(names):
        return None, reason("claim-of-benches-unknown", benches=", ".join(names))
    lows, highs = [one.low for one in known if one.low is not None], [one.high for one in known if one.high is not None]
    hull = ToleranceInterval(
        low=min(lows) if lows else None,
        high=max(highs) if highs else None,
        share=share,
        confidence=confidence,
        n=int(sample.size),
    )
    return hull, reason("claim-of-these-benches", benches=", ".join(names))
