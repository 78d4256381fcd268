"""What may be said of the job: its state, whether the machine may leave, and why (pure; words come later)."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Any, NamedTuple

from verifyrig.report.choose import last_change_utc_s, runs_since_last_change
from verifyrig.report.inputs import JobFacts, ReportInput, RunInput
from verifyrig.report.timeline import closed_gate, main_load, went_dark


class State(StrEnum):
    """What the runs say of the fault."""

    FIXED = "fixed"
    WATCH = "watch"
    PASSED_NOW = "passed-now"
    NO_FAULT_SEEN = "no-fault-seen"
    NOT_COMPARABLE = "not-comparable"
    NOT_PROVEN = "not-proven"
    NOT_VERIFIED = "not-verified"
    FAULT_SEEN = "fault-seen"
    FAULT_REMAINS = "fault-remains"
    MEASURED = "measured"
    NO_RUN = "no-run"


class Ready(StrEnum):
    """What the counter is told."""

    READY = "ready"
    WATCH = "ready-watch"
    NOT_READY = "not-ready"


class Blocker(NamedTuple):
    """Why the machine stays: a code and what it concerns."""

    code: str
    what: str = ""


class Standing(NamedTuple):
    """State of the job, what the counter is told, and what keeps the machine here."""

    state: State
    ready: Ready
    blockers: tuple[Blocker, ...]

    @property
    def hand_over(self) -> bool:
        """Whether the machine may leave."""
        return self.ready is not Ready.NOT_READY


class Story(StrEnum):
    """What became of one run, in the order in which a reader is told."""

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
    if outcome == "stopped" and closed_gate(run.trace) is not None:
        return Story.GATE
    if went_dark(run):
        return Story.DARK
    if outcome == "tripped":
        return Story.TRIPPED
    if outcome in ("stopped", "interrupted", "running"):
        return Story.STOPPED if outcome == "stopped" else Story.BROKE_OFF
    verdict = run.summary.get("verdict")
    if verdict == "fail":
        return Story.FAILED
    return Story.PASSED if verdict == "pass" else Story.OPEN


_BAD = (Story.GATE, Story.DARK, Story.TRIPPED, Story.STOPPED, Story.FAILED)
_READY_OF_STATE = {
    State.FIXED: Ready.READY,
    State.WATCH: Ready.WATCH,
    State.PASSED_NOW: Ready.WATCH,
    State.NO_FAULT_SEEN: Ready.WATCH,
    State.NOT_COMPARABLE: Ready.WATCH,
}


def standing_of(report: ReportInput) -> Standing:
    """Return state and blockers; what is not known for certain keeps the machine here."""
    state = _state(report)
    blockers = (*_blockers_of_job(report.job), *_blockers_of_records(report))
    ready = _READY_OF_STATE.get(state, Ready.NOT_READY)
    overridden = report.job is not None and bool(report.job.override)
    if blockers and not overridden:
        ready = Ready.NOT_READY
    return Standing(state, ready, blockers)


def _state(report: ReportInput) -> State:
    if not report.runs:
        return State.NO_RUN
    before, after = report.before_run, report.after_run
    if before is None or after is None:
        return _state_of_one(report, before or after)
    if after not in runs_since_last_change(report):
        return State.NOT_VERIFIED
    return _state_after(report, before, after)


def _state_of_one(report: ReportInput, run: RunInput | None) -> State:
    if report.job is not None and report.job.of_kind("change"):
        return State.NOT_VERIFIED
    if run is None:
        return State.NO_RUN
    story = story_of(run)
    if story in _BAD:
        return State.FAULT_SEEN
    return State.NO_FAULT_SEEN if story is Story.PASSED else State.MEASURED


def _state_after(report: ReportInput, before: RunInput, after: RunInput) -> State:
    story, verdict = story_of(after), after.summary.get("verdict")
    if story in _BAD:
        return State.FAULT_REMAINS
    if story is Story.OPEN and verdict == "conditional-pass":
        return State.NOT_PROVEN if _on_conditional(after) == "reject" else State.WATCH
    if story is not Story.PASSED:
        return State.NOT_PROVEN
    if story_of(before) not in _BAD and before.summary.get("verdict") != "conditional-fail":
        return State.NO_FAULT_SEEN
    if last_change_utc_s(report.job) is None:
        return State.PASSED_NOW
    return State.FIXED if _before_and_after_agree(report, before) else State.NOT_COMPARABLE


def _before_and_after_agree(report: ReportInput, before: RunInput) -> bool:
    """A run that was never loaded, for safety, needs no comparison under load: that it now runs is the finding."""
    if main_load(before.trace) is None and story_of(before) in (Story.GATE, Story.STOPPED, Story.DARK):
        return True
    return report.comparison is None or bool(report.comparison.get("comparable"))


def _on_conditional(run: RunInput) -> str:
    return run.trace.profile.on_conditional if run.trace.profile is not None else "ask"


def _blockers_of_job(job: JobFacts | None) -> list[Blocker]:
    return [Blocker(kind, text) for kind, text in job.obstacles] if job is not None else []


def _blockers_of_records(report: ReportInput) -> list[Blocker]:
    shown = [run for run in report.runs if run.run_id in (report.before, report.after)]
    return [Blocker("altered", run.run_id) for run in shown if _altered(run.inspection)]


def _altered(inspection: Mapping[str, Any]) -> bool:
    return inspection.get("altered") is not None
