"""Charts of units and of batches: what changed over time, whether or not a limit is near."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from verifyrig.capability import Chart, Unanswered, batch_chart, individuals_chart, short_run_chart
from verifyrig.qa.units import UnitRun

__all__ = ["BatchCharts", "ChartSignal", "chart_batches", "chart_over_time", "signals_of"]

# The range says less than the standard deviation from about ten units on; larger batches add nothing (E2587).
_SD_FROM = 10
_LARGEST_BATCH = 25


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartSignal:
    """A run at which a control chart breaks a rule."""

    run: str
    rule: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchCharts:
    """Batches of units as points of a chart, by range or, from ten units on, by standard deviation.

    Attributes:
        size: How many units of each batch are taken, the first ones.
        signals: Batch, rule and words of every rule that is broken.
    """

    by: str
    size: int
    names: tuple[str, ...]
    chart: Chart
    signals: tuple[tuple[str, int, str], ...]


def chart_over_time(values: Sequence[float | None], runs: Sequence[UnitRun]) -> Chart | None:
    """Return the chart of single units in order of time; of several models their Z on one scale; None without one."""
    models = [run.model or "" for run in runs]
    several = len(set(models)) > 1
    chart = short_run_chart(values, models) if several else individuals_chart(values)
    return None if isinstance(chart, Unanswered) else chart


def chart_batches(values: Sequence[float | None], runs: Sequence[UnitRun]) -> BatchCharts | None:
    """Return the chart of batches in order of their first unit; None without two batches of two measured units."""
    groups: dict[str, list[float]] = {}
    for run, value in zip(runs, values, strict=True):
        if run.batch is not None and value is not None:
            groups.setdefault(run.batch, []).append(value)
    groups = {name: group for name, group in groups.items() if len(group) >= 2}
    if len(groups) < 2:
        return None
    size = min(_LARGEST_BATCH, *(len(group) for group in groups.values()))
    by = "range" if size < _SD_FROM else "sd"
    chart = batch_chart([group[:size] for group in groups.values()], by=by)
    if isinstance(chart, Unanswered):
        return None
    names = tuple(groups)
    signals = tuple((names[signal.at], signal.rule, signal.why) for signal in chart.signals)
    return BatchCharts(by=by, size=size, names=names, chart=chart, signals=signals)


def signals_of(chart: Chart | None, measured: Sequence[UnitRun]) -> tuple[ChartSignal, ...]:
    if chart is None or chart.points.size != len(measured):
        return ()
    return tuple(ChartSignal(run=measured[signal.at].run, rule=signal.rule, why=signal.why) for signal in chart.signals)
