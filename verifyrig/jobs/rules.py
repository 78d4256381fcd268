"""The rules of a job: what a run is for, which load is not repeated unasked, when a job may be closed and handed over.

Pure: the runs come in as plain facts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.profile import Purpose
from verifyrig.core.reason import Reason, reason
from verifyrig.jobs.dangers import standing_dangers
from verifyrig.jobs.model import Job, JobEntry, RunFacts
from verifyrig.jobs.vocabulary import NEW_CONTACT_CHANGES, said_change

SAFE_PROFILE = "pulses-only"
# Causes that speak of the machine, not of whoever sat before it.
_LOST_CAUSES = (CauseClass.POWER_OFF, CauseClass.HANG, CauseClass.UNKNOWN)
_HOW_LOST: dict[str, str] = {
    CauseClass.POWER_OFF: "ended-dark",
    CauseClass.HANG: "ended-hanging",
}
_STANDS = ("pass", "conditional-pass")
_LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadCaution:
    """A load that ended badly and is not repeated unless a person says so.

    Attributes:
        run, profile: The run that ended so, and its profile.
        why: How it ended.
        instead: Name of the profile that is offered in its place.
    """

    run: str
    profile: str | None
    why: Reason
    instead: str = SAFE_PROFILE

    @property
    def reason(self) -> Reason:
        """The whole in one."""
        if not self.profile:
            return reason("load-not-repeated-unnamed", run=self.run, how=(self.why,), instead=self.instead)
        if self.profile == self.instead:
            return reason("safe-load-not-repeated", run=self.run, profile=self.profile, how=(self.why,))
        return reason("load-not-repeated", run=self.run, profile=self.profile, how=(self.why,), instead=self.instead)


def in_order(runs: Sequence[RunFacts]) -> list[RunFacts]:
    """Return the runs, oldest first."""
    return sorted(runs, key=lambda run: (run.started or _LONG_AGO, run.run))


def runs_after(entry: JobEntry | None, runs: Sequence[RunFacts]) -> list[RunFacts]:
    """Return the runs begun after an entry, oldest first; all of them for None."""
    ordered = in_order(runs)
    return ordered if entry is None else [run for run in ordered if (run.started or _LONG_AGO) > entry.time]


def next_purpose(job: Job, runs: Sequence[RunFacts]) -> Purpose:
    """Return what the next run is for: baseline first, verification after a change, else a check.

    A run that its operator interrupted is no baseline. With a part fitted for test only the run is a check: it says
    something of the part, and nothing of the machine as it will leave.
    """
    if not any(run.purpose == Purpose.BASELINE and counts(run) for run in runs):
        return Purpose.BASELINE
    if job.last_change is None or job.test_parts():
        return Purpose.CHECK
    return Purpose.VERIFICATION


def counts(run: RunFacts) -> bool:
    """Return whether a run says something of the machine, and not of whoever sat before it."""
    return run.outcome in (Outcome.COMPLETED, Outcome.TRIPPED, Outcome.STOPPED) or run.cause in _LOST_CAUSES


def last_profile(runs: Sequence[RunFacts]) -> str | None:
    """Return the name of the profile that the job's newest run had, None where it has no such run."""
    return next((run.profile for run in reversed(in_order(runs)) if run.profile), None)


def recipes_of(runs: Sequence[RunFacts]) -> tuple[str, ...]:
    """Return the recipes that runs had, that of the newest first: a run is compared with them."""
    return tuple(dict.fromkeys(run.recipe for run in reversed(in_order(runs)) if run.recipe))


def load_caution(job: Job, runs: Sequence[RunFacts]) -> LoadCaution | None:
    """Return the load that must not be repeated unasked, None where there is none.

    It stands until something is changed, or until a run with the same recipe goes through.
    """
    went_through: set[str | None] = set()
    for run in reversed(runs_after(job.last_change, runs)):
        if run.outcome == Outcome.COMPLETED:
            went_through.add(run.recipe)
        why = _ended_badly(run)
        if why is not None and run.recipe not in went_through:
            return LoadCaution(run=run.run, profile=run.profile, why=why)
    return None


def _ended_badly(run: RunFacts) -> Reason | None:
    if run.outcome == Outcome.TRIPPED:
        return reason("ended-at-trip")
    if run.outcome == Outcome.STOPPED:
        return reason("ended-stopped")
    if run.outcome == Outcome.INTERRUPTED and run.cause in _LOST_CAUSES:
        return reason(_HOW_LOST.get(run.cause or "", "ended-unknown"))
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacle:
    """Something that keeps a job from being closed or handed over.

    Attributes:
        kind: `danger`, `test-part`, `step`, `verification` or `open`.
        why: What it is.
    """

    kind: str
    why: Reason

    @property
    def text(self) -> str:
        """One clause for a person."""
        return str(self.why)


def obstacles_to_close(job: Job, runs: Sequence[RunFacts]) -> list[Obstacle]:
    """Return what keeps the job from being closed, the gravest first; none where it may be."""
    parts = [
        Obstacle(kind="test-part", why=reason("test-part-inside", part=entry.text("part")))
        for entry in job.test_parts()
    ]
    steps = [
        Obstacle(kind="step", why=reason("step-not-ticked", step=(reason(f"step-{step}"),), id=step))
        for step, ticked in job.steps().items()
        if not ticked
    ]
    missing = missing_verification(job, runs)
    verification = [Obstacle(kind="verification", why=missing)] if missing is not None else []
    return [*danger_obstacles(job), *parts, *verification, *steps]


def danger_obstacles(job: Job) -> list[Obstacle]:
    """Return the dangers that stand; no reason overrides them."""
    return [
        Obstacle(kind="danger", why=reason("danger-stands", danger=(found.danger.clause,), noted=found.noted))
        for found in standing_dangers(job)
    ]


def missing_verification(job: Job, runs: Sequence[RunFacts]) -> Reason | None:
    """Return which verification is missing, None where what was changed is proven.

    One run that stands after the last change; two after new paste or a new mount, since the first heat cycles let
    the paste spread (common practice, no source). A run stands if it went through and did not fail; the newest
    verification counts, so that an earlier pass does not hide a later failure. One that its operator interrupted
    says nothing either way.
    """
    if job.last_change is None:
        return None
    later = [run for run in runs_after(job.last_change, runs) if run.purpose == Purpose.VERIFICATION and counts(run)]
    if not later:
        return reason("no-verification", change=said_change(job.last_change.what))
    if not stands(later[-1]):
        return reason("verification-does-not-stand", run=later[-1].run, cause=(_why_it_does_not_stand(later[-1]),))
    return _second_verification(job, runs)


def _second_verification(job: Job, runs: Sequence[RunFacts]) -> Reason | None:
    contact = next((entry for entry in reversed(job.changes) if _moved_the_paste(entry)), None)
    if contact is None:
        return None
    good = [run for run in runs_after(contact, runs) if run.purpose == Purpose.VERIFICATION and stands(run)]
    if len(good) >= 2:
        return None
    return reason("second-verification-missing", change=said_change(contact.what))


def _moved_the_paste(entry: JobEntry) -> bool:
    return entry.what in NEW_CONTACT_CHANGES or entry.detail.get("new_mount") is True


def stands(run: RunFacts) -> bool:
    """Return whether a run went through, did not fail, and has a record that proves it."""
    return run.outcome == Outcome.COMPLETED and run.verdict in _STANDS and run.integrity.proves


def _why_it_does_not_stand(run: RunFacts) -> Reason:
    if not run.integrity.proves:
        return reason(f"its-record-{run.integrity}")
    return _ended_badly(run) or reason(f"verdict-{run.verdict or 'none'}")


def signed_off_run(runs: Sequence[RunFacts]) -> RunFacts | None:
    """Return the run that the job was signed off by: the newest verification that stands, else the newest complete run.

    A machine that comes back is measured against this one.
    """
    ordered = in_order(runs)
    verified = [run for run in ordered if run.purpose == Purpose.VERIFICATION and stands(run)]
    complete = [run for run in ordered if run.outcome == Outcome.COMPLETED and not run.integrity.is_broken]
    return next(iter(reversed(verified or complete)), None)
