"""The runs of a job, read from its records, and what a command line may leave out because the job says it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import FaultWithRecord, JobError, RecordError, kept_to
from verifyrig.core.integrity import Integrity
from verifyrig.core.outcome import StageEnd
from verifyrig.core.pattern import is_gentle
from verifyrig.core.profile import Purpose, StageKind
from verifyrig.core.trace import StageSpan, Trace
from verifyrig.jobs.exposure_of_run import exposure_of
from verifyrig.jobs.fault import Comparable
from verifyrig.jobs.fitness import fitness_of
from verifyrig.jobs.fitness_model import Fitness
from verifyrig.jobs.model import Job, RunFacts
from verifyrig.jobs.rules import (
    LoadCaution,
    last_profile,
    load_caution,
    next_purpose,
    recipes_of,
    signed_off_run,
)
from verifyrig.jobs.store import read_job
from verifyrig.metrology.verdict import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Defaults:
    """What a run takes where nobody said otherwise.

    Attributes:
        recipes: What the run is to be compared with: recipes of the job's runs, the newest first, and of the run that
            a machine which came back was signed off with.
        caution: The job's last load, where it should not be repeated unasked (an interruption or trip).
    """

    job: str | None = None
    purpose: str = Purpose.CHECK
    profile: str | None = None
    recipes: tuple[str, ...] = ()
    caution: LoadCaution | None = None


def defaults_for(bench: Bench, job: Job | None) -> Defaults:
    """Return job, purpose and profile for a run of a job, or of none."""
    if job is None:
        return Defaults()
    runs, then = runs_of(bench, job.job_id, verdicts=False), _signed_off_then(bench, job)
    return Defaults(
        job=job.job_id,
        purpose=next_purpose(job, runs).value,
        profile=last_profile(runs) or (then.profile if then is not None else None),
        recipes=(*recipes_of(runs), *(recipes_of([then]) if then is not None else ())),
        caution=load_caution(job, runs),
    )


def _signed_off_then(bench: Bench, job: Job) -> RunFacts | None:
    """Return the run that a machine which came back was signed off with, so that the runs can be compared."""
    if not job.again:
        return None
    try:
        old = read_job(bench, bench.check_job(job.again))
    except JobError:
        return None
    return signed_off_run(runs_of(bench, old.job_id, verdicts=False))


def runs_of(bench: Bench, job_id: str, *, verdicts: bool = True, kept: bool = True) -> list[RunFacts]:
    """Return the job's runs as plain facts, oldest id first; a record that cannot be read is one of them, as damaged.

    Args:
        verdicts: Whether to compute the verdicts, which needs all metrics.
        kept: Whether to take verdicts from the list of runs, which keeps what it has computed once. Whoever decides
            that a machine may leave takes none from a file that anybody can write.
    """
    paths = bench.records(job_id)
    if not verdicts or not paths:
        return [facts_of(path) for path in paths]
    if not kept:
        return [facts_of(path, judged=True) for path in paths]
    from verifyrig.runs.run_list import list_runs

    known = {row["record"]: row["verdict"] for row in list_runs(bench, job_id)}
    return [replace(facts_of(path), verdict=known.get(str(path))) for path in paths]


def fitness_in(bench: Bench, job: Job, runs: Sequence[RunFacts]) -> Fitness:
    """Return whether the machine of a job may leave as fit; two runs are compared where the headline turns on it."""
    return fitness_of(job, runs, comparable=comparable_in(bench, job))


def comparable_in(bench: Bench, job: Job) -> Comparable:
    """Return what says whether two runs of a job may be compared, by their records."""
    from verifyrig.jobs.changed_parts import changed_channels

    by_run = {run_id_of(path): path for path in bench.records(job.job_id)}

    def comparable(before: str, after: str) -> bool:
        from verifyrig.analysis import may_compare
        from verifyrig.record import read_trace

        try:
            traces = [read_trace(by_run[run]) for run in (before, after)]
            with kept_to(by_run[after]):
                return may_compare(traces[0], traces[1], changed_channels(job))
        except (RecordError, KeyError):
            return False

    return comparable


def run_id_of(path: Path) -> str:
    """Return a record's run id as it says itself; its file's name where it cannot be read."""
    from verifyrig.record import read_head

    try:
        return read_head(path).run
    except RecordError:
        return path.stem


def facts_of(path: Path, *, judged: bool = False) -> RunFacts:
    """Return one run as a job sees it, as damaged where its record cannot be read; its verdict only if `judged`."""
    from verifyrig.record import read_trace
    from verifyrig.record.check import integrity_of

    integrity, _ = integrity_of(path)
    try:
        trace = read_trace(path)
        verdict = _verdict(path, trace, integrity) if judged else None
        return run_facts(trace, verdict=verdict, integrity=integrity)
    except RecordError:
        return unreadable_run(path)


def _verdict(path: Path, trace: Trace, integrity: Integrity) -> str:
    """Return the verdict; a run whose figures cannot be computed has none that counts."""
    from verifyrig.runs.summary import summary_of

    try:
        with kept_to(path):
            return str(summary_of(trace, "", integrity=integrity)["verdict"])
    except FaultWithRecord:
        return Verdict.NOT_MEASURED


def unreadable_run(path: Path) -> RunFacts:
    """Return what is known of a run whose record cannot be read: when it began, by its id."""
    return RunFacts(
        run=path.stem,
        purpose="unknown",
        profile=None,
        outcome=None,
        cause=None,
        verdict=None,
        started=_moment_of_id(path.stem),
        recipe=None,
        loaded=False,
        integrity=Integrity.DAMAGED,
    )


def _moment_of_id(run_id: str) -> datetime | None:
    """Return when a run began by its id (`YYYYMMDD-hhmmss-xxxx`, UTC); None where it is no such id."""
    try:
        return datetime.strptime(run_id[:15], "%Y%m%d-%H%M%S").replace(tzinfo=UTC)
    except ValueError:
        return None


def run_facts(trace: Trace, *, verdict: str | None, integrity: Integrity = Integrity.SEALED) -> RunFacts:
    """Return a run as a job sees it."""
    facts = trace.recorded
    return RunFacts(
        run=trace.run_id,
        purpose=facts.purpose or Purpose.CHECK,
        profile=trace.profile.name if trace.profile else facts.profile_name,
        outcome=facts.outcome,
        cause=facts.cause_class,
        verdict=verdict,
        started=_started(trace),
        recipe=trace.profile.recipe if trace.profile else facts.recipe,
        loaded=any(_loads(trace, stage) for stage in trace.stages),
        integrity=integrity,
        exposure=exposure_of(trace),
        reject_conditional=trace.profile is not None and trace.profile.on_conditional == "reject",
        simulated=facts.simulated,
    )


def _started(trace: Trace) -> datetime | None:
    started = trace.recorded.started_utc_s
    if started is None:
        started = trace.utc_s[0] if len(trace.utc_s) else None
    try:
        return None if started is None else datetime.fromtimestamp(float(started), UTC)
    except (OverflowError, OSError, ValueError):
        return None


def _loads(trace: Trace, span: StageSpan) -> bool:
    if span.kind != StageKind.LOAD or span.ended == StageEnd.SKIPPED:
        return False
    stage = trace.profile.stage(span.name) if trace.profile else None
    return stage is None or stage.load is None or not is_gentle(stage.load)
