"""Which runs count: one per unit, of one recipe, in like rooms; excluded runs are reported with the reason."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.profile import Profile
from verifyrig.metrology.run_verdict import figure_verdict, run_verdict
from verifyrig.metrology.verdict import Verdict
from verifyrig.qa.identity import Question, named_apart, questions_of
from verifyrig.qa.unit_run import UnitFigure, UnitRun

__all__ = ["Attempt", "ExcludedRun", "Sorted", "UnitFigure", "UnitRun", "judge_figure", "judge_unit", "sort_out"]

# A room this far from the others' middle changes fan speed and leakage, so that not even the rise is the same any
# more (common practice, no source: nearer than 3 K is called equal, and benches of one shop lie within 18 to 27 °C).
AMBIENT_RANGE_K = 6.0
# States that a gauge study changes from run to run; they make no run unlike the others.
_REPEATED_ON_PURPOSE = ("remount", "repeat", "person")
_ENDED_BY_PEOPLE: dict[str, str] = {
    CauseClass.OPERATOR: "the operator ended the run",
    CauseClass.TERMINATED: "the run was ended from outside",
    CauseClass.KILLED: "the program was killed",
    CauseClass.SUSPEND: "the machine was suspended",
    CauseClass.HANG: "the run hung",
    CauseClass.UNKNOWN: "the run was interrupted, and nobody knows why",
}


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
    every = named_apart(sorted(runs, key=_by_time))
    left_out = [
        ExcludedRun(run=run.run, unit=run.unit, why=why, foreign=True)
        for run in every
        if (why := _foreign(run, profile))
    ]
    apart = {item.run for item in left_out}
    own = [run for run in every if run.run not in apart]
    kept = _keep(own, [_own_reason(run) for run in own], left_out)
    kept = _keep(kept, _later_broken(kept, every), left_out)
    for condition in (_other_versions, _other_states, _other_ambients):
        kept = _keep(kept, condition(kept), left_out)
    questions = questions_of(kept)
    kept = kept if repeats else _keep(kept, _without_reason(kept), left_out)
    units: dict[str, list[UnitRun]] = {}
    for run in kept:
        units.setdefault(run.unit, []).append(run)
    without = dict.fromkeys(item.unit for item in left_out if item.unit not in units and not item.foreign)
    place = {run.run: at for at, run in enumerate(every)}
    return Sorted(
        attempts=tuple(attempt for own in units.values() for attempt in _attempts(own)),
        left_out=tuple(sorted(left_out, key=lambda item: place[item.run])),
        without_run=tuple(without),
        questions=questions,
    )


def _by_time(run: UnitRun) -> tuple[float, str]:
    return run.started_utc_s, run.run


def _keep(runs: Sequence[UnitRun], reasons: Sequence[str], left_out: list[ExcludedRun]) -> list[UnitRun]:
    """Return the runs without a reason; the others go to `left_out`."""
    pairs = list(zip(runs, reasons, strict=True))
    left_out += [ExcludedRun(run=run.run, unit=run.unit, why=why, broken=run.broken) for run, why in pairs if why]
    return [run for run, why in pairs if not why]


def _foreign(run: UnitRun, profile: Profile) -> str:
    """Return why a run is no attempt at this profile, or none yet; empty where it is one."""
    if run.refused:
        return ""
    if run.recipe is None:
        return "its recipe is unknown"
    if run.recipe != profile.recipe:
        return f"its recipe is not that of {profile.name}"
    return "the run is not over" if run.outcome == Outcome.RUNNING else ""


def _own_reason(run: UnitRun) -> str:
    """Return why a run cannot count whatever the others are; empty where it can."""
    if run.refused:
        return run.refused
    # A machine that lost its power has shown something about itself; a run that a person ended has not.
    return _ENDED_BY_PEOPLE.get(run.cause or "", "") if run.outcome == Outcome.INTERRUPTED else ""


def _later_broken(kept: Sequence[UnitRun], every: Sequence[UnitRun]) -> list[str]:
    """Whoever damages the record of an attempt that failed would bring back an earlier pass of the unit.

    A record that no longer says when it was made counts as a later one.
    """
    broken = {run.unit: run for run in sorted(every, key=lambda run: run.started_utc_s or math.inf) if run.broken}
    return [
        f"a later attempt, {broken[run.unit].run}, is altered or damaged"
        if run.unit in broken and not 0.0 < broken[run.unit].started_utc_s < run.started_utc_s
        else ""
        for run in kept
    ]


def _without_reason(kept: Sequence[UnitRun]) -> list[str]:
    """Whoever measures a unit until it passes has measured nothing: another attempt needs the reason that makes it one.

    One that did not go to its end, or that a gauge study repeats on purpose, needs none.
    """
    latest: dict[str, UnitRun] = {}
    whys = []
    for run in kept:
        before = latest.get(run.unit)
        studied = any(key in run.states for key in _REPEATED_ON_PURPOSE)
        free = before is None or bool(run.rework) or studied or before.outcome != Outcome.COMPLETED
        whys.append("" if free else "measured again without a reason: `run --rework CODE` says one")
        if free:
            latest[run.unit] = run
    return whys


def _other_versions(runs: Sequence[UnitRun]) -> list[str]:
    newest = max((run.version for run in runs), default="")
    why = f"computed with analysis version {{}}, the others with {newest}"
    return [why.format(run.version or "unknown") if run.version != newest else "" for run in runs]


def _other_states(runs: Sequence[UnitRun]) -> list[str]:
    """Known and different forbids; unknown alone does not."""
    usual: dict[str, str] = {}
    for key in dict.fromkeys(key for run in runs for key in run.states):
        counts = Counter(run.states[key] for run in runs if key in run.states)
        usual[key] = counts.most_common(1)[0][0]
    return [_different_state(run, usual) for run in runs]


def _different_state(run: UnitRun, usual: Mapping[str, str]) -> str:
    differing = [key for key, value in run.states.items() if value != usual[key] and key not in _REPEATED_ON_PURPOSE]
    return "; ".join(f"{key} is {run.states[key]}, of the others {usual[key]}" for key in differing)


def _other_ambients(runs: Sequence[UnitRun]) -> list[str]:
    known = [run.ambient_c for run in runs if run.ambient_c is not None]
    if not known:
        return [""] * len(runs)
    middle_c = statistics.median(known)
    return [
        f"its room was {run.ambient_c:.1f} °C, {abs(run.ambient_c - middle_c):.1f} K from the others' {middle_c:.1f} °C"
        if run.ambient_c is not None and abs(run.ambient_c - middle_c) > AMBIENT_RANGE_K
        else ""
        for run in runs
    ]


def _attempts(runs: Sequence[UnitRun]) -> list[Attempt]:
    """Return the attempts of one unit, whose runs come in order of time."""
    counted = next((run for run in runs if run.outcome == Outcome.COMPLETED), runs[0])
    return [
        Attempt(run=run, number=at + 1, of=len(runs), counted=run is counted, last=run is runs[-1])
        for at, run in enumerate(runs)
    ]


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
