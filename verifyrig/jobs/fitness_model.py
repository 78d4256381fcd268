"""The answer to "is it fit for use": headline, status, and reasons as codes with values. Plain data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from verifyrig.core.exposure import Exposure, LoadedPart
from verifyrig.core.reason import Reason, Value, reason
from verifyrig.jobs.complaint import Complaint


class FaultHeadline(StrEnum):
    """What the evidence says of the fault."""

    FIXED = "fixed"
    BETTER = "better-not-proven"
    NOT_FIXED = "not-fixed"
    CAUSE_FOUND = "cause-found"
    NO_FAULT_SEEN = "no-fault-seen"
    NOT_JUDGED = "not-judged"  # nothing to judge by: no run, none since the last change, no limit


class Status(StrEnum):
    """What the counter sees."""

    FIT = "ready"
    WATCH = "ready-watch"
    AS_IS = "as-is"  # closed against a rule: may be given back, not as fit for use
    NOT_FIT = "not-ready"
    UNSAFE = "not-safe"


class Code(StrEnum):
    """Why a machine stays, or why the headline is no better."""

    DANGER = "danger"
    OPEN = "open"
    OBSTACLE = "obstacle"
    NO_JOB = "no-job"
    RECORD_ALTERED = "record-altered"
    RECORD_DAMAGED = "record-damaged"
    RECORD_UNSEALED = "record-unsealed"
    NO_RUN = "no-run"
    NOT_MEASURED_AGAIN = "not-measured-again"
    INTERRUPTED = "broke-off"
    NO_VERDICT = "no-verdict"
    FAULT_SEEN = "fault-seen"
    FAULT_REMAINS = "fault-remains"
    REJECTED = "rejected"
    CONDITIONAL = "conditional"
    NO_CHANGE = "no-change"
    NOT_COMPARABLE = "not-comparable"
    PART_NOT_LOADED = "part-not-loaded"
    CLEAN_USE = "clean-use"
    STRETCH = "stretch"
    UNCLEAR = "unclear"


# Shipped plan that loads a part, and the longest it takes, s: the sum of its stages.
WAY_TO_LOAD: Mapping[LoadedPart, tuple[str, float]] = {LoadedPart.GRAPHICS: ("graphics", 2910.0)}
_OF_FITNESS, _OF_PART, _WITH_WAY = "fitness-", "-of-part", "-way"


def because(code: Code, /, *, part: LoadedPart | None = None, **values: Value) -> Reason:
    """Return why a machine stays, or is not yet proven; times in `values` in s, `part` where one part is meant."""
    name = f"{_OF_FITNESS}{code}"
    if part is not None:
        values["part"] = (reason(f"part-{part}"),)
        if code is Code.CLEAN_USE:
            name += _OF_PART
        elif code is Code.PART_NOT_LOADED and part in WAY_TO_LOAD:
            name += _WITH_WAY
            values["plan"], values["time_s"] = WAY_TO_LOAD[part]
    return Reason(name, values)


def code_of(why: Reason) -> Code:
    """Return the code that `because` was given."""
    return Code(why.code.removeprefix(_OF_FITNESS).removesuffix(_OF_PART).removesuffix(_WITH_WAY))


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitness:
    """The one answer.

    Attributes:
        blockers: What keeps the machine from leaving as fit, the gravest first.
        missing: What keeps the headline from "Fixed".
        before, after: The runs that it rests on, by id.
        clean: What the machine went through since the last change or failure without the fault.
        complaint: What the complaint asks of a proof.
        override: Why a person closed it nevertheless; empty where nobody did.
        uncovered: Blockers that no such reason covers. Dangers are none of them: they have a way out of their own.
    """

    headline: FaultHeadline
    status: Status
    blockers: tuple[Reason, ...] = ()
    missing: tuple[Reason, ...] = ()
    before: str | None = None
    after: str | None = None
    clean: Exposure = field(default_factory=Exposure)
    complaint: Complaint = field(default_factory=Complaint)
    override: str = ""
    uncovered: tuple[Reason, ...] = ()

    @property
    def releasable(self) -> bool:
        """Whether the machine may leave as fit for use."""
        return self.status in (Status.FIT, Status.WATCH)
