"""Is the bench itself still right: golden units over time, the gauge study, calibrations and matches of probes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np

from verifyrig.capability import GaugeStudy, Unanswered, gauge_study
from verifyrig.core.profile import Profile
from verifyrig.core.reason import reason
from verifyrig.metrology.verdict import Verdict, worst
from verifyrig.qa.findings import values_of
from verifyrig.qa.golden_charts import GoldenChart, chart_golden, watched_metrics
from verifyrig.qa.units import ExcludedRun, UnitRun, sort_out

__all__ = ["FACTORS", "BenchCheck", "Calibrated", "check_bench", "gauge_verdict"]

FACTORS = ("remount", "person")


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibrated:
    """A probe whose calibration stands in bench.toml."""

    channel: str
    calibrated: date | None
    due: date | None


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
    sorted_runs = sort_out(_by_bench(golden), profile, repeats=True)
    kept = sorted((attempt.run for attempt in sorted_runs.attempts), key=lambda run: (run.started_utc_s, run.run))
    charts = chart_golden(kept, profile)
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


def _by_bench(golden: Sequence[UnitRun]) -> list[UnitRun]:
    """Return the runs with one golden unit of several benches as a unit of each: each bench has its own chart."""
    benches: dict[str, set[str | None]] = {}
    for run in golden:
        benches.setdefault(run.unit, set()).add(run.bench)
    return [
        replace(
            run,
            unit=f"{run.unit} on {run.bench or 'no named bench'}" if len(benches[run.unit]) > 1 else run.unit,
            batch=None,  # a kept machine is the same one whatever batch it was measured beside
        )
        for run in golden
    ]


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


def _gauge(studied: Sequence[UnitRun], profile: Profile) -> dict[str, GaugeStudy | Unanswered]:
    factor = next(name for name in FACTORS if any(name in run.states for run in studied))
    runs = [run for run in studied if factor in run.states and not run.refused and run.recipe == profile.recipe]
    return {name: _study(name, runs, factor, profile) for name in watched_metrics(runs, profile)}


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
