"""What became of one run, in the order in which a reader is told."""

from __future__ import annotations

from enum import StrEnum

from verifyrig.core.outcome import Outcome
from verifyrig.report.inputs import RunInput
from verifyrig.report.timeline import closed_gate, went_dark


class Story(StrEnum):
    """What became of one run."""

    GATE = "gate"
    DARK = "dark"
    TRIPPED = "tripped"
    STOPPED = "stopped"
    BROKE_OFF = "broke-off"
    FAILED = "failed"
    PASSED = "passed"
    OPEN = "open"


def story_of(run: RunInput) -> Story:
    """Return what became of the run."""
    outcome = run.summary.get("outcome")
    if outcome == Outcome.STOPPED and closed_gate(run.trace) is not None:
        return Story.GATE
    if went_dark(run):
        return Story.DARK
    if outcome == Outcome.TRIPPED:
        return Story.TRIPPED
    if outcome in (Outcome.STOPPED, Outcome.INTERRUPTED, Outcome.RUNNING):
        return Story.STOPPED if outcome == Outcome.STOPPED else Story.BROKE_OFF
    verdict = run.summary.get("verdict")
    if verdict == "fail":
        return Story.FAILED
    return Story.PASSED if verdict == "pass" else Story.OPEN
