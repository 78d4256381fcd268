"""The runs of a job, read from its records, and what a command line may leave out because the job tells it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import JobError, RecordError
from verifyrig.core.pattern import is_gentle
from verifyrig.core.trace import StageSpan, Trace
from verifyrig.jobs.model import Job, RunFacts
from verifyrig.jobs.rules import LoadCaution, last_profile, load_caution, next_purpose, signed_off_run
from verifyrig.jobs.store import open_job, read_job


@dataclass(frozen=True, slots=True, kw_only=True)
class Defaults:
    """What a run takes where nobody said otherwise.

    Attributes:
        caution: The job's last load, where it should not be repeated untold (a break-off or trip).
    """

    job: str | None = None
    purpose: str = "check"
    profile: str | None = None
    caution: LoadCaution | None = None


def defaults_for(bench: Bench, job_id: str | None) -> Defaults:
    """Return job, purpose and profile for a run: of the job named, else of the open one, else of none.

    Raises:
        JobError: The job named does not exist, or cannot be read.
    """
    job = read_job(bench, bench.check_job(job_id)) if job_id is not None else open_job(bench)
    if job is None:
        return Defaults()
    runs = runs_of(bench, job.job_id, verdicts=False)
    return Defaults(
        job=job.job_id,
        purpose=next_purpose(job, runs).value,
        profile=last_profile(job, runs) or _profile_then(bench, job),
        caution=load_caution(job, runs),
    )


def _profile_then(bench: Bench, job: Job) -> str | None:
    """Return the profile that a machine which came back was signed off with, so that the runs can be compared."""
    if not job.again:
        return None
    try:
        old = read_job(bench, bench.check_job(job.again))
    except JobError:
        return None
    signed_off = signed_off_run(old, runs_of(bench, old.job_id, verdicts=False))
    return signed_off.profile if signed_off is not None else None


def runs_of(bench: Bench, job_id: str, *, verdicts: bool = True) -> list[RunFacts]:
    """Return the job's runs as plain facts, oldest id first; a record that cannot be read is left out.

    Args:
        verdicts: Whether to compute the verdicts, which needs all metrics.
    """
    found = (_facts_of(path) for path in bench.records(job_id))
    runs = [run for run in found if run is not None]
    if not verdicts or not runs:
        return runs
    from verifyrig.runs.run_list import list_runs

    # Computing a verdict takes all metrics; the list of runs keeps what it has computed once.
    known = {row["run"]: row["verdict"] for row in list_runs(bench, job_id)}
    return [replace(run, verdict=known.get(run.run)) for run in runs]


def _facts_of(path: Path) -> RunFacts | None:
    from verifyrig.record import read_trace

    try:
        return run_facts(read_trace(path), verdict=None)
    except RecordError:
        return None


def run_facts(trace: Trace, *, verdict: str | None) -> RunFacts:
    """Return a run as a job sees it."""
    facts = trace.facts
    cause = facts.get("cause")
    started = facts.get("started_utc_s")
    return RunFacts(
        run=trace.run_id,
        purpose=str(facts.get("purpose", "check")),
        profile=trace.profile.name if trace.profile else facts.get("profile_name"),
        outcome=str(facts.get("outcome")),
        cause=cause.get("class") if isinstance(cause, dict) else None,
        verdict=verdict,
        started=datetime.fromtimestamp(started, UTC) if isinstance(started, (int, float)) else None,
        recipe=trace.profile.recipe if trace.profile else facts.get("recipe"),
        loaded=any(_loads(trace, stage) for stage in trace.stages),
    )


def _loads(trace: Trace, span: StageSpan) -> bool:
    if span.kind != "load" or span.ended == "skipped":
        return False
    stage = trace.profile.stage(span.name) if trace.profile else None
    return stage is None or stage.load is None or not is_gentle(stage.load)
