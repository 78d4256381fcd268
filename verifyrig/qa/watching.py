"""A batch watched while it is measured: what changed, stands out or fails, said once, at one chance of a false alarm.

Order and outliers are looked for at the fixed numbers of units of `capability.looks`, with the budget of a finished
batch spent over all of them. A unit that fails its limits is told of at once: limits have guard bands of their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from verifyrig.capability import LOOKS, Unanswered, alpha_of_a_look, find_outliers, looks_due
from verifyrig.core.profile import Profile
from verifyrig.metrology.verdict import Verdict
from verifyrig.qa.findings import changes_over, series_of
from verifyrig.qa.order import FALSE_ALARM, OUTLIER_FALSE_ALARM
from verifyrig.qa.unit_run import UnitRun
from verifyrig.qa.units import judge_unit, sort_out

__all__ = ["AlarmCode", "BatchAlarm", "WatchedBatch", "watch_batch"]


class AlarmCode(StrEnum):
    """What an alarm of a batch tells of."""

    BATCH_CHANGED = "batch-changed"
    UNIT_STANDS_OUT = "unit-stands-out"
    UNIT_FAILED = "unit-failed"


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchAlarm:
    """One alarm; `units` says at how many units it was seen, `metric` is empty for a unit that failed."""

    code: AlarmCode
    text: str
    units: int
    metric: str = ""
    run: str = ""
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedBatch:
    """How far a batch was watched; it is kept, so that no look is taken twice.

    Attributes:
        series: The runs that were counted, in the order in which they came, of the looks in progress.
        looks: How many looks were taken at that series.
        past: Runs of series that had all their looks.
        failed: Runs that were told of as failed.
        told: Metric and code of what was told of the series' order, run of what stood out.
    """

    series: tuple[str, ...] = ()
    looks: int = 0
    past: tuple[str, ...] = ()
    failed: tuple[str, ...] = ()
    told: tuple[str, ...] = ()
    alarms: int = 0


def watch_batch(
    before: WatchedBatch, runs: Sequence[UnitRun], profile: Profile
) -> tuple[WatchedBatch, list[BatchAlarm]]:
    """Return how far the batch is watched now, and the alarms that are new.

    Args:
        runs: All runs of the batch, whenever they were made.
    """
    found = sort_out(runs, profile)
    by_run = {run.run: run for run in found.counted}
    seen = {*before.series, *before.past}
    series = (*before.series, *(run.run for run in found.counted if run.run not in seen))
    state, alarms = replace(before, series=series), []
    for look in looks_due(state.looks, len(state.series)):
        some = [by_run[run] for run in state.series[:look] if run in by_run]
        new = [alarm for alarm in _look(some, profile) if _key(alarm) not in state.told]
        state = replace(state, looks=state.looks + 1, told=(*state.told, *map(_key, new)))
        alarms += new
    failed = [
        attempt.run
        for attempt in found.attempts
        if judge_unit(attempt.run, profile) is Verdict.FAIL and attempt.run.run not in state.failed
    ]
    alarms += [_failure(run, len(state.series)) for run in failed]
    state = replace(state, failed=(*state.failed, *(run.run for run in failed)), alarms=state.alarms + len(alarms))
    if state.looks == len(LOOKS):  # the chance of this series is spent; what comes now is another
        past = (*state.past, *state.series[: LOOKS[-1]])
        state = replace(state, past=past, series=state.series[LOOKS[-1] :], looks=0, told=())
    return state, alarms


def _key(alarm: BatchAlarm) -> str:
    return f"{alarm.code} {alarm.metric} {alarm.run if alarm.code is AlarmCode.UNIT_STANDS_OUT else ''}"


def _look(runs: Sequence[UnitRun], profile: Profile) -> list[BatchAlarm]:
    """Return what is seen at one look, at its part of the chance of a false alarm."""
    series = series_of(runs, profile)
    changes = changes_over(runs, series, alpha_of_a_look(FALSE_ALARM - OUTLIER_FALSE_ALARM))
    found = [
        BatchAlarm(
            code=AlarmCode.BATCH_CHANGED,
            text=f"{name}: {change.why}",
            units=len(runs),
            metric=name,
            run=change.run or "",
        )
        for name, own in changes.items()
        for change in own[:1]
    ]
    alpha = alpha_of_a_look(OUTLIER_FALSE_ALARM) / max(1, len(series))
    for name, (values, _) in series.items():
        odd = find_outliers(values, alpha=alpha)
        for at in () if isinstance(odd, Unanswered) else odd:
            found.append(
                BatchAlarm(
                    code=AlarmCode.UNIT_STANDS_OUT,
                    text=f"{runs[at].unit} stands out in {name}",
                    units=len(runs),
                    metric=name,
                    run=runs[at].run,
                    unit=runs[at].unit,
                )
            )
    return found


def _failure(run: UnitRun, units: int) -> BatchAlarm:
    return BatchAlarm(code=AlarmCode.UNIT_FAILED, text=f"{run.unit} failed", units=units, run=run.run, unit=run.unit)
