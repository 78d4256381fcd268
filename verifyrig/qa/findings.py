"""From the runs of many units to the findings of QA: verdicts, capability, outliers, charts, and what they mean."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from verifyrig.capability import (
    Unanswered,
    find_outliers,
    finite,
    over_reference_ambient,
)
from verifyrig.capability.samples import as_column
from verifyrig.core.ambient import AMBIENT_CHANNELS
from verifyrig.core.profile import Profile
from verifyrig.core.run_columns import Coded
from verifyrig.core.trace import FloatArray
from verifyrig.metrology.verdict import Verdict, worst
from verifyrig.qa.benches import components_of, places_of, within_benches
from verifyrig.qa.charting import BatchCharts, chart_batches, chart_over_time, signals_of
from verifyrig.qa.metric_finding import MetricFinding, finding_of
from verifyrig.qa.order import FALSE_ALARM, OUTLIER_FALSE_ALARM, OrderChange, changes_of, order_words
from verifyrig.qa.shapes import (
    WINDOWS,
    Fingerprint,
    OddShape,
    find_shapes,
    fingerprint_of,
    fingerprint_stage,
    usual_fingerprint,
)
from verifyrig.qa.units import Attempt, Sorted, UnitFigure, UnitRun, judge_figure, judge_unit, sort_out
from verifyrig.qa.yields import Yield, yields_of

__all__ = [
    "MetricFinding",
    "QaFinding",
    "changes_over",
    "find",
    "limits_of",
    "may_be_asked",
    "metric_names",
    "moved_values",
    "series_of",
    "values_of",
]


# Of a stage with a load: what shows a fault before a limit does.
_SHOWN = ("die_temp_c.rise", "package_power_w.mean")


@dataclass(frozen=True, slots=True, kw_only=True)
class QaFinding:
    """Everything that QA says of one profile.

    Attributes:
        unit_verdicts: By unit, from its last attempt.
        run_verdicts: By run, of every attempt.
        fingerprints: By run, of every one that stands out; `usual_fingerprint` is the batch's.
        first_pass, final: How many units pass without a rework, and at their last attempt.
        steady: Whether every metric stayed the same from the first unit to the last; None of too few to tell.
    """

    profile: Profile
    sorted: Sorted
    metrics: Mapping[str, MetricFinding]
    unit_verdicts: Mapping[str, Verdict]
    run_verdicts: Mapping[str, Verdict]
    shapes: tuple[OddShape, ...]
    fingerprints: Mapping[str, Fingerprint]
    usual_fingerprint: Fingerprint | None
    verdict: Verdict
    first_pass: Yield
    final: Yield
    steady: bool | None = None
    notes: tuple[str, ...] = field(default=())

    @property
    def attempts(self) -> tuple[Attempt, ...]:
        """Every comparable run, by unit."""
        return self.sorted.attempts

    @property
    def proven_share(self) -> float | None:
        """Of what share of all units every limit is proven, each at 95 % confidence; None where one is not."""
        shares = [metric.proven_share for metric in self.metrics.values() if metric.has_limit]
        known = [share for share in shares if share is not None]
        return min(known) if known and len(known) == len(shares) else None

    @property
    def changed(self) -> list[tuple[str, str]]:
        """Metric and words of everything that changed while the batch was measured."""
        return order_words({name: metric.order for name, metric in self.metrics.items() if metric.order})


def find(runs: Sequence[UnitRun], profile: Profile) -> QaFinding:
    """Return the findings; runs that cannot be compared are left out with their reasons, the rest is answered."""
    sorted_runs = sort_out(runs, profile)
    stage = fingerprint_stage(sorted_runs.counted)
    series = series_of(sorted_runs.counted, profile)
    names = list(series)
    alpha = OUTLIER_FALSE_ALARM / max(1, len(names))
    changes = changes_over(sorted_runs.counted, series, FALSE_ALARM - OUTLIER_FALSE_ALARM)
    metrics = {
        name: _find_metric(name, sorted_runs, profile, alpha, series[name], changes.get(name, ())) for name in names
    }
    judged = {attempt.run.run: judge_unit(attempt.run, profile) for attempt in sorted_runs.attempts}
    verdicts = {run.unit: judged[run.run] for run in sorted_runs.deciding}
    shapes = find_shapes(sorted_runs.counted, stage) if stage is not None else []
    odd = {shape.run for shape in shapes} | {run for metric in metrics.values() for run in metric.outliers}
    first_pass, final = yields_of(sorted_runs.attempts, judged)
    return QaFinding(
        profile=profile,
        first_pass=first_pass,
        final=final,
        sorted=sorted_runs,
        metrics=metrics,
        unit_verdicts=verdicts,
        run_verdicts=judged,
        shapes=tuple(shapes),
        fingerprints={
            r.run: fingerprint_of(r, stage) for r in sorted_runs.counted if stage is not None and r.run in odd
        },
        usual_fingerprint=usual_fingerprint(sorted_runs.counted, stage) if stage is not None else None,
        verdict=_batch_verdict(sorted_runs, metrics, verdicts),
        steady=_steady(metrics),
        notes=tuple(_batch_notes(sorted_runs, profile)),
    )


def series_of(counted: Sequence[UnitRun], profile: Profile) -> dict[str, tuple[list[float | None], bool]]:
    """Return by metric of the batch its values, and whether they were moved to the reference ambient."""
    names = metric_names(_known(counted), len(counted), profile, fingerprint_stage(counted))
    return {name: values_of(counted, name, profile) for name in names}


def changes_over(
    counted: Sequence[UnitRun], series: Mapping[str, tuple[list[float | None], bool]], alpha: float
) -> dict[str, tuple[OrderChange, ...]]:
    """Return by metric what changed over the runs, each bench's own level taken off.

    Args:
        alpha: Chance of any change being found in a batch that stayed the same.
    """
    benches = Coded.of(run.bench for run in counted)
    levelled = {
        name: (within_benches(as_column(values), benches), _unit(name, counted)) for name, (values, _) in series.items()
    }
    return changes_of(levelled, [run.batch for run in counted], lambda at: (counted[at].unit, counted[at].run), alpha)


def _batch_verdict(
    sorted_runs: Sorted, metrics: Mapping[str, MetricFinding], verdicts: Mapping[str, Verdict]
) -> Verdict:
    judged = [finding.verdict for finding in metrics.values() if finding.has_limit]
    asked = [Verdict.CONDITIONAL_PASS] if sorted_runs.questions else []
    unseen = [Verdict.NOT_MEASURED] if sorted_runs.without_run else []
    # What drifts without a limit of its own (a power, the impedance) is the same bench's measuring as what has one.
    unsteady = [Verdict.CONDITIONAL_PASS] if _steady(metrics) is False else []
    return worst([*judged, *verdicts.values(), *unseen, *unsteady, *asked])


def _steady(metrics: Mapping[str, MetricFinding]) -> bool | None:
    known = [metric.steady for metric in metrics.values() if metric.steady is not None]
    return all(known) if known else None


def _batch_notes(sorted_runs: Sorted, profile: Profile) -> list[str]:
    notes = []
    if not sorted_runs.attempts:
        notes.append("no comparable run was found, so nothing is measured")
    if not profile.thresholds:
        notes.append(f"{profile.name} has no thresholds, so nothing is judged")
    if sorted_runs.without_run:
        notes.append("no comparable run of " + ", ".join(sorted_runs.without_run))
    notes += [str(question.why) for question in sorted_runs.questions]
    repeated = [attempt.run.unit for attempt in sorted_runs.attempts if attempt.last and attempt.of > 1]
    if repeated:
        notes.append(
            "measured more than once: " + ", ".join(repeated) + "; the last attempt decides on the unit, the first "
            "that went to its end counts in the statistics"
        )
    models = sorted({run.model for run in sorted_runs.counted if run.model})
    if len(models) > 1:
        notes.append("several models (" + ", ".join(models) + "): the spread holds their difference too")
    return notes


def metric_names(known: Mapping[str, int], n: int, profile: Profile, stage: str | None) -> list[str]:
    """Return the thresholds' metrics, then those that show a fault before a limit does.

    Args:
        known: By metric, how many of `n` runs have a figure of it.
        stage: Whose fingerprint windows are taken.
    """
    names = [threshold.metric for threshold in profile.thresholds]
    names += [] if stage is None else [f"{stage}.{window}" for window in WINDOWS]
    loads = [stage.name for stage in profile.stages if stage.load is not None]
    names += [f"{stage}.{metric}" for stage in loads for metric in _SHOWN]
    judged = {threshold.metric for threshold in profile.thresholds}
    often = {name for name, count in known.items() if count >= 2 and 2 * count >= n}
    return [name for name in dict.fromkeys(names) if name in judged or name in often]


def _known(runs: Sequence[UnitRun]) -> Counter[str]:
    return Counter(name for run in runs for name, figure in run.metrics.items() if figure.value is not None)


def limits_of(name: str, profile: Profile) -> tuple[float | None, float | None]:
    """Return the tightest limits that the profile's thresholds put on a metric."""
    own = [threshold for threshold in profile.thresholds if threshold.metric == name]
    lows = [threshold.minimum for threshold in own if threshold.minimum is not None]
    highs = [threshold.maximum for threshold in own if threshold.maximum is not None]
    return max(lows, default=None), min(highs, default=None)


def may_be_asked(profile: Profile) -> Callable[[str], bool]:
    """Return a test of whether QA against this profile may look at a metric of a given name."""
    judged = {threshold.metric for threshold in profile.thresholds}
    shown = {f"{stage.name}.{metric}" for stage in profile.stages if stage.load is not None for metric in _SHOWN}
    return lambda name: name in judged or name in shown or name.partition(".")[2] in WINDOWS


def _unit(name: str, runs: Sequence[UnitRun]) -> str:
    return next((figure.unit for run in runs if (figure := run.metrics.get(name)) is not None), "")


def _find_metric(
    name: str,
    sorted_runs: Sorted,
    profile: Profile,
    alpha: float,
    series: tuple[list[float | None], bool],
    changes: tuple[OrderChange, ...],
) -> MetricFinding:
    limits = limits_of(name, profile)
    runs = sorted_runs.counted
    figures = [run.metrics.get(name) for run in runs]
    values, moved = series
    is_count = _is_count(figures)
    every = [attempt.run for attempt in sorted_runs.attempts]
    outliers = find_outliers(values, alpha=alpha)
    chart = chart_over_time(values, runs)
    plain = finding_of(
        name,
        _unit(name, runs),
        finite(values),
        limits,
        _unit_verdict(name, sorted_runs, *limits),
        is_count=is_count,
        moved=moved,
        benches=Coded.of(run.bench for run, value in zip(runs, values, strict=True) if value is not None),
        changes=changes,
    )
    return replace(
        plain,
        places=() if is_count else places_of(values, runs),
        components=() if is_count else components_of(values_of(every, name, profile)[0], every),
        outliers=() if isinstance(outliers, Unanswered) else tuple(runs[at].run for at in outliers),
        gaps=(*_gaps(runs, figures), *_roomless(runs, figures, values)),
        chart=chart,
        batches=_batch_charts(values, runs, told=bool(changes)),
        # The rules alone signal in every second sound batch; they show where, once the order has shown that.
        signals=signals_of(chart, [run for run, value in zip(runs, values, strict=True) if value is not None])
        if changes
        else (),
    )


def _batch_charts(values: Sequence[float | None], runs: Sequence[UnitRun], *, told: bool) -> BatchCharts | None:
    charts = chart_batches(values, runs) if len({run.model for run in runs}) == 1 else None
    return charts if charts is None or told else replace(charts, signals=())


def values_of(runs: Sequence[UnitRun], name: str, profile: Profile) -> tuple[list[float | None], bool]:
    """Return a metric's values, and whether they were moved to the reference ambient.

    Temperatures are moved where most rooms are known, and one whose room is not known is then no figure; rises and
    resistances need no such correction.
    """
    values = as_column(_number(run.metrics.get(name)) for run in runs)
    ambients_c = as_column(run.ambient_c for run in runs)
    column, moved = moved_values(values, _unit(name, runs), ambients_c, name, profile)
    return [None if value != value else value for value in column.tolist()], moved


def moved_values(
    values: FloatArray, unit: str, ambients_c: FloatArray, name: str, profile: Profile
) -> tuple[FloatArray, bool]:
    """Return what `values_of` does, of columns in which NaN is no figure and no known room."""
    values = np.where(np.isfinite(values), values, np.nan)
    known = np.count_nonzero(np.isfinite(ambients_c))
    if unit != "°C" or name.split(".")[1] in AMBIENT_CHANNELS or 2 * known <= values.size:
        return values, False
    return over_reference_ambient(values, ambients_c, profile.reference_ambient_c), True


def _number(figure: UnitFigure | None) -> float | None:
    if figure is None or figure.value is None or not math.isfinite(figure.value):
        return None
    return figure.value


def _is_count(figures: Sequence[UnitFigure | None]) -> bool:
    known = [figure for figure in figures if figure is not None and figure.value is not None]
    return bool(known) and all(figure.u95 == 0 for figure in known)


def _unit_verdict(name: str, sorted_runs: Sorted, minimum: float | None, maximum: float | None) -> Verdict:
    if minimum is None and maximum is None:
        return Verdict.NOT_MEASURED
    return worst(judge_figure(run.metrics.get(name), minimum, maximum) for run in sorted_runs.deciding)


def _roomless(
    runs: Sequence[UnitRun], figures: Sequence[UnitFigure | None], values: Sequence[float | None]
) -> list[str]:
    """Return which units have a figure and no room to move it from."""
    units = [
        run.unit
        for run, figure, value in zip(runs, figures, values, strict=True)
        if value is None and _number(figure) is not None
    ]
    return [f"left out, since their room is not known: {_some(units)}"] if units else []


def _some(units: Sequence[str]) -> str:
    return ", ".join(units[:5]) + (f" and {len(units) - 5} more" if len(units) > 5 else "")


def _gaps(runs: Sequence[UnitRun], figures: Sequence[UnitFigure | None]) -> list[str]:
    missing = [run.unit for run, figure in zip(runs, figures, strict=True) if _number(figure) is None]
    if not missing or len(missing) == len(runs):
        return []
    return [f"not measured in {_some(missing)}"]
