"""Objects of the JSON contract that `line` prints."""

from __future__ import annotations

from typing import Literal, NotRequired, TypedDict

from verifyrig.core.contract import Number
from verifyrig.metrology.verdict import Verdict


class ChangedLimit(TypedDict):
    """A limit of a profile that changed, in its unit; null where there was or is none."""

    limit: str
    old: Number
    new: Number


class LineHold(TypedDict):
    """A unit, or a whole batch where `unit` is null, that may not go on."""

    unit: str | None
    batch: str | None
    by: str
    at: str
    why: str


class LineUnit(TypedDict):
    """One ordered unit; `state` is `missing`, `measured` or `held`."""

    order: str
    unit: str
    batch: str | None
    profile: str
    parts: str
    state: Literal["missing", "measured", "held"]
    runs: list[str]
    verdict: Verdict | None


class DoubledUnit(TypedDict):
    """A unit measured to its end several times without a reason, or a board under several names."""

    code: Literal["measured-twice", "board-under-two-names"]
    unit: str
    batch: str | None
    runs: list[str]


class TrailObject(TypedDict):
    """The trail: how many entries it has, and the digest of the last one, to be kept elsewhere."""

    entries: int
    digest: str | None


class LineObject(TypedDict):
    """What `line show`, `orders`, `hold` and `release` print."""

    units: list[LineUnit]
    missing: list[str]
    doubled: list[DoubledUnit]
    without_order: list[str]
    held: list[LineHold]
    trail: TrailObject
    taken: NotRequired[int]


class LineLimitsObject(TypedDict):
    """What `line limits` prints; `recorded` says whether the trail has the limits as they are now."""

    profile: str
    recorded: bool
    changed: list[ChangedLimit]
    limits: dict[str, dict[str, float]]
    trail: TrailObject


class BatchAlarmObject(TypedDict):
    """One alarm of a watched batch."""

    code: str
    text: str
    units: int
    metric: str | None
    run: str | None
    unit: str | None


class LineWatchObject(TypedDict):
    """What `line watch --once` prints; `false_alarm` is the chance of any alarm of order in a sound batch of 675."""

    profile: str
    batch: str | None
    units: int
    looks: int
    next_look: int | None
    false_alarm: Number
    alarms: list[BatchAlarmObject]
    alarms_before: int
