"""The end of a job: closed with its cause, then handed over; neither while a danger stands, unless that is said."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import NotReleasable, UsageError
from verifyrig.core.reason import sentence
from verifyrig.files.toml_table import meant, shown
from verifyrig.jobs.dangers import standing_dangers
from verifyrig.jobs.fault import Comparable
from verifyrig.jobs.fitness import fitness_of, points_to_close
from verifyrig.jobs.fitness_model import code_of
from verifyrig.jobs.fitness_text import kept
from verifyrig.jobs.model import (
    EntryKind,
    Job,
    RunFacts,
)
from verifyrig.jobs.proof import PROOF, proof_of
from verifyrig.jobs.rules import danger_obstacles
from verifyrig.jobs.store import append, new_entry
from verifyrig.jobs.vocabulary import (
    CAUSES,
    OLD_PARTS,
)


def close_job(
    bench: Bench,
    job: Job,
    runs: Sequence[RunFacts],
    cause: str,
    *,
    override: str = "",
    not_safe: bool = False,
    by: str = "",
    now: datetime,
    comparable: Comparable | None = None,
) -> Job:
    """Close a job, or refuse with everything that is still open; a reason overrides, and stands in the report.

    Args:
        not_safe: Close it as not safe to use; without that no job is closed while a danger stands, for no reason.
        comparable: Whether two runs may be compared; without it nothing is kept of what proves the cause.

    Raises:
        UsageError: The cause is none of the contract.
        NotReleasable: A danger stands, or something is open or speaks against fitness, and no reason is given to
            close nevertheless.
    """
    if cause not in CAUSES:
        raise UsageError(f"{shown(cause)} is no cause", where="--cause", mend=meant(cause, list(CAUSES)))
    dangers = _not_safe(job, not_safe, "closed as fit", "close")
    open_points = points_to_close(fitness_of(job, runs))
    texts = list(map(str, open_points))
    if open_points and not override:
        raise NotReleasable(
            "it cannot be closed yet: " + "; ".join(texts),
            where=job.job_id,
            mend="Do that first, or close it with --override REASON, which the report prints.",
        )
    detail: dict[str, object] = {}
    if open_points:
        codes = sorted({str(code_of(reason)) for reason in open_points})
        detail = {"override": override, "refused": texts, "covers": codes, "reasons": list(map(kept, open_points))}
    detail |= dangers
    proof = proof_of(job, runs, cause, comparable) if comparable is not None and not detail else None
    if proof is not None:
        detail[PROOF] = proof
    return append(bench, job.job_id, [new_entry(EntryKind.CLOSE, cause, now=now, by=by, detail=detail)])


def _not_safe(job: Job, not_safe: bool, done: str, action: str) -> dict[str, list[str]]:
    """Return what an entry keeps of the dangers that stand, nothing for none; refuse them where it is not said."""
    standing = standing_dangers(job)
    if not_safe and not standing:
        raise UsageError("no danger stands", where="--not-safe", mend="Leave --not-safe out.")
    if standing and not not_safe:
        codes = " ".join(f"--lifts {found.code}" for found in standing)
        raise NotReleasable(
            f"it cannot be {done}: " + "; ".join(obstacle.text for obstacle in danger_obstacles(job)),
            where=job.job_id,
            mend=f"{standing[0].danger.do} Where it is gone, a person signs: `job change KIND {codes} --done TEXT "
            f"--by NAME`. Else `job {action} --not-safe` says first that it is not safe to use.",
        )
    return {"not_safe": [str(found.code) for found in standing]} if standing else {}


def hand_over(
    bench: Bench,
    job: Job,
    runs: Sequence[RunFacts],
    to: str,
    *,
    old_parts: str = "",
    signature: str = "",
    not_safe: bool = False,
    by: str = "",
    now: datetime,
) -> Job:
    """Note the pickup: to whom, old parts offered back, who signed; the warranty begins now.

    Args:
        not_safe: Hand it over as not safe to use; without that no machine leaves while a danger stands.

    Raises:
        NotReleasable: A danger stands, the job is not closed, something came up since, or it is not fit and was not
            closed as such.
    """
    if not to.strip():
        raise UsageError("it is not said to whom", where="job handover", mend="Add --to NAME.")
    if old_parts and old_parts not in OLD_PARTS:
        raise UsageError(
            f"{shown(old_parts)} is no answer", where="--old-parts", mend=meant(old_parts, list(OLD_PARTS))
        )
    replaced = any(entry.what == "part-replaced" for entry in job.changes)
    if replaced and not old_parts:
        raise UsageError(
            "it is not said what became of the old parts, which are the customer's",
            where="job handover",
            mend=f"Offer them back, then add --old-parts {'|'.join(OLD_PARTS)}.",
        )
    fitness = fitness_of(job, runs)
    dangers = _not_safe(job, not_safe, "handed over", "handover")
    if fitness.uncovered:
        raise NotReleasable(
            "it cannot be handed over yet: " + sentence(fitness.uncovered),
            where=job.job_id,
            mend="Close the job first; one that is not fit is given back as it is after `job close --override REASON`.",
        )
    detail: dict[str, object] = {
        "to": to,
        "old_parts": old_parts or "none",
        "signature": signature or to,
        "as": str(fitness.status),
    }
    detail |= dangers
    return append(bench, job.job_id, [new_entry(EntryKind.HANDOVER, "handed over", now=now, by=by, detail=detail)])
