"""What the runs of a job say of its fault: fixed, better, not fixed, cause found, none seen. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from verifyrig.core.exposure import Exposure, LoadedPart
from verifyrig.core.integrity import Integrity
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.profile import Purpose
from verifyrig.core.reason import Reason
from verifyrig.jobs.complaint import Complaint, complaint_of
from verifyrig.jobs.fitness_model import Code, FaultHeadline, because
from verifyrig.jobs.model import Job, JobEntry, RunFacts
from verifyrig.jobs.rules import counts, in_order, obstacles_to_close, runs_after, stands

# Below this the clean use reaches what is needed; a run is sampled, and loses up to two samples of its load.
_ENOUGH = 0.99
_UNCHANGED = ("part-fitted-for-test", "part-returned")
_FAULTY_ENDS = (Outcome.TRIPPED, Outcome.STOPPED)
_DEATHS = (CauseClass.POWER_OFF, CauseClass.HANG)
Comparable = Callable[[str, str], bool]
Pair = tuple[str | None, str | None]
CODE_OF_INTEGRITY = {
    Integrity.ALTERED: Code.RECORD_ALTERED,
    Integrity.DAMAGED: Code.RECORD_DAMAGED,
    Integrity.UNSEALED: Code.RECORD_UNSEALED,
}


def before_and_after(job: Job | None, runs: Sequence[RunFacts]) -> Pair:
    """Return the runs before and after the repair, by id; (id, None) where there is only one.

    Before is the first baseline, else the first run. After is the newest verification, else the newest run since the
    last change; one that its operator interrupted says nothing while another does.
    """
    ordered = in_order(runs)
    if not ordered:
        return None, None
    first = next((run for run in ordered if run.purpose == Purpose.BASELINE), ordered[0])
    later = list(ordered[ordered.index(first) + 1 :])
    verifications = [run for run in later if run.purpose == Purpose.VERIFICATION]
    since = runs_after(job.last_change if job is not None else None, later)
    candidates = verifications or since
    deciding = [run for run in candidates if counts(run) or run.integrity.is_broken]
    after = (deciding or candidates)[-1] if candidates else None
    return first.run, after.run if after is not None else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    job: Job | None
    runs: Sequence[RunFacts]
    before: RunFacts | None
    after: RunFacts | None
    comparable: Comparable

    @property
    def last_change(self) -> JobEntry | None:
        return self.job.last_change if self.job is not None else None

    @property
    def repaired(self) -> bool:
        """Whether anything was done that stays in the machine."""
        return self.job is not None and any(entry.what not in _UNCHANGED for entry in self.job.changes)

    @property
    def complaint(self) -> Complaint:
        return complaint_of(self.job) if self.job is not None else Complaint()

    @property
    def clean(self) -> Exposure:
        """What the machine went through since the last change, or the last failure after it, in runs that prove."""
        since = runs_after(self.last_change, self.runs)
        failed = max((n for n, run in enumerate(since, start=1) if is_bad(run)), default=0)
        sound = [run for run in since[failed:] if run.outcome == Outcome.COMPLETED and run.integrity.proves]
        return _together(run.exposure for run in sound)


_Judged = tuple[FaultHeadline, tuple[Reason, ...], tuple[Reason, ...]]


def judged(case: Case) -> _Judged:
    """Return the headline, what it is short of, and which evidence speaks against fitness."""
    if case.before is None:
        return FaultHeadline.NOT_JUDGED, (), (because(Code.NO_RUN),)
    if case.after is None:
        return _judged_alone(case, case.before)
    if case.last_change is not None and case.after not in runs_after(case.last_change, case.runs):
        return _not_judged(Code.NOT_MEASURED_AGAIN)
    return _judged_after(case, case.before, case.after)


def _not_judged(code: Code, run: RunFacts | None = None) -> _Judged:
    return FaultHeadline.NOT_JUDGED, (), (because(code) if run is None else because(code, run=run.run),)


def _judged_alone(case: Case, run: RunFacts) -> _Judged:
    """One run, nothing after it."""
    if case.repaired:
        return _not_judged(Code.NOT_MEASURED_AGAIN)
    if is_bad(run):
        return _not_repaired(case, run)
    if run.outcome != Outcome.COMPLETED and not run.integrity.is_broken:
        return _not_judged(Code.INTERRUPTED, run)
    if not run.integrity.proves:
        return _not_judged(CODE_OF_INTEGRITY.get(run.integrity, Code.INTERRUPTED), run)
    if not stands(run):
        return _not_judged(Code.NO_VERDICT, run)
    return _no_fault(case, run)


def _not_repaired(case: Case, run: RunFacts) -> _Judged:
    """A fault was seen, and nothing that stays was done about it."""
    headline = FaultHeadline.CAUSE_FOUND if _cause_known(case) else FaultHeadline.NOT_FIXED
    return headline, (), (because(Code.FAULT_SEEN, run=run.run),)


def _cause_known(case: Case) -> bool:
    """A person closed the job with a cause, or a part fitted for test took the fault away."""
    closing = case.job.closing if case.job is not None else None
    if closing is not None and closing.what not in ("none", "unknown"):
        return True
    tried = (
        [entry for entry in case.job.changes if entry.what == "part-fitted-for-test"] if case.job is not None else []
    )
    return any(stands(run) and _under(entry, case, run) for entry in tried for run in case.runs)


def _under(entry: JobEntry, case: Case, run: RunFacts) -> bool:
    """Return whether a run was made with that change the newest before it."""
    changes = case.job.changes if case.job is not None else ()
    earlier = [change for change in changes if run.started is not None and change.time < run.started]
    return bool(earlier) and earlier[-1] is entry


def _judged_after(case: Case, before: RunFacts, after: RunFacts) -> _Judged:
    if is_bad(after):
        return FaultHeadline.NOT_FIXED, (), (because(Code.FAULT_REMAINS, run=after.run),)
    if after.outcome != Outcome.COMPLETED and not after.integrity.is_broken:
        return _not_judged(Code.INTERRUPTED, after)
    if not after.integrity.proves:
        return _not_judged(CODE_OF_INTEGRITY.get(after.integrity, Code.INTERRUPTED), after)
    was_bad = is_bad(before) or before.verdict == "conditional-fail"
    if was_bad and case.job is not None and case.job.changes and not case.repaired:
        return _not_repaired(case, before)
    if after.verdict == "conditional-fail":
        return FaultHeadline.NOT_FIXED, (), (because(Code.FAULT_REMAINS, run=after.run),)
    if not stands(after):
        code = because(Code.NO_VERDICT, run=after.run)
        # That it now goes through where it was ended before is better, and no proof.
        headline = FaultHeadline.BETTER if was_bad and before.verdict != "fail" else FaultHeadline.NOT_JUDGED
        return headline, (code,) if headline is FaultHeadline.BETTER else (), (code,)
    return _passed(case, before, after) if was_bad or before.integrity.is_broken else _no_fault(case, after)


def _no_fault(case: Case, run: RunFacts) -> _Judged:
    missing = _missing_of_complaint(case)
    if run.verdict == "conditional-pass":
        missing = (because(Code.CONDITIONAL), *missing)
    against = (because(Code.REJECTED, run=run.run),) if _rejected(run) else ()
    return FaultHeadline.NO_FAULT_SEEN, missing, against


def _passed(case: Case, before: RunFacts, after: RunFacts) -> _Judged:
    """The fault was seen before, and the run after passes: fixed, unless something is short of proof."""
    missing = []
    if before.integrity.is_broken:
        missing.append(because(CODE_OF_INTEGRITY[before.integrity], run=before.run))
    if case.last_change is None:
        missing.append(because(Code.NO_CHANGE))
    elif not _runs_agree(case, before, after):
        missing.append(because(Code.NOT_COMPARABLE))
    if after.verdict == "conditional-pass":
        missing.append(because(Code.CONDITIONAL))
    missing += obstacles_of(case, ("verification", "test-part"))
    missing += _missing_of_complaint(case)
    against = (because(Code.REJECTED, run=after.run),) if _rejected(after) else ()
    return (FaultHeadline.BETTER if missing else FaultHeadline.FIXED), tuple(missing), against


def _rejected(run: RunFacts) -> bool:
    return run.verdict == "conditional-pass" and run.reject_conditional


def _runs_agree(case: Case, before: RunFacts, after: RunFacts) -> bool:
    """A run that was never loaded, for safety, needs no comparison under load: that it now runs is the finding."""
    never_loaded = before.exposure.loaded.total_s <= 0 and (
        before.outcome == Outcome.STOPPED or before.cause in _DEATHS
    )
    return never_loaded or case.comparable(before.run, after.run)


def _missing_of_complaint(case: Case) -> tuple[Reason, ...]:
    """Return what the complaint asks for beyond the verdict, and what of it was not reached."""
    complaint, clean = case.complaint, case.clean
    missing = []
    for part in complaint.parts or (None,):
        spent = complaint.spent(clean, part)
        if part is not None and spent.total_s <= 0:
            missing.append(because(Code.PART_NOT_LOADED, part=part))
        missing += _too_short(Code.CLEAN_USE, part, spent.total_s, complaint.clean_s)
        missing += _too_short(Code.STRETCH, part, spent.longest_s, complaint.stretch_s)
    missing += [because(Code.UNCLEAR, key=key, words=words) for key, words in complaint.unclear]
    return tuple(missing)


def _too_short(code: Code, part: LoadedPart | None, had_s: float, needed_s: float) -> list[Reason]:
    if had_s >= needed_s * _ENOUGH:
        return []
    more_s = needed_s - had_s if code is Code.CLEAN_USE else needed_s
    return [because(code, part=part, had_s=had_s, needed_s=needed_s, more_s=more_s)]


def is_bad(run: RunFacts) -> bool:
    """Return whether a run shows a fault: tripped, stopped, dead, or failed; an altered record shows nothing."""
    if run.integrity.is_broken:
        return False
    died = run.outcome == Outcome.INTERRUPTED and run.cause in _DEATHS
    return run.outcome in _FAULTY_ENDS or died or run.verdict == "fail"


def _together(found: Iterable[Exposure]) -> Exposure:
    whole = Exposure()
    for exposure in found:
        whole = whole.plus(exposure)
    return whole


def obstacles_of(case: Case, kinds: Sequence[str]) -> list[Reason]:
    """Return the formal obstacles of some kinds; dangers have a code of their own."""
    if case.job is None:
        return []
    found = obstacles_to_close(case.job, case.runs)
    return [because(Code.OBSTACLE, text=(o.why,), kind=o.kind) for o in found if o.kind in kinds]
