"""What a report is made from: plain frozen data, gathered once; rendering reads nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from verifyrig.analysis.contradictions import Contradiction
from verifyrig.analysis.results import Comparison, Metric, ThresholdResult
from verifyrig.core.integrity import Integrity
from verifyrig.core.outcome import Outcome
from verifyrig.core.reason import Reason
from verifyrig.core.trace import Trace
from verifyrig.diagnosis.experience import Experience
from verifyrig.diagnosis.judging import Suspect
from verifyrig.jobs.fitness_model import Fitness
from verifyrig.metrology.verdict import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Shop:
    """Who answers for the report; texts as the shop wrote them, `logo_uri` a `data:` address or empty."""

    name: str = ""
    operator: str = ""
    address: str = ""
    phone: str = ""
    logo_uri: str = ""
    terms: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How the report is worded and printed.

    Attributes:
        language: Language code of the catalogue, such as `en` or `de`.
        paper: `A4` or `Letter`.
        temperature_unit: `°C` or `°F`.
        time_zone: Name in the tz database, in which times are shown.
        templates_dir: Folder of the shop's own templates that are looked up first, or empty.
    """

    language: str = "en"
    paper: str = "A4"
    temperature_unit: str = "°C"
    time_zone: str = "UTC"
    templates_dir: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line of the job's list: a change, a finding, or a note.

    Attributes:
        kind: `change`, `finding` or `note`.
        what: Kind of change (`paste renewed`), or what was seen.
        detail: Further facts by name (part, lot, price, warranty_months, before, after, ...).
    """

    entry_id: str = ""
    utc_s: float | None = None
    kind: str = "note"
    what: str = ""
    detail: Mapping[str, Any] = field(default_factory=dict)


class PhotoTime(StrEnum):
    """When a photo was taken, as its reader asks."""

    BEFORE = "before"
    AFTER = "after"


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """One photo of a job.

    Attributes:
        shows: Kind of change that it belongs to; empty for the condition as the machine came in.
        part: The part that was changed, or empty.
        name: Of its file, without its folder.
        uri: A `data:` address of the picture, empty where it cannot be shown.
        digest: SHA-256 of the picture as it is shown, hexadecimal; empty where it cannot be.
    """

    when: PhotoTime
    shows: str = ""
    part: str = ""
    utc_s: float | None = None
    name: str = ""
    uri: str = ""
    digest: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobFacts:
    """A job as the report sees it; every text may be empty, and comes from outside.

    Attributes:
        customer, machine: Facts by name (`name`, `contact`; `description`, `serial`, ...).
        machine_kind: Kind of machine by its word (`desktop-liquid`, ...), None where unknown.
        answers, consent: Question and answer, in the order asked.
        handover: Facts of the pickup by name (`to`, `utc_s`, `old_parts`, ...), empty before it.
        override: Reason why the job was closed against a rule, empty where it was not.
        refused: What was still open when the job was closed nevertheless.
        again: Id of the earlier job whose machine came back, or empty.
        same_cause: Ids of earlier jobs of this machine that were closed with the same cause.
        warranties: Part and last day of its warranty (ISO), once the machine was handed over.
        photos: All photos, in the order in which they were noted.
        digest: SHA-256 of the job's file, hexadecimal.
    """

    job_id: str
    opened_utc_s: float | None = None
    closed_utc_s: float | None = None
    complaint: str = ""
    customer: Mapping[str, str] = field(default_factory=dict)
    machine: Mapping[str, str] = field(default_factory=dict)
    machine_kind: str | None = None
    answers: tuple[tuple[Reason | str, str], ...] = ()
    consent: tuple[tuple[Reason, str], ...] = ()
    accessories: str = ""
    condition: str = ""
    entries: tuple[Entry, ...] = ()
    protective_steps: tuple[tuple[Reason, bool], ...] = ()
    cause: str = ""
    override: str = ""
    refused: tuple[Reason | str, ...] = ()
    again: str = ""
    same_cause: tuple[str, ...] = ()
    warranties: tuple[tuple[str, str], ...] = ()
    handover: Mapping[str, Any] = field(default_factory=dict)
    photos: tuple[Photo, ...] = ()
    digest: str = ""

    def of_kind(self, kind: str) -> tuple[Entry, ...]:
        """Return the entries of one kind, in their order."""
        return tuple(entry for entry in self.entries if entry.kind == kind)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunInput:
    """One run, whatever became of it.

    Attributes:
        trace: Samples, stages, facts.
        metrics: Every figure of the run, by its name.
        limits: What became of the limits of its profile, as far as its record proves anything.
        verdict: On the whole run.
        contradictions: Readings that cannot all be true.
        integrity: What the record is good for, and `fault` what is wrong with it.
        digest: Of all that is in the record now; empty where it cannot be read.
        signatures: Role, short name of the key, public key in base64, and whether it fits, of each signature.
        file_name: Name of the record's file, without its folder.
    """

    trace: Trace
    metrics: Mapping[str, Metric] = field(default_factory=dict)
    limits: tuple[ThresholdResult, ...] = ()
    verdict: Verdict = Verdict.NOT_MEASURED
    contradictions: tuple[Contradiction, ...] = ()
    integrity: Integrity = Integrity.SEALED
    fault: str = ""
    digest: str = ""
    signatures: tuple[tuple[str, str, str, bool], ...] = ()
    file_name: str = ""

    @property
    def run_id(self) -> str:
        """The run's id."""
        return self.trace.run_id

    @property
    def started_utc_s(self) -> float | None:
        """Wall clock of the first sample, s since 1970; None for a run without samples."""
        return float(self.trace.utc_s[0]) if len(self.trace.utc_s) else None

    @property
    def simulated(self) -> bool:
        """Whether any part of the machine was simulated hardware."""
        return self.trace.recorded.simulated

    @property
    def outcome(self) -> Outcome:
        """How it ended."""
        return self.trace.recorded.outcome or Outcome.INTERRUPTED

    def number(self, name: str) -> float | None:
        """Return the value of a metric, None where it was not measured or is no single number."""
        metric = self.metrics.get(name)
        return None if metric is None else metric.number

    def limit(self, name: str) -> ThresholdResult | None:
        """Return what became of the limit of a metric, None where it has none."""
        return next((limit for limit in self.limits if limit.metric == name), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Opinion:
    """What the evidence says of the fault as the machine came in; the most probable suspect first.

    Attributes:
        for_customer: All of it in one sentence.
        substitutions: What parts changed for known-good ones have shown.
        experience: How the shop's own cases move the first guess, None where they were not asked.
    """

    for_customer: Reason
    suspects: tuple[Suspect, ...] = ()
    substitutions: tuple[Reason, ...] = ()
    experience: Experience | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportInput:
    """Everything that the page needs.

    Attributes:
        fitness: Whether the machine may leave, and what the evidence says of its fault.
        runs: All runs of the job, oldest first; none is left out.
        unreadable: Records that cannot be read: run and what is wrong.
        before, after: Ids of the two runs that are set side by side; None where there is none.
        comparison: Whether these two may be compared, and what differs; None where there are not two.
        opinion: What the evidence says of the cause, None where nothing was measured or there is no job.
        settings: Of the shop: for the archive, the index, and where the customer named nothing else.
        customer_settings: How the customer wants to read it, None where they named nothing.
        instruments: `[[instrument]]` and `[channel.*]` of bench.toml with their calibration state.
    """

    fitness: Fitness
    shop: Shop = field(default_factory=Shop)
    settings: Settings = field(default_factory=Settings)
    customer_settings: Settings | None = None
    job: JobFacts | None = None
    runs: tuple[RunInput, ...] = ()
    unreadable: tuple[tuple[str, str], ...] = ()
    before: str | None = None
    after: str | None = None
    comparison: Comparison | None = None
    opinion: Opinion | None = None
    instruments: tuple[Mapping[str, Any], ...] = ()
    tool_version: str = ""

    def run(self, run_id: str | None) -> RunInput | None:
        """Return the run of that id, or None."""
        return next((run for run in self.runs if run.run_id == run_id), None)

    @property
    def before_run(self) -> RunInput | None:
        """The run before the repair."""
        return self.run(self.before)

    @property
    def after_run(self) -> RunInput | None:
        """The run after the repair."""
        return self.run(self.after)

    @property
    def simulated(self) -> bool:
        """Whether any run was made on simulated hardware."""
        return any(run.simulated for run in self.runs)

    @property
    def number(self) -> str:
        """What the report is called by: the job's id, else the last run's."""
        if self.job is not None:
            return self.job.job_id
        return self.runs[-1].run_id if self.runs else "-"
