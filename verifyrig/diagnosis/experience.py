"""What a shop's own cases say of how common each cause is: counted, and openly added to the table's first guess.

A case counts whose cause was proved by before and after, on real hardware, by changes that can take this cause away;
never what this program guessed, and none whose machine came back. Cases say how faults are shared out among causes.
How often nothing is wrong at all they cannot say, for a machine without a fault is never fixed: that share, and that
of what is none of these, stays the table's.

The table stands for `TABLE_WORTH_CASES` cases: the shares are the mean of the Dirichlet distribution that a prior
Dirichlet(w q_1, ..., w q_k) becomes with counts n_1, ..., n_k: (w q_i + n_i) / (w + n).
Source: Gelman et al., Bayesian Data Analysis, 3rd edition, 3.4 (multinomial model with its conjugate prior).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from verifyrig.core.trace import FloatArray
from verifyrig.diagnosis import tables
from verifyrig.diagnosis.history import change_key
from verifyrig.diagnosis.next_test import outcome_table, plans
from verifyrig.diagnosis.suspects import CAUSES, MECHANISMS, cause_of
from verifyrig.jobs.model import Job
from verifyrig.jobs.proof import NO_CAUSE, proved_changes

LEAST_CASES = 20
"""Fewer cases than these move nothing: chance would speak louder than the shop."""
TABLE_WORTH_CASES = 50
"""For so many cases the table stands, which names no source; with twenty of its own a shop moves it by two sevenths."""
# A change that takes a fault of this cause away less often than this proves nothing of it.
_LEAST_CURED = 0.25
_LEARNT = tuple(cause for cause in CAUSES if cause not in NO_CAUSE)


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseShare:
    """How common a cause is before anything is measured: by the table, and with the cases counted."""

    cause: str
    prior: float
    count: int
    posterior: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Experience:
    """What a shop's own cases come to.

    Attributes:
        on: Whether the shop lets them count.
        shares: Every cause of the contract, in its order; `posterior` is what counts.
        prior: Over `MECHANISMS`, shape (n,), as the diagnosis takes it.
    """

    on: bool
    shares: tuple[CauseShare, ...]
    prior: FloatArray

    @property
    def cases(self) -> int:
        """How many cases were counted."""
        return sum(one.count for one in self.shares)

    @property
    def used(self) -> bool:
        """Whether they move anything."""
        return self.on and self.cases >= LEAST_CASES


def experience_of(jobs: Sequence[Job], config: Mapping[str, Any], job: Job | None = None) -> Experience:
    """Return what the proved cases among these jobs come to for the diagnosis of one job, or of records without one.

    Args:
        jobs: All jobs of the bench, those collected from others among them.
        config: bench.toml; `[diagnosis] experience = false` lets nothing count.
        job: Its own case does not count, nor what was closed after it: the page of a job stays what it was.
    """
    counts: Counter[str] = Counter()
    came_back = {other.again for other in jobs if other.again}
    until = job.closing.time if job is not None and job.closing is not None else None
    for other in jobs:
        closing = other.closing
        own = job is not None and other.job_id == job.job_id
        if closing is None or own or other.job_id in came_back or (until is not None and closing.time > until):
            continue
        if is_proved(other):
            counts[closing.what] += 1
    on = config.get("diagnosis", {}).get("experience", True) is not False
    return learnt(tables.prior(complaint=job is not None), counts, on=on)


def is_proved(job: Job) -> bool:
    """Return whether a closed job's cause was proved, and by changes each of which can take that cause away.

    A change of a part that no table knows (a fan, a board) is taken as what the technician changed for that cause.
    """
    changes = proved_changes(job)
    return bool(changes) and all(_acts_on(change_key(one), job.closing.what) for one in changes if job.closing)


def _acts_on(key: str, cause: str) -> bool:
    plan = next((plan for plan in plans() if plan.key == key and "cured" in plan.outcomes), None)
    if plan is None:
        return True
    cured = outcome_table(plan, "unknown")[list(plan.outcomes).index("cured")]
    return any(p >= _LEAST_CURED for m, p in zip(MECHANISMS, cured, strict=True) if cause_of(m) == cause)


def learnt(prior: FloatArray, counts: Mapping[str, int], *, on: bool = True) -> Experience:
    """Return the prior moved by counts of proved cases.

    Args:
        prior: Over `MECHANISMS`, shape (n,); within a cause its mechanisms keep their proportions.
        counts: Cases by cause of the contract; others, and `none` and `unknown`, are left out.
    """
    before = dict.fromkeys(CAUSES, 0.0)
    for mechanism, p in zip(MECHANISMS, prior, strict=True):
        before[cause_of(mechanism)] += float(p)
    n = {cause: counts.get(cause, 0) for cause in _LEARNT}
    counts_enough = on and sum(n.values()) >= LEAST_CASES
    after = before | (_moved(before, n) if counts_enough else {})
    factor = {cause: after[cause] / before[cause] if before[cause] > 0 else 1.0 for cause in CAUSES}
    shares = tuple(
        CauseShare(cause=cause, prior=before[cause], count=n.get(cause, 0), posterior=after[cause]) for cause in CAUSES
    )
    moved = prior * np.array([factor[cause_of(mechanism)] for mechanism in MECHANISMS])
    return Experience(on=on, shares=shares, prior=np.asarray(moved))


def _moved(before: Mapping[str, float], counts: Mapping[str, int]) -> dict[str, float]:
    """Return the shares of the causes that cases can prove; together they keep what they had."""
    faulty = sum(before[cause] for cause in _LEARNT)
    shares = np.array([before[cause] for cause in _LEARNT]) / faulty
    mean = dirichlet_mean(TABLE_WORTH_CASES * shares, np.array([counts[cause] for cause in _LEARNT], dtype=float))
    return {cause: faulty * float(share) for cause, share in zip(_LEARNT, mean, strict=True)}


def dirichlet_mean(prior: FloatArray, counts: FloatArray) -> FloatArray:
    """Return the posterior mean of shares under a Dirichlet prior, parameters and counts of shape (k,)."""
    return np.asarray((prior + counts) / (prior.sum() + counts.sum()))
