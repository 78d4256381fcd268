"""What became of one run, in the order in which a reader needs it."""

from __future__ import annotations

from enum import StrEnum

from verifyrig.core.outcome import Outcome
from verifyrig.metrology.verdict import Verdict
from verifyrig.report.inputs import RunInput
from verifyrig.report.timeline import closed_gate, went_dark


class RunStory(StrEnum):
    """What became of one run."""

    GATE = "gate"
    DARK = "dark"
    TRIPPED = "tripped"
    STOPPED = "stopped"
    INTERRUPTED = "broke-off"
    FAILED = "failed"
    PASSED = "passed"
    OPEN = "open"


def story_of(run: RunInput) -> RunStory:
    """Return what became of the run."""
    outcome = run.outcome
    if outcome == Outcome.STOPPED and closed_gate(run.trace) is not None:
        return RunStory.GATE
    if went_dark(run):
        return RunStory.DARK
    if outcome == Outcome.TRIPPED:
        return RunStory.TRIPPED
    if outcome in (Outcome.STOPPED, Outcome.INTERRUPTED, Outcome.RUNNING):
        return RunStory.STOPPED if outcome == Outcome.STOPPED else RunStory.INTERRUPTED
    if run.verdict is Verdict.FAIL:
        return RunStory.FAILED
    return RunStory.PASSED if run.verdict is Verdict.PASS else RunStory.OPEN
