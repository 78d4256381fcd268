"""Is the bench itself still right: golden units over time, the gauge study, calibrations and matches of probes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from verifyrig.capability import (
    FEWEST_FOR_A_CLAIM,
    Chart,
    GaugeStudy,
    Signal,
    Trend,
    Unanswered,
    find_trend,
    gauge_study,
    individuals_chart,
)
from verifyrig.core.profile import Profile
from verifyrig.core.reason import reason
from verifyrig.metrology.verdict import Verdict, worst
from verifyrig.qa.findings import values_of
from verifyrig.qa.shapes import WINDOWS, fingerprint_stage
from verifyrig.qa.units import ExcludedRun, UnitRun, sort_out

__all__ = ["FACTORS", "BenchCheck", "Calibrated", "GoldenChart", "check_bench", "gauge_verdict"]

_DAY_S = 86_400.0
_RECENT_RUNS = 3
_CREEP_P = 0.01
# What a bench shows of one kept unit, whether or not the profile judges it.
_ALWAYS = ("die_temp_c.rise", "thermal_resistance")
FACTORS = ("remount", "person")


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibrated:
    """A probe whose calibration stands in bench.toml."""

    channel: str
    calibrated: date | None
    due: date | None


@dataclass(frozen=True, slots=True, kw_only=True)
class GoldenChart:
    """One metric of one golden unit over time: it watches the bench, not the products.

    Attributes:
        runs: The run of each point, in order of time.
        trend: Per day.
    """

    unit: str
    metric: str
    unit_of_measure: str
    runs: tuple[str, ...]
    chart: Chart | Unanswered
    trend: Trend | Unanswered
    verdict: Verdict

    @property
    def why(self) -> str:
        """What the verdict rests on, one clause."""
        if isinstance(self.chart, Unanswered):
            return str(self.chart.why)
        found = [f"{self.runs[signal.at]}: {signal.why}" for signal in recent_signals(self.chart)]
        if isinstance(self.trend, Trend) and is_creep(self.trend):
            found.append(f"it creeps by {self.trend.slope * 30:+.3g} {self.unit_of_measure} in 30 days")
        if not found and len(self.runs) < FEWEST_FOR_A_CLAIM:
            return f"provisional: {len(self.runs)} runs"
        return "; ".join(found) or f"steady over {len(self.runs)} runs"


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchCheck:
    """The whole answer.

    Attributes:
        gauge: By metric, the gauge study or why there is none; empty where no run was marked for one.
        overdue: Channels whose calibration is overdue, with words.
        matches: By name, what the stored match of two probes says, in words.
    """

    golden: tuple[GoldenChart, ...]
    gauge: Mapping[str, GaugeStudy | Unanswered]
    overdue: tuple[str, ...]
    matches: Mapping[str, str]
    left_out: tuple[ExcludedRun, ...]
    verdict: Verdict
    notes: tuple[str, ...]


def check_bench(
    golden: Sequence[UnitRun],
    studied: Sequence[UnitRun],
    profile: Profile,
    calibrated: Sequence[Calibrated],
    matches: Mapping[str, str],
    today: date,
) -> BenchCheck:
    """Return what the bench's own runs say of it.

    Args:
        golden: Runs of the golden units, in any order.
        studied: Runs marked with `remount` (or `person`) for a gauge study; empty where there was none.
        calibrated: Probes with their dates.
        matches: Stored differences of probes, in words.
        today: For what is overdue.
    """
    sorted_runs = sort_out(golden, profile)
    kept = sorted((attempt.run for attempt in sorted_runs.attempts), key=lambda run: (run.started_utc_s, run.run))
    charts = [chart for unit in dict.fromkeys(run.unit for run in kept) for chart in _charts(unit, kept, profile)]
    gauge = _gauge(studied, profile) if studied else {}
    overdue = [
        f"{item.channel} is overdue since {item.due}"
        for item in calibrated
        if item.due is not None and item.due < today
    ]
    verdicts = [chart.verdict for chart in charts] + [gauge_verdict(study) for study in gauge.values()]
    verdicts += [Verdict.CONDITIONAL_FAIL] if overdue else []
    return BenchCheck(
        golden=tuple(charts),
        gauge=gauge,
        overdue=tuple(overdue),
        matches=matches,
        left_out=sorted_runs.left_out,
        verdict=worst(verdicts) if charts or gauge else Verdict.NOT_MEASURED,
        notes=tuple(_notes(charts, gauge, calibrated)),
    )


def _notes(charts: Sequence[GoldenChart], gauge: Mapping[str, Any], calibrated: Sequence[Calibrated]) -> list[str]:
    notes = []
    if not charts:
        notes.append(
            "no golden unit was measured: keep one machine, run it every week with --unit, and name it in bench.toml "
            'as [rig_check] golden = ["NAME"]'
        )
    if not gauge:
        notes.append(
            "no gauge study: run some units several times, taking the probe off in between, with --state remount=1, "
            "remount=2 and so on"
        )
    if not calibrated:
        notes.append("no probe of this bench is calibrated")
    return notes


def _metrics(runs: Sequence[UnitRun], profile: Profile) -> list[str]:
    """Return what is charted: judged figures that are no counts, the fingerprint, rise and resistance."""
    names = [threshold.metric for threshold in profile.thresholds]
    stage = fingerprint_stage(runs)
    names += [f"{stage}.{window}" for window in WINDOWS] if stage is not None else []
    names += [f"{s.name}.{metric}" for s in profile.stages if s.load is not None for metric in _ALWAYS]
    return [name for name in dict.fromkeys(names) if _is_measured(name, runs)]


def _is_measured(name: str, runs: Sequence[UnitRun]) -> bool:
    figures = [figure for run in runs if (figure := run.metrics.get(name)) is not None and figure.value is not None]
    return bool(figures) and any(figure.u95 != 0 for figure in figures)


def _charts(unit: str, kept: Sequence[UnitRun], profile: Profile) -> list[GoldenChart]:
    runs = [run for run in kept if run.unit == unit]
    return [_chart(unit, name, runs, profile) for name in _metrics(runs, profile)]


def _chart(unit: str, name: str, runs: Sequence[UnitRun], profile: Profile) -> GoldenChart:
    values, _ = values_of(runs, name, profile)
    measured = [(run, value) for run, value in zip(runs, values, strict=True) if value is not None]
    chart = _settled_chart([value for _, value in measured])
    days = [(run.started_utc_s - measured[0][0].started_utc_s) / _DAY_S for run, _ in measured]
    trend = find_trend(days, [value for _, value in measured])
    return GoldenChart(
        unit=unit,
        metric=name,
        unit_of_measure=next(run.metrics[name].unit for run, _ in measured),
        runs=tuple(run.run for run, _ in measured),
        chart=chart,
        trend=trend,
        verdict=_chart_verdict(chart, trend),
    )


def _settled_chart(values: Sequence[float]) -> Chart | Unanswered:
    """Return the chart with limits from the points that are themselves within them.

    One wild run would else move the centre, and all others would lie on one side of it.
    """
    first = individuals_chart(values)
    if isinstance(first, Unanswered):
        return first
    wild = {signal.at for signal in first.signals if signal.rule == 1}
    rest = individuals_chart([value for at, value in enumerate(values) if at not in wild]) if wild else first
    return first if isinstance(rest, Unanswered) else individuals_chart(values, centre=rest.centre, sigma=rest.sigma)


def recent_signals(chart: Chart) -> list[Signal]:
    """Return the rules broken of late: what was amiss last year has been seen to, or the chart would show it now."""
    return [signal for signal in chart.signals if signal.at >= chart.points.size - _RECENT_RUNS]


def is_creep(trend: Trend) -> bool:
    """Return whether a trend counts: it is looked for anew every week, so few runs and weak evidence do not."""
    return trend.n >= FEWEST_FOR_A_CLAIM and trend.p_value < _CREEP_P


def _chart_verdict(chart: Chart | Unanswered, trend: Trend | Unanswered) -> Verdict:
    """A point beyond three sigma or a proven trend fails; the weaker patterns leave a doubt."""
    if isinstance(chart, Unanswered):
        return Verdict.NOT_MEASURED
    recent = recent_signals(chart)
    if any(signal.rule in (0, 1) for signal in recent):
        return Verdict.FAIL
    if recent or (isinstance(trend, Trend) and is_creep(trend)):
        return Verdict.CONDITIONAL_FAIL
    return Verdict.PASS if chart.points.size >= FEWEST_FOR_A_CLAIM else Verdict.CONDITIONAL_PASS


def _gauge(studied: Sequence[UnitRun], profile: Profile) -> dict[str, GaugeStudy | Unanswered]:
    factor = next(name for name in FACTORS if any(name in run.states for run in studied))
    runs = [run for run in studied if factor in run.states and not run.refused and run.recipe == profile.recipe]
    return {name: _study(name, runs, factor, profile) for name in _metrics(runs, profile)}


def _study(name: str, runs: Sequence[UnitRun], factor: str, profile: Profile) -> GaugeStudy | Unanswered:
    values, _ = values_of(runs, name, profile)
    cells: dict[tuple[str, str], list[float]] = {}
    for run, value in sorted(zip(runs, values, strict=True), key=lambda pair: pair[0].started_utc_s):
        if value is not None:
            cells.setdefault((run.unit, run.states[factor]), []).append(value)
    units, levels = sorted({unit for unit, _ in cells}), sorted({level for _, level in cells})
    whole = [unit for unit in units if all((unit, level) in cells for level in levels)]
    if not whole:
        return Unanswered(why=reason("study-level-missing", factor=factor))
    repeats = min(len(cells[unit, level]) for unit in whole for level in levels)
    table = [[cells[unit, level][:repeats] for level in levels] for unit in whole]
    return gauge_study(table, tolerance_width=_tolerance_width(name, table, profile), factor=factor)


def _tolerance_width(name: str, table: Sequence[Sequence[Sequence[float]]], profile: Profile) -> float | None:
    """Return the room that a gauge may take of: both limits apart, or twice from the units' mean to the only one."""
    threshold = next((t for t in profile.thresholds if t.metric == name), None)
    if threshold is None:
        return None
    low, high, mean = threshold.minimum, threshold.maximum, float(np.mean(table))
    if low is not None and high is not None:
        width = high - low
    else:
        width = 2 * (high - mean) if high is not None else 2 * (mean - (low or 0.0))
    return width if width > 0 else None


def gauge_verdict(study: GaugeStudy | Unanswered) -> Verdict:
    """Return what a gauge study means for the bench."""
    if isinstance(study, Unanswered):
        return Verdict.NOT_MEASURED
    return {"fit": Verdict.PASS, "conditional": Verdict.CONDITIONAL_PASS, "unfit": Verdict.FAIL}[study.fitness]
