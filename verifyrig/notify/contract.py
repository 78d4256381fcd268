"""What a notice holds: the object that every target is given, as JSON (a folder gets the same as CSV)."""

from __future__ import annotations

from typing import Literal, NotRequired, TypedDict

from verifyrig.bench.notice_targets import NoticeEvent
from verifyrig.core.contract import Number, TripObject
from verifyrig.core.integrity import Integrity
from verifyrig.core.outcome import Outcome
from verifyrig.metrology.verdict import Verdict


class NoticeFigure(TypedDict):
    """A figure that the profile judges, in `unit`."""

    metric: str
    value: Number
    unit: str
    u95: Number
    min: Number
    max: Number
    verdict: Verdict


class NoticeRun(TypedDict):
    """A run that is over. Of a customer's machine no unit is told; `job` and `operator` only where asked for."""

    run: str
    unit: str | None
    batch: str | None
    profile: str | None
    recipe: str | None
    purpose: str
    simulated: bool
    outcome: Outcome
    verdict: Verdict
    integrity: Integrity
    trip: TripObject | None
    figures: list[NoticeFigure]
    job: NotRequired[str | None]
    operator: NotRequired[str | None]


class NoticeAlarm(TypedDict):
    """Something that somebody must look at; `code` says what, `text` the same for a person."""

    code: str
    text: str
    profile: str | None
    unit: str | None
    batch: str | None
    run: str | None
    metric: str | None


class NoticeObject(TypedDict):
    """One notice. `id` is the same however often it is delivered; `number` counts up without a gap for each target."""

    schema: Literal[1]
    id: str
    number: int
    event: NoticeEvent
    made: str
    bench: str | None
    run: NoticeRun | None
    alarm: NoticeAlarm | None


class WaitingTarget(TypedDict):
    """What waits for one target; `left_out` counts notices that found no room."""

    id: str
    by: str
    waiting: int
    left_out: int
    oldest: str | None
    tries: int
    said: str | None


class NoticesObject(TypedDict):
    """What `notices` prints."""

    targets: list[WaitingTarget]
    refused: str | None
