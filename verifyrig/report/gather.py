"""Edge: reads bench settings, job folder and records, and gives the plain input of a report."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verifyrig import __version__
from verifyrig.bench.folder import Bench
from verifyrig.bench.text import PAPERS, TEMPERATURE_UNITS
from verifyrig.core.errors import BenchError, FaultWithRecord, RecordError, UsageError, kept_to
from verifyrig.core.plain_json import plain_json
from verifyrig.core.reason import reason
from verifyrig.files.foreign_file import FileKind, read_bytes
from verifyrig.files.time_zone import UTC_NAME, ZONE_MEND, zone_of
from verifyrig.report.catalogue import languages
from verifyrig.report.inputs import Entry, JobFacts, Opinion, ReportInput, RunInput, Settings, Shop

if TYPE_CHECKING:
    from verifyrig.analysis.results import Comparison
    from verifyrig.jobs.fault import Pair
    from verifyrig.jobs.model import Job, JobEntry, RunFacts
    from verifyrig.runs.post_mortem import PostMortem

_LOGO_KINDS = {".png": "png", ".jpg": "jpeg", ".jpeg": "jpeg", ".gif": "gif", ".webp": "webp", ".svg": "svg+xml"}


def gather(bench: Bench, what: Sequence[str] = (), *, language: str = "", temperature_unit: str = "") -> ReportInput:
    """Return the report input that the words mean: a job's id, records, or the open job for none.

    Args:
        language, temperature_unit: For every edition of this report, before what bench.toml and the job say.

    Raises:
        RigError: A word is neither, or more than one job is named.
    """
    report = _gathered(bench, what)
    asked = {"language": language, "temperature_unit": temperature_unit}
    asked = {key: value for key, value in asked.items() if value}
    return replace(
        report,
        settings=replace(report.settings, **asked),
        customer_settings=replace(report.customer_settings or report.settings, **asked),
    )


def _gathered(bench: Bench, what: Sequence[str]) -> ReportInput:
    from verifyrig.jobs.store import wanted_job

    if not what:
        return gather_job(bench, wanted_job(bench, None).job_id)
    jobs = [word for word in what if word in bench.job_ids()]
    if jobs and len(what) > 1:
        raise UsageError("a report is of one job, or of records", where="report", mend="Name one job, or only records.")
    if jobs:
        return gather_job(bench, jobs[0])
    return gather_records(bench, [bench.find_record(word) for word in what])


def gather_job(bench: Bench, job_id: str) -> ReportInput:
    """Return the report input of a job with all its records.

    Raises:
        RigError: There is no such job, or job, record or settings cannot be read.
    """
    from verifyrig.jobs.changed_parts import changed_channels
    from verifyrig.jobs.store import read_job
    from verifyrig.runs.end_of_run import post_mortems

    job = read_job(bench, bench.check_job(job_id))
    runs, unreadable = _read_runs(bench.records(job_id))
    report = _assembled(bench, job, list(runs.values()), unreadable, changed_channels(job))
    endings = post_mortems({path: run.trace for path, run in runs.items()})
    return replace(report, opinion=_opinion(bench, job, report.runs, endings))


def gather_records(bench: Bench, paths: Sequence[Path]) -> ReportInput:
    """Return the report input of records without a job; the first named stands for before, the last for after."""
    runs = [read_run(path) for path in paths]
    pair = (runs[0].run_id, runs[-1].run_id if len(runs) > 1 else None) if runs else (None, None)
    return _assembled(bench, None, runs, pair=pair)


def _read_runs(paths: Sequence[Path]) -> tuple[dict[Path, RunInput], dict[Path, RecordError]]:
    """Return the runs that can be read, and what is wrong with the others: one of them takes no report down."""
    runs: dict[Path, RunInput] = {}
    unreadable: dict[Path, RecordError] = {}
    for path in paths:
        try:
            runs[path] = read_run(path)
        except RecordError as error:
            unreadable[path] = error
    return runs, unreadable


def _assembled(
    bench: Bench,
    job: Job | None,
    runs: Sequence[RunInput],
    unreadable: Mapping[Path, RecordError] | None = None,
    changed: Sequence[str] = (),
    pair: Pair | None = None,
) -> ReportInput:
    from verifyrig.jobs.fault import before_and_after
    from verifyrig.jobs.fitness import fitness_of

    ordered = sorted(runs, key=lambda run: (run.started_utc_s or 0.0, run.run_id))
    known = [
        *(_facts_of(run) for run in ordered),
        *(_facts_without(path, error) for path, error in (unreadable or {}).items()),
    ]
    before, after = before_and_after(job, known) if pair is None else pair
    by_id = {run.run_id: run for run in ordered}
    old, new = by_id.get(before or ""), by_id.get(after or "")
    compared = old is not None and new is not None and old is not new
    comparison = _comparison(old, new, changed) if compared and old and new else None
    fitness = fitness_of(
        job, known, pair=(before, after), comparable=lambda *_: comparison is not None and comparison.comparable
    )
    return ReportInput(
        fitness=fitness,
        shop=read_shop(bench),
        settings=read_settings(bench),
        customer_settings=customer_settings(bench, job) if job is not None else None,
        job=job_facts(bench, job) if job is not None else None,
        runs=tuple(ordered),
        unreadable=tuple((path.stem, error.what) for path, error in (unreadable or {}).items()),
        before=before,
        after=after if compared or old is None else None,
        comparison=comparison,
        instruments=read_instruments(bench),
        tool_version=__version__,
    )


def _facts_of(run: RunInput) -> RunFacts:
    from verifyrig.jobs.runs import run_facts

    return run_facts(run.trace, verdict=run.verdict, integrity=run.integrity)


def _facts_without(path: Path, error: RecordError) -> RunFacts:
    """Return a run without figures as a job sees it: a record that is whole is not called damaged."""
    from verifyrig.jobs.runs import facts_of, unreadable_run

    return facts_of(path, judged=True) if isinstance(error, FaultWithRecord) else unreadable_run(path)


def _opinion(bench: Bench, job: Job, runs: Sequence[RunInput], endings: Mapping[str, PostMortem]) -> Opinion | None:
    """Return what the evidence says of the fault as it came in; None where nothing was measured."""
    from verifyrig.diagnosis.each_run import diagnose_each
    from verifyrig.diagnosis.experience import experience_of
    from verifyrig.jobs.store import read_jobs

    if not runs:
        return None
    experience = experience_of(read_jobs(bench)[0], bench.config, job)
    found, _ = diagnose_each([run.trace for run in runs], job=job, prior=experience.prior, endings=endings)
    return Opinion(
        for_customer=found.for_customer,
        suspects=tuple(found.suspects),
        substitutions=tuple(s.says for s in found.substitutions),
        experience=experience,
    )


def _comparison(before: RunInput, after: RunInput, changed: Sequence[str]) -> Comparison:
    """Return what differs between two runs, by the figures they have; `changed` are channels of parts changed."""
    from verifyrig.analysis import compare

    return compare(before.trace, after.trace, changed_parts=changed, metrics=(before.metrics, after.metrics))


def read_run(path: Path) -> RunInput:
    """Return one run with its figures and what its seals say; raise `RecordError` where it cannot be read."""
    from verifyrig.analysis import contradictions_of, metrics_of
    from verifyrig.record.check import read_checked
    from verifyrig.record.signature import SignatureState
    from verifyrig.runs.summary import judged_limits, verdict_of

    trace, check = read_checked(path)
    with kept_to(path):
        metrics = metrics_of(trace)
        limits = judged_limits(trace, metrics, check.integrity)
    return RunInput(
        trace=trace,
        metrics=metrics,
        limits=tuple(limits),
        verdict=verdict_of(trace, limits, check.integrity),
        contradictions=contradictions_of(trace),
        integrity=check.integrity,
        fault=check.fault,
        digest=check.digest or "",
        signatures=tuple(
            (one.signature.role, one.signature.fingerprint, one.signature.key_text, one.state is SignatureState.FITS)
            for one in check.signatures
        ),
        file_name=path.name,
    )


def read_shop(bench: Bench) -> Shop:
    """Return who answers for the report, from bench.toml; the logo is embedded.

    Raises:
        BenchError: The logo is missing, too large, or of no known kind.
    """
    shop, report = bench.config.get("shop", {}), bench.config.get("report", {})
    return Shop(
        name=shop.get("name", ""),
        operator=shop.get("operator", ""),
        address=shop.get("address", ""),
        phone=shop.get("phone", ""),
        logo_uri=_logo_uri(bench.root, shop.get("logo", "")),
        terms=report.get("terms", ""),
    )


def _logo_uri(root: Path, name: str) -> str:
    if not name:
        return ""
    path = root / name
    kind = _LOGO_KINDS.get(path.suffix.lower())
    if kind is None:
        raise BenchError(
            "the logo is no picture of a known kind",
            where=f"bench.toml, shop.logo = {name}",
            mend="Use PNG, JPEG or SVG.",
        )
    try:
        data = read_bytes(path, FileKind.LOGO)
    except OSError as error:
        raise BenchError(f"the logo cannot be read ({error})", where=str(path), mend="Mend shop.logo.") from error
    return f"data:image/{kind};base64,{base64.b64encode(data).decode('ascii')}"


def read_settings(bench: Bench) -> Settings:
    """Return language, paper, temperature unit, time zone and templates, from bench.toml.

    Raises:
        BenchError: There is no such language or time zone.
    """
    report = bench.config.get("report", {})
    language = report.get("language") or "en"
    if language not in languages():
        raise BenchError(
            f"there is no catalogue of language {language!r}",
            where="bench.toml, report.language",
            mend=f"Languages: {', '.join(languages())}.",
        )
    templates = report.get("templates")
    return Settings(
        language=language,
        paper=PAPERS[(report.get("paper") or "A4").lower()],
        time_zone=_time_zone(report.get("time_zone", "")),
        temperature_unit=TEMPERATURE_UNITS[(report.get("temperature_unit") or "C").lower()],
        templates_dir=str(bench.root / templates) if templates else "",
    )


def customer_settings(bench: Bench, job: Job) -> Settings:
    """Return the settings as the customer chose at intake; what has no catalogue here stays as the shop has it."""
    settings, intake = read_settings(bench), job.intake
    unit = TEMPERATURE_UNITS.get(intake.temperature_unit.lower(), settings.temperature_unit)
    language = intake.language if intake.language in languages() else settings.language
    return replace(settings, language=language, temperature_unit=unit)


def _time_zone(name: str) -> str:
    """The zone is the bench's and not this computer's, so that a second reader gets the same page."""
    try:
        zone_of(name or UTC_NAME)
    except ValueError as error:
        raise BenchError(str(error), where="bench.toml, report.time_zone", mend=ZONE_MEND) from error
    return name or UTC_NAME


def read_instruments(bench: Bench) -> tuple[Mapping[str, Any], ...]:
    """Return what bench.toml says of each channel: calibration, uncertainty, source."""
    return tuple({"channel": name, **plain_json(facts)} for name, facts in bench.config.get("channel", {}).items())


def job_facts(bench: Bench, job: Job) -> JobFacts:
    """Return a job as the report sees it."""
    from verifyrig.jobs.earlier import same_cause
    from verifyrig.jobs.fitness_text import points_open_at
    from verifyrig.jobs.store import read_jobs
    from verifyrig.jobs.vocabulary import CONSENTS, MACHINE_KINDS, QUESTIONS
    from verifyrig.report.photo_files import photos_of

    intake, closing, handover = job.intake, job.closing, job.handover
    machine, questions = intake.machine, {question.key for question in QUESTIONS}
    return JobFacts(
        job_id=job.job_id,
        opened_utc_s=job.opened.timestamp(),
        closed_utc_s=closing.time.timestamp() if closing is not None else None,
        complaint=intake.complaint,
        customer={"name": intake.customer.name, "contact": intake.customer.contact, "ticket": intake.customer.ticket},
        machine={
            "description": machine.description,
            "kind": MACHINE_KINDS.get(machine.kind, machine.kind),
            "serial": machine.serial,
        },
        machine_kind=machine.kind,
        answers=tuple(
            (reason(f"question-{key}") if key in questions else key, _with_unit(key, answer))
            for key, answer in intake.answers.items()
        ),
        consent=(
            *((reason(f"consent-{key}"), job.consent(key)) for key in CONSENTS),
            *(((reason("question-price"), intake.price_ceiling),) if intake.price_ceiling else ()),
        ),
        accessories=intake.accessories,
        condition=intake.condition,
        entries=tuple(_entry(entry) for entry in job.entries if _is_told(job, entry)),
        protective_steps=tuple((reason(f"step-{step}"), ticked) for step, ticked in job.steps().items()),
        cause=closing.what if closing is not None else "",
        override=closing.text("override") if closing is not None else "",
        refused=points_open_at(closing.detail) if closing is not None else (),
        again=job.again,
        same_cause=tuple(same_cause(read_jobs(bench)[0], job)),
        warranties=tuple((part, day.isoformat()) for part, day in job.warranties()),
        handover=_handover(handover),
        photos=photos_of(job, bench.job_dir(job.job_id)),
        digest=_file_digest(bench.job_dir(job.job_id) / "job.toml"),
    )


def _with_unit(key: str, answer: str) -> str:
    """Return an answer as a page tells it: a bare number to the question for the room is in °C."""
    bare = key == "room" and answer.replace(",", "").replace(".", "").isdigit()
    return f"{answer}\u202f°C" if bare else answer


def _is_told(job: Job, entry: JobEntry) -> bool:
    """Whether an entry belongs into a report: not what was taken back, nor where on the bench the machine stood."""
    return entry.entry_id not in job.withdrawn and entry.kind not in ("withdrawal", "place")


def _entry(entry: JobEntry) -> Entry:
    from verifyrig.jobs.corrections import PERSONAL

    detail = dict(entry.detail) | ({"by": entry.by} if entry.by else {})
    if entry.kind == "correction" and entry.what in PERSONAL:
        # That it was put right is said; what stood there is in the job's own file.
        detail = {key: value for key, value in detail.items() if key not in ("before", "after")}
    return Entry(
        entry_id=entry.entry_id,
        utc_s=entry.time.timestamp(),
        kind=str(entry.kind),
        what=entry.what,
        detail=plain_json(detail),
    )


def _handover(entry: JobEntry | None) -> dict[str, Any]:
    if entry is None:
        return {}
    return {**plain_json(entry.detail), "utc_s": entry.time.timestamp()}


def _file_digest(path: Path) -> str:
    from verifyrig.jobs.text import content_digest

    try:
        return content_digest(read_bytes(path, FileKind.JOB, inside=path.parent))
    except OSError as error:
        raise RecordError(f"cannot be read ({error})", where=str(path), mend="Check the file's rights.") from error
