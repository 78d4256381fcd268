"""Two builds against one another: by how much they differ, and whether that is shown to be too little to matter.

Of equal builds at most one comparison in twenty shows any difference in any metric: each metric's interval has the
confidence that all of them together hold with 95 % (Bonferroni), and its p is multiplied by their number, so that the
two always agree.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from verifyrig.capability import (
    FEWEST_FOR_A_CLAIM,
    Equivalence,
    MeanDifference,
    Normality,
    Shift,
    Unanswered,
    check_normality,
    compare_means,
    compare_ranks,
    equivalence,
)
from verifyrig.core.plain_json import plain_number
from verifyrig.core.plain_text import plain_line
from verifyrig.core.profile import Profile
from verifyrig.qa.contract import BuildsObject
from verifyrig.qa.findings import values_of
from verifyrig.qa.text import table
from verifyrig.qa.units import UnitRun

__all__ = [
    "BuildDifference",
    "BuildsCompared",
    "compare_builds",
    "comparison_json",
    "comparison_lines",
    "interval_words",
]


# Means of several units are nearly normal themselves; only a plain skew speaks for ranks.
_SKEWED_P = 0.01
# Of any difference in any metric of two equal builds.
_FALSE_ALARM = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildDifference:
    """One metric of the second build minus the first, in `unit`.

    Attributes:
        by: `means` (Welch) or `ranks` (Mann–Whitney, where values are skewed).
        low, high: Interval that holds with 95 % for all metrics of the comparison together; infinite where so few
            units can never reach that.
        p_value: Multiplied by the number of metrics, at most 1.
        equivalent: Whether the difference is shown to lie within the margin, by the same method at 95 % for this
            metric; None where no margin was named.
        note: What a reader must know, or why there is no answer.
    """

    metric: str
    unit: str
    n_first: int
    n_second: int
    by: str = ""
    difference: float | None = None
    low: float | None = None
    high: float | None = None
    p_value: float | None = None
    margin: float | None = None
    equivalent: bool | None = None
    note: str = ""

    @property
    def significant(self) -> bool | None:
        """Whether the 95 % interval leaves 0 out; None where there is none."""
        if self.low is None or self.high is None:
            return None
        return not self.low <= 0 <= self.high


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildsCompared:
    """Two groups of units and all metrics that both have."""

    first: str
    second: str
    metrics: tuple[BuildDifference, ...]


def compare_builds(
    first: tuple[str, Sequence[UnitRun]],
    second: tuple[str, Sequence[UnitRun]],
    profile: Profile,
    names: Sequence[str],
    margins: Mapping[str, float],
) -> BuildsCompared:
    """Return the differences of two builds; temperatures are taken as in rooms of the reference ambient.

    Args:
        first, second: Name and counted runs of each build.
        names: Metrics to compare.
        margins: By metric, the difference that would not matter, in its unit.
    """
    metrics = max(1, len(names))
    differences = [_compare(name, first[1], second[1], profile, margins.get(name), metrics) for name in names]
    return BuildsCompared(first=first[0], second=second[0], metrics=tuple(differences))


def _compare(
    name: str,
    first: Sequence[UnitRun],
    second: Sequence[UnitRun],
    profile: Profile,
    margin: float | None,
    metrics: int,
) -> BuildDifference:
    both = [*first, *second]
    values, moved = values_of(both, name, profile)
    ones, others = values[: len(first)], values[len(first) :]
    unit = next((run.metrics[name].unit for run in both if name in run.metrics), "")
    sizes = [sum(value is not None for value in group) for group in (ones, others)]
    by: Literal["means", "ranks"] = "ranks" if _skewed(ones) or _skewed(others) else "means"
    compare = compare_ranks if by == "ranks" else compare_means
    found: MeanDifference | Shift | Unanswered = compare(ones, others, confidence=1 - _FALSE_ALARM / metrics)
    head = BuildDifference(metric=name, unit=unit, n_first=sizes[0], n_second=sizes[1], margin=margin)
    if isinstance(found, Unanswered):
        return replace(head, note=str(found.why))
    tested = equivalence(ones, others, margin=margin, by=by) if margin is not None else None
    few = min(sizes) < FEWEST_FOR_A_CLAIM
    notes = ["as in rooms of one temperature"] if moved else []
    notes += [f"taken as normal, which {min(sizes)} units cannot show"] if few and by == "means" else []
    notes += [str(tested.why)] if isinstance(tested, Unanswered) else []
    return replace(
        head,
        by=by,
        difference=found.shift if isinstance(found, Shift) else found.difference,
        low=found.low,
        high=found.high,
        p_value=min(1.0, found.p_value * metrics),
        equivalent=tested.equivalent if isinstance(tested, Equivalence) else None,
        note="; ".join(notes),
    )


def _skewed(values: Sequence[float | None]) -> bool:
    shape = check_normality(values)
    return isinstance(shape, Normality) and shape.p_value < _SKEWED_P


def comparison_json(compared: BuildsCompared) -> BuildsObject:
    """Return the comparison as JSON-able data."""
    return {
        "first": compared.first,
        "second": compared.second,
        "metrics": {
            d.metric: {
                "unit": d.unit,
                "n_first": d.n_first,
                "n_second": d.n_second,
                "by": d.by or None,
                "difference": plain_number(d.difference),
                "low": plain_number(d.low),
                "high": plain_number(d.high),
                "p": plain_number(d.p_value),
                "significant": d.significant,
                "margin": plain_number(d.margin),
                "equivalent": d.equivalent,
                "note": d.note,
            }
            for d in compared.metrics
        },
    }


def comparison_lines(compared: BuildsCompared) -> list[str]:
    """Return the comparison as lines for a terminal."""
    rows = [["metric", "difference", "interval", "by", ""]]
    rows += [_row(difference) for difference in compared.metrics]
    notes = [f"  {d.metric}: {d.note}." for d in compared.metrics if d.note and d.difference is not None]
    head = f"{plain_line(compared.second)} minus {plain_line(compared.first)}; the intervals hold together with 95 %"
    return ["", head, *table(rows), *notes]


def _row(d: BuildDifference) -> list[str]:
    if d.difference is None or d.low is None or d.high is None:
        return [d.metric, "not known", "", "", d.note]
    word = "they differ" if d.significant else "no difference is shown"
    if d.equivalent is not None:
        word += f"; within ± {d.margin:g}: {'shown' if d.equivalent else 'not shown'}"
    unit = "" if d.unit in ("", "1") else f" {d.unit}"
    return [d.metric, f"{d.difference:+.3g}{unit}", interval_words(d), d.by, word]


def interval_words(difference: BuildDifference) -> str:
    """Return the interval in words; infinite ends say that so few units can show nothing."""
    low, high = difference.low, difference.high
    if low is None or high is None or math.isinf(low) or math.isinf(high):
        return "too few units"
    return f"{low:+.3g} to {high:+.3g}"
