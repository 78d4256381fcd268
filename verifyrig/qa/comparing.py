"""Two builds against one another: by how much they differ, and whether that is shown to be too little to matter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

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

__all__ = ["BuildDifference", "BuildsCompared", "compare_builds", "comparison_json", "comparison_lines"]


# Means of several units are nearly normal themselves; only a plain skew speaks for ranks.
_SKEWED_P = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildDifference:
    """One metric of the second build minus the first, in `unit`.

    Attributes:
        by: `means` (Welch) or `ranks` (Mann–Whitney, where there are few units or their values are skewed).
        equivalent: Whether the difference is shown to lie within the margin; None where no margin was named.
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
    differences = [_compare(name, first[1], second[1], profile, margins.get(name)) for name in names]
    return BuildsCompared(first=first[0], second=second[0], metrics=tuple(differences))


def _compare(
    name: str, first: Sequence[UnitRun], second: Sequence[UnitRun], profile: Profile, margin: float | None
) -> BuildDifference:
    both = [*first, *second]
    values, moved = values_of(both, name, profile)
    ones, others = values[: len(first)], values[len(first) :]
    unit = next((run.metrics[name].unit for run in both if name in run.metrics), "")
    sizes = [sum(value is not None for value in group) for group in (ones, others)]
    by_ranks = min(sizes) < FEWEST_FOR_A_CLAIM or _skewed(ones) or _skewed(others)
    found: MeanDifference | Shift | Unanswered = (compare_ranks if by_ranks else compare_means)(ones, others)
    head = BuildDifference(metric=name, unit=unit, n_first=sizes[0], n_second=sizes[1], margin=margin)
    if isinstance(found, Unanswered):
        return replace(head, note=str(found.why))
    tested = equivalence(ones, others, margin=margin) if margin is not None else None
    return replace(
        head,
        by="ranks" if by_ranks else "means",
        difference=found.shift if isinstance(found, Shift) else found.difference,
        low=found.low,
        high=found.high,
        p_value=found.p_value,
        equivalent=tested.equivalent if isinstance(tested, Equivalence) else None,
        note=str(tested.why) if isinstance(tested, Unanswered) else "as in rooms of one temperature" if moved else "",
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
    rows = [["metric", "difference", "95 % interval", "by", ""]]
    rows += [_row(difference) for difference in compared.metrics]
    return ["", f"{plain_line(compared.second)} minus {plain_line(compared.first)}", *table(rows)]


def _row(d: BuildDifference) -> list[str]:
    if d.difference is None or d.low is None or d.high is None:
        return [d.metric, "not known", "", "", d.note]
    word = "they differ" if d.significant else "no difference is shown"
    if d.equivalent is not None:
        word += f"; within ± {d.margin:g}: {'shown' if d.equivalent else 'not shown'}"
    unit = "" if d.unit in ("", "1") else f" {d.unit}"
    return [d.metric, f"{d.difference:+.3g}{unit}", f"{d.low:+.3g} to {d.high:+.3g}", d.by, word]
