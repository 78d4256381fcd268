"""Objects of the JSON contract made of jobs: `job`, and the fitness for use that `report` repeats."""

from __future__ import annotations

from typing import Any, NotRequired, TypedDict

from verifyrig.core.contract import ErrorObject
from verifyrig.core.integrity import Integrity
from verifyrig.jobs.dangers import DangerCode
from verifyrig.jobs.fitness_model import Code, FaultHeadline, Status


class FitnessReason(TypedDict):
    """Why a machine may not leave, or what is not yet proven."""

    code: Code
    text: str
    values: dict[str, str | int | float]


class FitnessObject(TypedDict):
    """Whether the machine may leave as fit for use; `before` and `after` are run ids."""

    status: Status
    releasable: bool
    headline: FaultHeadline
    blockers: list[FitnessReason]
    missing: list[FitnessReason]
    before: str | None
    after: str | None


class CustomerObject(TypedDict):
    """Whose machine it is."""

    name: str
    contact: str
    ticket: str


class MachineObject(TypedDict):
    """What was taken in."""

    kind: str
    maker: str
    model: str
    serial: str


class EntryObject(TypedDict):
    """An entry of the job's append-only list; `detail` depends on its kind."""

    id: str
    time: str
    kind: str
    what: str
    by: str | None
    detail: dict[str, Any]


class JobRun(TypedDict):
    """A run of the job."""

    run: str
    purpose: str
    profile: str | None
    outcome: str
    cause: str | None
    verdict: str | None
    integrity: Integrity
    started: str | None


class DangerNote(TypedDict):
    """The note that names a danger."""

    id: str
    time: str
    by: str | None
    key: str
    value: str


class DangerObject(TypedDict):
    """A danger that stands, and what to do."""

    code: DangerCode
    what: str
    do: str
    notes: list[DangerNote]


class ObstacleObject(TypedDict):
    """What keeps the job from being closed."""

    kind: str
    text: str


class HandOver(TypedDict):
    """Whether it may be handed over, and why not."""

    yes: bool
    because: list[str]


class Warranty(TypedDict):
    """A part with a warranty, and its last day."""

    part: str
    until: str


class ComeBack(TypedDict):
    """Today's run beside the one that the earlier job was signed off by."""

    then: str
    now: str
    word: str
    why: list[str]


class JobObject(TypedDict):
    """What `job open|show|change|finding|close|handover` print; `come_back` for a machine that was here before."""

    job: str
    opened: str
    operator: str | None
    again: str | None
    complaint: str
    customer: CustomerObject
    machine: MachineObject
    answers: dict[str, str]
    consent: dict[str, str]
    price_ceiling: str | None
    accessories: str
    condition: str
    language: str
    temperature_unit: str
    entries: list[EntryObject]
    steps: dict[str, bool]
    test_parts: list[str]
    runs: list[JobRun]
    state: str
    next: str
    dangers: list[DangerObject]
    open: list[ObstacleObject]
    fitness: FitnessObject
    hand_over: HandOver
    withdrawn: list[str]
    cleared: bool
    warranties: list[Warranty]
    same_cause: NotRequired[list[str]]
    come_back: NotRequired[ComeBack | None]


class JobRow(TypedDict):
    """A job in the list."""

    job: str
    opened: str
    ticket: str
    customer: str
    machine: str
    serial: str
    place: str | None
    state: str
    next: str
    kept_until: str | None
    open: bool
    closed: bool
    handed_over: bool


class PagesObject(TypedDict):
    """What `job slip|labels` print: the files that were written."""

    job: str
    files: list[str]


class TotalLine(TypedDict):
    """One line of a total; amounts are decimal texts, so that none is rounded on its way."""

    kind: str
    what: str
    quantity: str
    unit: str
    unit_price: str | None
    amount: str | None


class TotalObject(TypedDict):
    """What `job total` prints; net, tax, sum and cash are null while a price is missing."""

    job: str
    country: str
    currency: str
    lines: list[TotalLine]
    tax_percent: str
    tax_included: bool
    net: str | None
    tax: str | None
    sum: str | None
    cash: str | None
    missing: list[str]
    file: NotRequired[str]


class GoneObject(TypedDict):
    """What `job delete|clear` print; `what` is `deleted` or `cleared`."""

    job: str
    what: str


class LogLine(TypedDict):
    """What was done to a job that is gone, or whose personal data are."""

    time: str
    job: str
    what: str
    by: str | None
    reason: str


class JobsObject(TypedDict):
    """What `job list` prints."""

    jobs: list[JobRow]
    log: list[LogLine]
    unreadable: list[ErrorObject]
