"""A machine that comes back: is it as it left, has it drifted, or is there a new fault? Pure."""

from __future__ import annotations

from dataclasses import dataclass

from verifyrig.analysis.results import Comparison
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.reason import Reason, reason
from verifyrig.jobs.model import RunFacts

SAME, DRIFTED, NEW_FAULT, NOT_COMPARABLE = "same", "drifted", "new-fault", "not-comparable"
_COMPARED = ("thermal_resistance", "thermal_impedance", ".settled", ".rise")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnComparison:
    """Today's run against the one that the job was signed off by.

    Attributes:
        word: `same`, `drifted`, `new-fault` or `not-comparable`.
        why: Reasons.
    """

    word: str
    why: tuple[Reason, ...]


def judge_come_back(then: RunFacts, now: RunFacts, comparison: Comparison) -> ReturnComparison:
    """Return what today's run says beside the run of then.

    A run that fails or ends badly where the one of then went through is a new fault, whatever its figures; figures
    that differ by more than their uncertainty are drift; where nothing is comparable, nothing is said.
    """
    if now.outcome in (Outcome.TRIPPED, Outcome.STOPPED) or now.cause in (CauseClass.POWER_OFF, CauseClass.HANG):
        return ReturnComparison(word=NEW_FAULT, why=(reason("today-ended", how=str(now.cause or now.outcome)),))
    if now.verdict == "fail" and then.verdict != "fail":
        return ReturnComparison(word=NEW_FAULT, why=(reason("today-fails-what-it-kept"),))
    if not comparison.comparable:
        return ReturnComparison(word=NOT_COMPARABLE, why=_hindrances(comparison) or (reason("cannot-be-compared"),))
    moved = tuple(_moved(comparison))
    if moved:
        return ReturnComparison(word=DRIFTED, why=moved)
    return ReturnComparison(word=SAME, why=(reason("no-figure-differs"),))


def _hindrances(comparison: Comparison) -> tuple[Reason, ...]:
    """Return each reason that forbids once, with its stages; what is only unknown forbids nothing by itself."""
    stages_of: dict[str, tuple[Reason, list[str]]] = {}
    for name, stage in comparison.stages.items():
        for why in stage.forbidden_by:
            stages_of.setdefault(str(why), (why, []))[1].append(name)
    return tuple(reason("in-stages", why=(why,), stages=", ".join(names)) for why, names in stages_of.values())


def _moved(comparison: Comparison) -> list[Reason]:
    return [
        reason("figure-moved", metric=name, then=metric.before, now=metric.after)
        for name, metric in comparison.metrics.items()
        if metric.significant
        and metric.before is not None
        and metric.after is not None
        and any(word in name for word in _COMPARED)
    ]
