"""The capability table of very many runs, made on columns: what `find` says of each metric, without a line a unit.

Outliers, charts and fingerprints point at single units; of a million of them a batch is asked, not the table.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from verifyrig.capability.samples import FloatArray
from verifyrig.core.outcome import Outcome
from verifyrig.core.profile import Profile
from verifyrig.core.run_columns import Coded, FigureColumn, RowArray, RunColumns
from verifyrig.metrology.verdict import MILDEST_FIRST, Verdict, worst
from verifyrig.metrology.verdict_columns import Severities, judge_figures, judge_runs, severity
from verifyrig.qa.benches import within_benches
from verifyrig.qa.findings import limits_of, metric_names, moved_values
from verifyrig.qa.metric_finding import MetricFinding, finding_of
from verifyrig.qa.order import OrderChange, changes_of
from verifyrig.qa.shapes import stage_of_most
from verifyrig.qa.sorting import SortedColumns, Why, sort_columns
from verifyrig.qa.yields import Yield, yield_of

__all__ = ["CapabilityTable", "capability_table", "recipes_newest_first"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CapabilityTable:
    """What is said of all units together.

    Attributes:
        units: Units with a comparable run, `runs` all runs that were looked at.
        metrics: Without what points at single units: outliers, benches, components, charts.
        verdicts: How many units have which verdict, by their last attempt.
        left_out: How many runs do not count, by reason.
        questions: How many names and boards do not agree; `without_run` units of which no run is comparable.
    """

    profile: Profile
    units: int
    runs: int
    metrics: Mapping[str, MetricFinding]
    verdicts: Mapping[Verdict, int]
    left_out: Mapping[str, int]
    questions: int
    without_run: int
    first_pass: Yield
    final: Yield
    steady: bool | None
    verdict: Verdict
    simulated: bool


def capability_table(columns: RunColumns, profile: Profile) -> CapabilityTable:
    """Return the table of these runs, in any order; each figure is that of `find`, digit for digit."""
    found = sort_columns(columns, profile)
    counted = found.attempts.counted_rows
    given = found.order[counted]  # rows of the columns as given
    known = {name: int(np.count_nonzero(np.isfinite(own.values[given]))) for name, own in columns.figures.items()}
    names = metric_names(known, counted.size, profile, stage_of_most(known))
    ambients_c = found.columns.ambient_c[counted]
    nothing = _no_figures(len(columns))
    figures = {name: columns.figures.get(name, nothing) for name in names}
    series = {
        name: moved_values(own.values[given], own.unit, ambients_c, name, profile) for name, own in figures.items()
    }
    benches = found.columns.bench.take(counted)
    with ThreadPoolExecutor() as pool:  # numpy lets others work while it sorts and sums
        levels = pool.map(lambda name: within_benches(series[name][0], benches), names)
        levelled = {name: (own, figures[name].unit) for name, own in zip(names, levels, strict=True)}
        changes = _changes(found, counted, levelled)
        del levelled

        def told(name: str) -> MetricFinding:
            limits = limits_of(name, profile)
            units = _units_verdict(figures[name], found, *limits)
            column = replace(figures[name], values=series[name][0], u95=figures[name].u95[given])
            return _metric(name, column, series[name][1], limits, units, benches, changes.get(name, ()))

        metrics = dict(zip(names, pool.map(told, names), strict=True))
    judged = _judged(columns, found, profile)
    last, first = judged[found.attempts.last], judged[found.attempts.number == 1]
    verdicts = {
        verdict: count for at, verdict in enumerate(MILDEST_FIRST) if (count := int(np.count_nonzero(last == at)))
    }
    steadiness = [metric.steady for metric in metrics.values() if metric.steady is not None]
    steady = all(steadiness) if steadiness else None
    doubts = [Verdict.CONDITIONAL_PASS] if found.questions or steady is False else []
    unseen = [Verdict.NOT_MEASURED] if found.without_run else []
    own = [metric.verdict for metric in metrics.values() if metric.has_limit]
    passed = severity(Verdict.PASS)
    return CapabilityTable(
        profile=profile,
        units=int(last.size),
        runs=len(columns),
        metrics=metrics,
        verdicts=verdicts,
        left_out=_left_out(found),
        questions=len(found.questions),
        without_run=len(found.without_run),
        first_pass=yield_of(int(np.count_nonzero(first == passed)), int(first.size)),
        final=yield_of(int(np.count_nonzero(last == passed)), int(last.size)),
        steady=steady,
        verdict=worst([*own, *verdicts, *unseen, *doubts]),
        simulated=bool(found.columns.simulated[found.attempts.rows].any()),
    )


def recipes_newest_first(columns: RunColumns) -> list[str]:
    """Return the recipes of the runs, that of the newest run first."""
    codes = columns.recipe.codes[np.argsort(-columns.started_utc_s, kind="stable")]
    present, first = np.unique(codes, return_index=True)
    words = [columns.recipe.words[code] for code in present[np.argsort(first)].tolist()]
    return [word for word in words if word]


def _changes(
    found: SortedColumns, counted: RowArray, series: Mapping[str, tuple[FloatArray, str]]
) -> dict[str, tuple[OrderChange, ...]]:
    def named(at: int) -> tuple[str, str]:
        row = int(counted[at])
        return str(found.units[row]), found.columns.run[row]

    batches = found.columns.batch.take(counted)
    words = np.array([*batches.words, None], dtype=object)[:-1]
    return changes_of(series, words[batches.codes].tolist(), named)


def _no_figures(n: int) -> FigureColumn:
    none = np.full(n, np.nan)
    return FigureColumn(unit="", values=none, u95=none, may_pass=np.ones(n, dtype=np.bool_))


def _metric(
    name: str,
    figures: FigureColumn,
    moved: bool,
    limits: tuple[float | None, float | None],
    units: Verdict,
    benches: Coded,
    changes: tuple[OrderChange, ...],
) -> MetricFinding:
    """Return what is said of a metric.

    Args:
        figures: Of the runs that count, in order of time; `moved` if to the reference ambient.
        units: Verdict of the units.
    """
    measured = np.isfinite(figures.values)
    sample = figures.values[measured]
    is_count = bool(sample.size) and bool(np.all(figures.u95[measured] == 0))
    plain = finding_of(
        name,
        figures.unit,
        sample,
        limits,
        units,
        is_count=is_count,
        moved=moved,
        benches=benches.take(measured),
        changes=changes,
    )
    missing = measured.size - sample.size
    return replace(plain, gaps=(f"not measured in {missing} units",)) if missing and sample.size else plain


def _units_verdict(
    figures: FigureColumn, found: SortedColumns, minimum: float | None, maximum: float | None
) -> Verdict:
    deciding = found.order[found.attempts.rows[found.attempts.last]]
    if (minimum is None and maximum is None) or not deciding.size:
        return Verdict.NOT_MEASURED
    own = figures.take(deciding)
    judged = judge_figures(own.values, own.u95, own.may_pass, minimum=minimum, maximum=maximum)
    return MILDEST_FIRST[int(judged.max())]


def _judged(columns: RunColumns, found: SortedColumns, profile: Profile) -> Severities:
    """Return the verdict on every comparable run, in the order of the attempts."""
    rows = found.attempts.rows
    limits = []
    for threshold in profile.thresholds:
        column = columns.figures.get(threshold.metric)
        if column is None:
            limits.append(np.full(rows.size, severity(Verdict.NOT_MEASURED), dtype=np.int8))
        else:
            own = column.take(found.order[rows])
            limits.append(
                judge_figures(own.values, own.u95, own.may_pass, minimum=threshold.minimum, maximum=threshold.maximum)
            )
    completed = found.columns.outcome.where(lambda word: word == Outcome.COMPLETED)[rows]
    return judge_runs(limits, completed=completed, lost_power=found.columns.lost_power[rows])


def _left_out(found: SortedColumns) -> dict[str, int]:
    counts = Counter(found.why[found.why != Why.KEPT].tolist())
    return {Why(why).name.lower().replace("_", "-"): counts[why] for why in sorted(counts)}
