"""Golden units over time: they watch the bench, not the products.

One look at a steady bench calls it anything but steady at most once in a hundred, over all charts together: half of
that for a figure that creeps or steps over all of its runs, half for the last runs that lie apart from the others.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from verifyrig.capability import (
    FEWEST_FOR_A_CLAIM,
    Chart,
    OrderPattern,
    OrderSignal,
    Trend,
    Unanswered,
    find_order,
    find_outliers,
    find_trend,
    individuals_chart,
)
from verifyrig.capability.samples import FloatArray
from verifyrig.core.profile import Profile
from verifyrig.metrology.verdict import Verdict
from verifyrig.qa.findings import values_of
from verifyrig.qa.shapes import WINDOWS, fingerprint_stage
from verifyrig.qa.units import UnitRun

__all__ = ["FALSE_ALARM", "GoldenChart", "chart_golden", "watched_metrics"]

# Of anything being said against a steady bench at one look: a bench looked at weekly is then accused once in two years.
FALSE_ALARM = 0.01
_DAY_S = 86_400.0
# The last run alone, and the last three together: what began since the last looks.
_RECENT = (1, 3)
_FEWEST_BEFORE = 4
# What a bench shows of one kept unit, whether or not the profile judges it.
_ALWAYS = ("die_temp_c.rise", "thermal_resistance")


@dataclass(frozen=True, slots=True, kw_only=True)
class Recent:
    """The last runs against all before them: by how much they differ, and how seldom chance does that."""

    runs: int
    difference: float
    p_value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GoldenChart:
    """One metric of one golden unit over time.

    Attributes:
        runs: The run of each point, in order of time.
        trend: Per day.
        order: What changed over all runs, None where nothing did.
        recent: The last runs, None where they do not lie apart.
    """

    unit: str
    metric: str
    unit_of_measure: str
    runs: tuple[str, ...]
    chart: Chart | Unanswered
    trend: Trend | Unanswered
    order: OrderSignal | None
    recent: Recent | None
    verdict: Verdict

    @property
    def creeps(self) -> bool:
        """Whether a slow change over all runs is too plain for chance."""
        return self.order is not None and self.order.pattern is OrderPattern.DRIFT

    @property
    def why(self) -> str:
        """What the verdict rests on, one clause."""
        if isinstance(self.chart, Unanswered):
            return str(self.chart.why)
        found = []
        if self.recent is not None:
            last = "the last run lies" if self.recent.runs == 1 else f"the last {self.recent.runs} runs lie"
            found.append(f"{last} {self.recent.difference:+.3g} {self.unit_of_measure} from those before")
        if self.creeps and isinstance(self.trend, Trend):
            found.append(f"it creeps by {self.trend.slope * 30:+.3g} {self.unit_of_measure} in 30 days")
        elif self.order is not None and self.order.pattern is OrderPattern.STEP:
            found.append(f"it steps at run {self.runs[self.order.at]}")
        elif self.order is not None:
            found.append("it comes and goes")
        if not found and len(self.runs) < FEWEST_FOR_A_CLAIM:
            return f"provisional: {len(self.runs)} runs"
        return "; ".join(found) or f"steady over {len(self.runs)} runs"


@dataclass(frozen=True, slots=True)
class _Series:
    unit: str
    metric: str
    runs: tuple[UnitRun, ...]
    values: tuple[float, ...]


def chart_golden(kept: Sequence[UnitRun], profile: Profile) -> list[GoldenChart]:
    """Return a chart for each metric of each golden unit; runs come in order of time."""
    units = list(dict.fromkeys(run.unit for run in kept))
    own = {unit: [run for run in kept if run.unit == unit] for unit in units}
    series = [_series(unit, name, own[unit], profile) for unit in units for name in watched_metrics(own[unit], profile)]
    orders = {unit: _orders([one for one in series if one.unit == unit], own[unit], len(units)) for unit in units}
    return [_chart(one, orders[one.unit].get(one.metric), len(series)) for one in series]


def watched_metrics(runs: Sequence[UnitRun], profile: Profile) -> list[str]:
    """Return what is charted: judged figures that are no counts, the fingerprint, rise and resistance."""
    names = [threshold.metric for threshold in profile.thresholds]
    stage = fingerprint_stage(runs)
    names += [f"{stage}.{window}" for window in WINDOWS] if stage is not None else []
    names += [f"{s.name}.{metric}" for s in profile.stages if s.load is not None for metric in _ALWAYS]
    return [name for name in dict.fromkeys(names) if _is_measured(name, runs)]


def _is_measured(name: str, runs: Sequence[UnitRun]) -> bool:
    figures = [figure for run in runs if (figure := run.metrics.get(name)) is not None and figure.value is not None]
    return bool(figures) and any(figure.u95 != 0 for figure in figures)


def _series(unit: str, name: str, runs: Sequence[UnitRun], profile: Profile) -> _Series:
    values, _ = values_of(runs, name, profile)
    measured = [(run, value) for run, value in zip(runs, values, strict=True) if value is not None]
    return _Series(unit, name, tuple(run for run, _ in measured), tuple(value for _, value in measured))


def _orders(series: Sequence[_Series], runs: Sequence[UnitRun], units: int) -> dict[str, OrderSignal]:
    """Return by metric what changed over one unit's runs, at this unit's part of the budget."""
    by_run = [{run.run: value for run, value in zip(one.runs, one.values, strict=True)} for one in series]
    table = {one.metric: [known.get(run.run) for run in runs] for one, known in zip(series, by_run, strict=True)}
    found = find_order(table, [None] * len(runs), alpha=FALSE_ALARM / 2 / units)
    return {signal.metric: signal for signal in reversed(found)}


def _chart(one: _Series, order: OrderSignal | None, charts: int) -> GoldenChart:
    chart = _settled_chart(one.values)
    recent = _recent(np.array(one.values), FALSE_ALARM / 2 / charts)
    days = [(run.started_utc_s - one.runs[0].started_utc_s) / _DAY_S for run in one.runs]
    return GoldenChart(
        unit=one.unit,
        metric=one.metric,
        unit_of_measure=one.runs[0].metrics[one.metric].unit,
        runs=tuple(run.run for run in one.runs),
        chart=chart,
        trend=find_trend(days, one.values),
        order=order,
        recent=recent,
        verdict=_verdict(chart, order, recent),
    )


def _verdict(chart: Chart | Unanswered, order: OrderSignal | None, recent: Recent | None) -> Verdict:
    """Runs that lie apart now fail the bench; what changed over its whole history leaves a doubt."""
    if isinstance(chart, Unanswered):
        return Verdict.NOT_MEASURED
    if recent is not None:
        return Verdict.FAIL
    if order is not None:
        return Verdict.CONDITIONAL_FAIL
    return Verdict.PASS if chart.points.size >= FEWEST_FOR_A_CLAIM else Verdict.CONDITIONAL_PASS


def _recent(values: FloatArray, alpha: float) -> Recent | None:
    """Return the last runs where they lie apart from those before by Student's two-sample test, None where not."""
    from scipy.special import stdtr

    found: list[Recent] = []
    for count in _RECENT:
        before, last = _without_wild(values[:-count]), values[-count:]
        if before.size < _FEWEST_BEFORE:
            continue
        dof = before.size + count - 2
        squares = float(np.sum((before - before.mean()) ** 2) + np.sum((last - last.mean()) ** 2))
        error = math.sqrt(squares / dof * (1 / before.size + 1 / count))
        if error == 0:
            continue
        difference = float(last.mean() - before.mean())
        p_value = 2 * float(stdtr(dof, -abs(difference / error)))
        found.append(Recent(runs=count, difference=difference, p_value=p_value))
    plain = [recent for recent in found if recent.p_value <= alpha / len(_RECENT)]
    return min(plain, key=lambda recent: recent.p_value, default=None)


def _without_wild(values: FloatArray) -> FloatArray:
    """Return the values without outliers: what went wrong once, long ago, must not hide what goes wrong now."""
    wild = find_outliers(list(values), alpha=0.001)
    return values if isinstance(wild, Unanswered) else np.delete(values, wild)


def _settled_chart(values: Sequence[float]) -> Chart | Unanswered:
    """Return the chart with limits from the points that are themselves within them.

    One wild run would else move the centre, and all others would lie on one side of it.
    """
    first = individuals_chart(values)
    if isinstance(first, Unanswered):
        return first
    wild = {signal.at for signal in first.signals if signal.rule == 1}
    others = individuals_chart([value for at, value in enumerate(values) if at not in wild]) if wild else first
    return (
        first if isinstance(others, Unanswered) else individuals_chart(values, centre=others.centre, sigma=others.sigma)
    )
