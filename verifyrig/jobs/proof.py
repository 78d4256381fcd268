"""A cause that before and after have proved, as the entry of the close keeps it. Pure.

The entry says by which runs, and which changes lie between them. It is decided once, when a person closes the job with
the records at hand; whoever counts such cases later reads the jobs alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypedDict

from verifyrig.jobs.fault import Comparable, is_bad
from verifyrig.jobs.fitness import fitness_of
from verifyrig.jobs.fitness_model import FaultHeadline
from verifyrig.jobs.model import Job, JobEntry, RunFacts
from verifyrig.jobs.rules import in_order

PROOF = "proof"
NO_CAUSE = ("none", "unknown")
"""Causes that before and after cannot prove: there was no fault, or nobody knows which."""
_COMES_AND_GOES = ("part-fitted-for-test", "part-returned")  # what stays in the machine is what it was repaired by


class ProofFact(TypedDict):
    """What the closing of a job keeps as proof of its cause: two runs, and the entries of what was changed between."""

    before: str
    after: str
    changes: list[str]


def proof_of(job: Job, runs: Sequence[RunFacts], cause: str, comparable: Comparable) -> ProofFact | None:
    """Return what proves the cause of a job that is about to be closed; None where nothing does.

    Proved is what was fixed: a run shows the fault, something was changed, and a run after it that may be compared
    passes all that the complaint asks for. Simulated hardware proves nothing of machines.
    """
    if cause in NO_CAUSE:
        return None
    found = fitness_of(job, runs, comparable=comparable)
    after = next((run for run in runs if run.run == found.after), None)
    if found.headline is not FaultHeadline.FIXED or after is None or any(run.simulated for run in runs):
        return None
    ordered = in_order(runs)
    bad = [run for run in ordered[: ordered.index(after)] if is_bad(run) or run.verdict == "conditional-fail"]
    changes = _between(job, bad[-1], after) if bad else ()
    return (
        {"before": bad[-1].run, "after": after.run, "changes": [one.entry_id for one in changes]} if changes else None
    )


def _between(job: Job, before: RunFacts, after: RunFacts) -> tuple[JobEntry, ...]:
    start, end = before.started, after.started
    if start is None or end is None:
        return ()
    return tuple(one for one in job.changes if start < one.time < end and one.what not in _COMES_AND_GOES)


def proved_changes(job: Job) -> tuple[JobEntry, ...]:
    """Return the changes by which the cause of a closed job is proved; none where it is not."""
    closing = job.closing
    proof = closing.detail.get(PROOF) if closing is not None and closing.what not in NO_CAUSE else None
    named = proof.get("changes") if isinstance(proof, dict) else None
    if not isinstance(named, list):
        return ()
    found = tuple(one for one in job.changes if one.entry_id in named)
    return found if len(found) == len(set(map(str, named))) else ()  # one was taken back since
