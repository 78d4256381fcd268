"""Which runs count: one per unit, of one recipe, in like rooms; excluded runs are reported with the reason."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from verifyrig.core.profile import Profile
from verifyrig.metrology.run_verdict import figure_verdict, run_verdict
from verifyrig.metrology.verdict import Verdict
from verifyrig.qa.columns import columns_of
from verifyrig.qa.identity import Question
from verifyrig.qa.sorting import sort_columns
from verifyrig.qa.unit_run import UnitFigure, UnitRun

__all__ = ["Attempt", "ExcludedRun", "Sorted", "UnitFigure", "UnitRun", "judge_figure", "judge_unit", "sort_out"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ExcludedRun:
    """A run that does not count, and why.

    Attributes:
        broken: Its record is altered or damaged.
        foreign: It is no attempt at this profile, or is not over: its unit is not missing from the batch for that.
    """

    run: str
    unit: str
    why: str
    broken: bool = False
    foreign: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One run of a unit among all of its comparable ones.

    Attributes:
        number, of: Which attempt, from 1, and how many there are.
        counted: Whether the statistics take this one (the first that went to its end).
        last: Whether this one decides on the unit.
    """

    run: UnitRun
    number: int
    of: int
    counted: bool
    last: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Sorted:
    """All runs, sorted out.

    Attributes:
        attempts: Every comparable run, by unit and then by time.
        left_out: Every other run.
        questions: Where names and boards do not agree.
        without_run: Units that were to be measured, and of which no run is comparable.
    """

    attempts: tuple[Attempt, ...]
    left_out: tuple[ExcludedRun, ...]
    without_run: tuple[str, ...]
    questions: tuple[Question, ...] = ()

    @property
    def counted(self) -> list[UnitRun]:
        """One run for each unit, for the statistics, in order of time."""
        runs = [attempt.run for attempt in self.attempts if attempt.counted]
        return sorted(runs, key=lambda run: (run.started_utc_s, run.run))

    @property
    def deciding(self) -> list[UnitRun]:
        """One run for each unit, for its verdict: the last attempt."""
        return [attempt.run for attempt in self.attempts if attempt.last]


def sort_out(runs: Iterable[UnitRun], profile: Profile, *, repeats: bool = False) -> Sorted:
    """Separate comparable runs from others, each of those with its reason.

    Args:
        repeats: Whether units are measured again and again on purpose, as golden ones are.
    """
    given = list(runs)
    found = sort_columns(columns_of(given), profile, repeats=repeats)
    every = [_named(given[place], found.units[row]) for row, place in enumerate(found.order.tolist())]
    return Sorted(
        attempts=tuple(
            Attempt(run=every[row], number=number, of=of, counted=counted, last=last)
            for row, number, of, counted, last in zip(*(own.tolist() for own in found.attempts), strict=True)
        ),
        left_out=tuple(
            ExcludedRun(
                run=every[row].run,
                unit=every[row].unit,
                why=found.words(row, profile),
                broken=every[row].broken,
                foreign=found.is_foreign(row),
            )
            for row in np.flatnonzero(found.why).tolist()
        ),
        without_run=found.without_run,
        questions=found.questions,
    )


def _named(run: UnitRun, unit: str) -> UnitRun:
    return run if run.unit == unit else replace(run, unit=unit)


def judge_figure(figure: UnitFigure | None, minimum: float | None, maximum: float | None) -> Verdict:
    """Return the guard-banded verdict on one figure; what may not pass is then not measured."""
    if figure is None:
        return Verdict.NOT_MEASURED
    may_pass = not figure.why_no_pass
    return figure_verdict(figure.value, figure.u95, minimum=minimum, maximum=maximum, may_pass=may_pass)


def judge_unit(run: UnitRun, profile: Profile) -> Verdict:
    """Return the verdict on one unit against the profile, by the rule of every run."""
    limits = [judge_figure(run.metrics.get(t.metric), t.minimum, t.maximum) for t in profile.thresholds]
    return run_verdict(limits, outcome=run.outcome, lost_power=run.lost_power)
