"""The one rule that makes a verdict of a figure and of a whole run; every face (run, metrics, report, qa) asks here.

A figure passes only where nothing forbids it; a run only where it was completed and its record is sealed. A machine
that lost its power without anybody's doing has failed, whatever it was doing then and whatever the run was for.
"""

from __future__ import annotations

from collections.abc import Iterable

from verifyrig.core.integrity import Integrity
from verifyrig.core.outcome import Outcome
from verifyrig.metrology.verdict import Verdict, judge, worst

__all__ = ["figure_verdict", "leans_to_pass", "proven", "run_verdict", "without_pass"]


def leans_to_pass(verdict: Verdict) -> bool:
    """Return whether a figure lies within its limits, proven or not."""
    return verdict in (Verdict.PASS, Verdict.CONDITIONAL_PASS)


def without_pass(verdict: Verdict) -> Verdict:
    """Return the verdict where nothing may pass: what was out of its limits stays so, all else is not measured."""
    return Verdict.NOT_MEASURED if leans_to_pass(verdict) else verdict


def figure_verdict(
    value: float | None,
    u95: float | None,
    *,
    minimum: float | None = None,
    maximum: float | None = None,
    may_pass: bool = True,
) -> Verdict:
    """Return the guard-banded verdict on one figure; one that may not pass is then not measured.

    Raises:
        ValueError: As `judge` does.
    """
    verdict = judge(value, u95, minimum=minimum, maximum=maximum)
    return verdict if may_pass else without_pass(verdict)


def proven(verdict: Verdict, integrity: Integrity) -> Verdict:
    """Return a verdict as far as the record behind it can bear it: a broken one fails nobody either."""
    if integrity.is_broken:
        return Verdict.NOT_MEASURED
    return verdict if integrity.proves else without_pass(verdict)


def run_verdict(
    limits: Iterable[Verdict], *, outcome: str, lost_power: bool, integrity: Integrity = Integrity.SEALED
) -> Verdict:
    """Return the verdict on a run: the worst of its limits, not-measured without any.

    Args:
        limits: Verdicts of the figures against the profile's limits.
        outcome: How the run ended, in the contract's word.
        lost_power: `Trace.lost_power`; it fails the run whatever was measured before.
        integrity: What the record is good for.
    """
    if integrity.is_broken:
        return Verdict.NOT_MEASURED
    if lost_power:
        return Verdict.FAIL
    verdict = proven(worst(limits), integrity)
    return verdict if outcome == Outcome.COMPLETED else without_pass(verdict)
