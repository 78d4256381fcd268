"""A machine that comes back: is it as it left, has it drifted, or is there a new fault? Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from verifyrig.jobs.model import RunFacts

SAME, DRIFTED, NEW_FAULT, NOT_COMPARABLE = "same", "drifted", "new-fault", "not-comparable"
_TELLING = ("thermal_resistance", "thermal_impedance", ".settled", ".rise")


@dataclass(frozen=True, slots=True, kw_only=True)
class ComeBack:
    """Today's run against the one that the job was signed off by.

    Attributes:
        word: `same`, `drifted`, `new-fault` or `not-comparable`.
        why: Reasons, each a clause.
    """

    word: str
    why: tuple[str, ...]


def judge_come_back(then: RunFacts, now: RunFacts, comparison: Mapping[str, Any]) -> ComeBack:
    """Return what today's run says beside the run of then.

    Args:
        comparison: The contract's `compare` object of the two.

    A run that fails or ends badly where the one of then went through is a new fault, whatever its figures; figures
    that differ by more than their uncertainty are drift; where nothing is comparable, nothing is said.
    """
    if now.outcome in ("tripped", "stopped") or now.cause in ("power-off", "hang"):
        return ComeBack(word=NEW_FAULT, why=(f"today's run ended: {now.cause or now.outcome}",))
    if now.verdict == "fail" and then.verdict != "fail":
        return ComeBack(word=NEW_FAULT, why=("today's run fails a limit that it kept then",))
    if not comparison.get("comparable"):
        return ComeBack(word=NOT_COMPARABLE, why=_hindrances(comparison) or ("the two runs cannot be compared",))
    moved = tuple(_moved(comparison.get("metrics") or {}))
    if moved:
        return ComeBack(word=DRIFTED, why=moved)
    return ComeBack(word=SAME, why=("no figure differs by more than its uncertainty",))


def _hindrances(comparison: Mapping[str, Any]) -> tuple[str, ...]:
    """Return each reason once, with its stages; what is only unknown forbids no comparison by itself."""
    stages_of: dict[str, list[str]] = {}
    for name, stage in (comparison.get("stages") or {}).items():
        for reason in stage.get("why") or ():
            if " unknown in " not in reason:
                stages_of.setdefault(reason, []).append(name)
    return tuple(f"{reason} ({', '.join(names)})" for reason, names in stages_of.items())


def _moved(metrics: Mapping[str, Any]) -> list[str]:
    found = []
    for name, metric in metrics.items():
        if metric.get("significant") and any(word in name for word in _TELLING):
            found.append(f"{name} {metric['before']:.4g} then, {metric['after']:.4g} now")
    return found
