"""A job: one machine on the bench for one complaint, from intake to pickup. Plain data; no files.

The intake stands as it was written. Everything later is an entry of an append-only list, each with id and time,
so that two copies of a job (on the stick and on the shop's computer) can be merged by id.
"""

from __future__ import annotations

import calendar
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from enum import StrEnum
from typing import Any, TypedDict

from verifyrig.core.exposure import Exposure
from verifyrig.core.integrity import Integrity
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.jobs.vocabulary import NOT_ASKED, protective_steps

PHOTOS, PHOTOS_BEFORE = "photos", "photos_before"
"""Under these names an entry lists its photos; those of a change show how it is after it, or how it was found."""


class EntryKind(StrEnum):
    """What an entry of a job's list is."""

    CHANGE = "change"
    FINDING = "finding"
    STEP = "step"
    CONSENT = "consent"
    CLOSE = "close"
    HANDOVER = "handover"
    PLACE = "place"
    NOTE = "note"
    LABOUR = "labour"
    SIGNATURE = "signature"
    CORRECTION = "correction"
    WITHDRAWAL = "withdrawal"
    CANCEL = "cancel"
    CLEARING = "clearing"


class ChangeFacts(TypedDict, total=False):
    """What is noted of a change beside its kind; what was not said is absent."""

    part: str
    lot: str
    price: str
    warranty_months: int
    before: str
    after: str
    agreed: str
    note: str
    new_mount: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class JobEntry:
    """One line of a job's list.

    Attributes:
        entry_id: Unique in the job; the same on every copy.
        time: When it was written, UTC.
        kind: One of `EntryKind`; a kind of a later version is kept as its word.
        what: Kind of change, name of the finding, id of the step, key of the consent, cause at the close.
        by: Who wrote it, empty where nobody was named.
        detail: Further facts by name: part, lot, price, warranty_months, before, after, photos, photos_before, agreed,
            value, u95, unit, override, refused, to, old_parts, signature, note.
    """

    entry_id: str
    time: datetime
    kind: str
    what: str
    by: str = ""
    detail: Mapping[str, Any] = field(default_factory=dict)

    def text(self, name: str) -> str:
        """Return a fact as text, empty where it is absent."""
        value = self.detail.get(name, "")
        return value if isinstance(value, str) else str(value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Customer:
    """Whose machine it is; every text may be empty."""

    name: str = ""
    contact: str = ""
    ticket: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """What was taken in; `kind` is one of `job_words.MACHINE_KINDS`, every other text may be empty."""

    kind: str = "other"
    maker: str = ""
    model: str = ""
    serial: str = ""

    @property
    def description(self) -> str:
        """Maker and model in one text, the kind where both are missing."""
        return " ".join(part for part in (self.maker, self.model) if part) or self.kind


@dataclass(frozen=True, slots=True, kw_only=True)
class Intake:
    """What was said and agreed when the machine came in.

    Attributes:
        complaint: In the customer's own words.
        answers: Answers to `job_words.QUESTIONS` by key; what was not asked is absent.
        consent: `yes`, `no` or `not-asked` by key of `job_words.CONSENTS`.
        price_ceiling: Up to where the shop may go without asking again, in the customer's words.
        accessories: What came with it.
        condition: Cosmetic state.
        language, temperature_unit: How the customer wants to read the report, `nl` and `°F` for instance; empty for
            what the shop has.
    """

    complaint: str = ""
    customer: Customer = field(default_factory=Customer)
    machine: Machine = field(default_factory=Machine)
    answers: Mapping[str, str] = field(default_factory=dict)
    consent: Mapping[str, str] = field(default_factory=dict)
    price_ceiling: str = ""
    accessories: str = ""
    condition: str = ""
    language: str = ""
    temperature_unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """A run as the job sees it.

    Attributes:
        outcome: None where the record cannot be read.
        cause: None where it ended in order.
        verdict: Of the contract, or None where it was not computed.
        started: UTC; None where the record does not say.
        loaded: Whether any stage above quarter-share pulses was begun.
        integrity: What its record is good for.
        exposure: What the machine went through in it.
        reject_conditional: Whether its profile wants a conditional pass refused.
        simulated: Whether any part of the machine was simulated hardware.
    """

    run: str
    purpose: str
    profile: str | None
    outcome: Outcome | None
    cause: CauseClass | None
    verdict: str | None
    started: datetime | None
    recipe: str | None
    loaded: bool = True
    integrity: Integrity = Integrity.SEALED
    exposure: Exposure = field(default_factory=Exposure)
    reject_conditional: bool = False
    simulated: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A job.

    Attributes:
        opened: When the machine was taken in, UTC.
        operator: Who took it in.
        again: Id of the earlier job whose machine came back, or empty.
    """

    job_id: str
    opened: datetime
    intake: Intake
    operator: str = ""
    again: str = ""
    entries: tuple[JobEntry, ...] = ()

    def of_kind(self, kind: EntryKind) -> tuple[JobEntry, ...]:
        """Return the entries of one kind that stand, oldest first."""
        withdrawn = self.withdrawn
        return tuple(entry for entry in self.entries if entry.kind == kind and entry.entry_id not in withdrawn)

    @property
    def withdrawn(self) -> frozenset[str]:
        """Ids of the entries that were taken back; they stay in the list."""
        return frozenset(entry.what for entry in self.entries if entry.kind == EntryKind.WITHDRAWAL)

    @property
    def changes(self) -> tuple[JobEntry, ...]:
        """The changes, oldest first."""
        return self.of_kind(EntryKind.CHANGE)

    @property
    def last_change(self) -> JobEntry | None:
        """The newest change, None where nothing was changed."""
        return self.changes[-1] if self.changes else None

    @property
    def closing(self) -> JobEntry | None:
        """The close that stands: the newest one, unless something was changed after it."""
        closes = self.of_kind(EntryKind.CLOSE)
        if not closes or (self.last_change is not None and self.last_change.time > closes[-1].time):
            return None
        return closes[-1]

    @property
    def handover(self) -> JobEntry | None:
        """The pickup, None while the machine is in the shop."""
        handovers = self.of_kind(EntryKind.HANDOVER)
        return handovers[-1] if handovers else None

    @property
    def is_open(self) -> bool:
        """Whether something is left to do: it is neither cancelled nor both closed and handed over."""
        return self.cancelled is None and (self.closing is None or self.handover is None)

    @property
    def cancelled(self) -> JobEntry | None:
        """The entry that ended the job without a repair, None where there is none."""
        return next(iter(self.of_kind(EntryKind.CANCEL)), None)

    @property
    def is_cleared(self) -> bool:
        """Whether its personal data are gone."""
        return bool(self.of_kind(EntryKind.CLEARING))

    @property
    def signed(self) -> tuple[JobEntry, ...]:
        """What a customer has signed, oldest first: the intake slip, the pickup."""
        return tuple(entry for entry in self.entries if entry.kind in (EntryKind.SIGNATURE, EntryKind.HANDOVER))

    def consent(self, key: str) -> str:
        """Return `yes`, `no` or `not-asked`; what was agreed later counts over the intake."""
        for entry in reversed(self.of_kind(EntryKind.CONSENT)):
            if entry.what == key:
                return entry.text("value")
        return self.intake.consent.get(key, NOT_ASKED)

    def finding(self, key: str) -> JobEntry | None:
        """Return the newest finding of that name, None where it was not noted."""
        return next((entry for entry in reversed(self.of_kind(EntryKind.FINDING)) if entry.what == key), None)

    def steps(self) -> dict[str, bool]:
        """Return the protective steps of this kind of machine by id, and whether each is ticked."""
        ticked = {entry.what: entry.text("value") != "no" for entry in self.of_kind(EntryKind.STEP)}
        return {step: ticked.get(step, False) for step in protective_steps(self.intake.machine.kind)}

    def test_parts(self) -> tuple[JobEntry, ...]:
        """Return the parts fitted for test only that are still in the machine, oldest first."""
        fitted: dict[str, JobEntry] = {}
        for entry in self.changes:
            name = same_part(entry.text("part"))
            if entry.what == "part-fitted-for-test":
                fitted[name] = entry
            elif entry.what in ("part-returned", "part-replaced"):
                fitted.pop(name, None)
        return tuple(fitted.values())

    def warranties(self) -> tuple[tuple[str, date], ...]:
        """Return part and last day of warranty for each part fitted with one; none before the pickup."""
        if self.handover is None:
            return ()
        start = self.handover.time.astimezone(UTC).date()
        found = []
        for entry in self.changes:
            months = entry.detail.get("warranty_months")
            if entry.what == "part-replaced" and isinstance(months, int) and months > 0:
                found.append((entry.text("part"), months_later(start, months)))
        return tuple(found)


def same_part(name: str) -> str:
    """Return the name as two mentions of one part are compared: letters' case and blanks do not matter."""
    return " ".join(name.casefold().split())


def months_later(day: date, months: int) -> date:
    """Return the same day some months later, or that month's last day where it has no such day."""
    years, month = divmod(day.month - 1 + months, 12)
    year = day.year + years
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def merged(ours: Sequence[JobEntry], theirs: Sequence[JobEntry]) -> tuple[JobEntry, ...]:
    """Return the entries of two copies of one job, each once, by time; where contents differ, ours stands.

    An entry is never altered once written, so that two contents under one id mean that a copy was edited by hand:
    the other content is kept too, under an id that its content gives, so that merging again changes nothing.
    """
    found = {entry.entry_id: entry for entry in ours}
    for entry in theirs:
        known = found.get(entry.entry_id)
        if known is None:
            found[entry.entry_id] = entry
        elif _content(known) != _content(entry):
            other_id = f"{entry.entry_id[:55]}-{_short_digest(entry)}"
            found[other_id] = JobEntry(
                entry_id=other_id,
                time=entry.time,
                kind=entry.kind,
                what=entry.what,
                by=entry.by,
                detail=entry.detail,
            )
    return tuple(sorted(found.values(), key=lambda entry: (entry.time, entry.entry_id)))


def _content(entry: JobEntry) -> tuple[object, ...]:
    return (
        entry.time,
        entry.kind,
        entry.what,
        entry.by,
        sorted((key, repr(value)) for key, value in entry.detail.items()),
    )


def _short_digest(entry: JobEntry) -> str:
    import hashlib

    return hashlib.sha256(repr(_content(entry)).encode()).hexdigest()[:8]
