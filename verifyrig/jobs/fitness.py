"""Fit for use: one status, decided here alone, for the screen, each edition of the report, the slip, the index. Pure.

The headline says what the evidence says of the fault. The status says whether the machine may leave. What keeps it here
are the blockers; what a better headline is short of is `missing`. Each is a code with values, worded by each face.
"""

from __future__ import annotations

from collections.abc import Sequence

from verifyrig.core.profile import Purpose
from verifyrig.core.reason import Reason
from verifyrig.jobs.dangers import StandingDanger, standing_dangers
from verifyrig.jobs.fault import CODE_OF_INTEGRITY, Case, Comparable, Pair, before_and_after, judged, obstacles_of
from verifyrig.jobs.fitness_model import Code, FaultHeadline, Fitness, Status, because, code_of
from verifyrig.jobs.model import Job, JobEntry, RunFacts
from verifyrig.jobs.rules import in_order, runs_after, stands

# A reason given at the close turns nothing else into fitness: the evidence itself is missing, or against it.
_SOUND = (FaultHeadline.FIXED, FaultHeadline.BETTER, FaultHeadline.NO_FAULT_SEEN)
_AGAINST_FITNESS = (Code.NO_VERDICT, Code.REJECTED)
# What was open at a close of an earlier version, which named no codes.
_COVERED_THEN = (
    Code.OBSTACLE,
    Code.NO_RUN,
    Code.NOT_MEASURED_AGAIN,
    Code.INTERRUPTED,
    Code.NO_VERDICT,
    Code.FAULT_SEEN,
    Code.FAULT_REMAINS,
    Code.REJECTED,
)


def fitness_of(
    job: Job | None, runs: Sequence[RunFacts], *, pair: Pair | None = None, comparable: Comparable | None = None
) -> Fitness:
    """Return headline, status and reasons.

    Args:
        job: None for records without a job: nobody has taken the machine in or closed it, so nothing is released.
        runs: All runs of the job; a record that cannot be read is one of them, as damaged.
        pair: Ids of the runs before and after, where a person named them.
        comparable: Whether two runs may be compared, by their ids; asked only where the headline turns on it. Without
            it they count as comparable: that changes no blocker.
    """
    before_id, after_id = before_and_after(job, runs) if pair is None else pair
    by_id = {run.run: run for run in runs}
    case = Case(
        job=job,
        runs=in_order(runs),
        before=by_id.get(before_id or ""),
        after=by_id.get(after_id or ""),
        comparable=comparable or (lambda _before, _after: True),
    )
    headline, missing, against = judged(case)
    dangers = standing_dangers(job) if job is not None else ()
    named = {reason.values.get("run") for reason in against}
    records = [reason for reason in _of_records(case) if reason.values["run"] not in named]
    blockers = (*_of_dangers(dangers), *against, *records, *_of_job(case))
    closing = job.closing if job is not None else None
    override = closing.text("override") if closing is not None else ""
    covered = covered_codes(closing) if closing is not None and override else set()
    uncovered = tuple(one for one in blockers if code_of(one) not in covered and code_of(one) is not Code.DANGER)
    return Fitness(
        headline=headline,
        status=Status.UNSAFE if dangers else _status(headline, blockers, uncovered),
        blockers=blockers,
        missing=missing,
        before=before_id,
        after=after_id,
        clean=case.clean,
        complaint=case.complaint,
        override=override,
        uncovered=uncovered,
    )


def _status(headline: FaultHeadline, blockers: Sequence[Reason], uncovered: Sequence[Reason]) -> Status:
    if uncovered:
        return Status.NOT_FIT
    if headline not in _SOUND or any(code_of(reason) in _AGAINST_FITNESS for reason in blockers):
        return Status.AS_IS
    return Status.FIT if headline is FaultHeadline.FIXED and not blockers else Status.WATCH


def covered_codes(closing: JobEntry) -> set[Code]:
    """Return what an override covers: what was open when it was given."""
    covers = closing.detail.get("covers")
    if not isinstance(covers, list | tuple):
        return set(_COVERED_THEN)
    return {Code(code) for code in covers if code in tuple(Code)}


def points_to_close(fitness: Fitness) -> tuple[Reason, ...]:
    """Return what keeps the job from being closed as fit; a danger is not closed over by a reason."""
    return tuple(reason for reason in fitness.blockers if code_of(reason) not in (Code.OPEN, Code.DANGER))


# ---- what keeps the machine here ------------------------------------------------------------------------------------


def _of_dangers(dangers: Sequence[StandingDanger]) -> list[Reason]:
    return [
        because(Code.DANGER, text=(found.danger.clause,), noted=found.noted, danger=str(found.code))
        for found in dangers
    ]


def _of_records(case: Case) -> list[Reason]:
    """Altered and damaged records that the answer rests on, or that were made since the last proof.

    Were one left out in silence, whoever damages the record of a run that failed would bring back an earlier pass.
    """
    since = runs_after(case.last_change, case.runs)
    proofs = [n for n, run in enumerate(since) if run.purpose == Purpose.VERIFICATION and stands(run)]
    newer = since[proofs[-1] + 1 :] if proofs else since
    shown = [run for run in (case.before, case.after) if run is not None]
    broken = {run.run: run for run in (*shown, *newer) if run.integrity.is_broken}
    return [because(CODE_OF_INTEGRITY[run.integrity], run=run.run) for run in broken.values()]


def _of_job(case: Case) -> list[Reason]:
    if case.job is None:
        return [because(Code.NO_JOB)]
    opened = [] if case.job.closing is not None else [because(Code.OPEN)]
    return opened + obstacles_of(case, ("test-part", "verification", "step"))
