"""Why a run goes on without load, or ends: one typed list of what happened, and what follows from it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

from verifyrig.core.contract import CauseObject, TripObject
from verifyrig.core.interfaces import Controls
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.reason import Reason, reason


class StopKind(Enum):
    """What forbids any further load."""

    GATE = auto()
    LOAD_REFUSED = auto()
    LOAD_LOST = auto()
    CLIMB_ENDED = auto()
    NOBODY_PRESENT = auto()
    READ_HANGS = auto()
    RECORD_BEHIND = auto()
    RECORD_FAILED = auto()
    DANGER = auto()
    LINK_SILENT = auto()
    # These interrupt a run; nothing was wrong with the machine.
    LOAD_FAILED = auto()
    SPACE_BAR = auto()
    BENCH_COMPUTER = auto()
    SUSPEND = auto()
    QUIT = auto()


_INTERRUPTING = {
    StopKind.LOAD_FAILED: CauseClass.LOAD_FAILED,
    StopKind.SPACE_BAR: CauseClass.OPERATOR,
    StopKind.BENCH_COMPUTER: CauseClass.OPERATOR,
    StopKind.SUSPEND: CauseClass.SUSPEND,
}
# After these nothing more is recorded either.
_ENDING = (StopKind.RECORD_FAILED, StopKind.DANGER, StopKind.SUSPEND)
_QUIT_REASONS = {
    CauseClass.OPERATOR: reason("from-keyboard"),
    CauseClass.TERMINATED: reason("told-to-end"),
    "hangup": reason("terminal-closed"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class StopReason:
    """One thing that happened; `cause` is None where the run was stopped for safety."""

    kind: StopKind
    why: Reason
    cause: CauseClass | None


class Stops:
    """All that happened in one run after which no load may begin.

    Args:
        controls: Where people and signals ask for the run's end.

    Attributes:
        trip: The trip in the words of the record; None while there is none.
    """

    def __init__(self, controls: Controls) -> None:
        self._controls = controls
        self._reasons: list[StopReason] = []
        self.trip: TripObject | None = None

    def add(self, kind: StopKind, why: Reason) -> None:
        """Note that the run was stopped or interrupted."""
        self._reasons.append(StopReason(kind=kind, why=why, cause=_INTERRUPTING.get(kind)))

    def add_quit(self) -> None:
        """Note at the run's end that somebody asked for it; an earlier interruption stands."""
        asked = self._controls.quit_reason
        if asked and not self.interrupted:
            cause = CauseClass.OPERATOR if asked == CauseClass.OPERATOR else CauseClass.TERMINATED
            self._reasons.append(StopReason(kind=StopKind.QUIT, why=_QUIT_REASONS[asked], cause=cause))

    def happened(self, kind: StopKind) -> bool:
        """Return whether this has happened."""
        return any(one.kind is kind for one in self._reasons)

    @property
    def tripped(self) -> bool:
        """Whether a limit tripped."""
        return self.trip is not None

    @property
    def for_safety(self) -> list[Reason]:
        """Why the run was stopped for safety, oldest first."""
        return [one.why for one in self._reasons if one.cause is None]

    @property
    def interrupted(self) -> StopReason | None:
        """What interrupted the run first; None while nothing has."""
        return next((one for one in self._reasons if one.cause is not None), None)

    @property
    def no_more_load(self) -> bool:
        """Whether no load may begin any more."""
        return self.tripped or bool(self._reasons) or bool(self._controls.quit_reason)

    @property
    def run_is_over(self) -> bool:
        """Whether nothing more is to be recorded."""
        return bool(self._controls.quit_reason) or any(one.kind in _ENDING for one in self._reasons)

    @property
    def outcome(self) -> Outcome:
        """How the run ended, once it is over."""
        if self.tripped:
            return Outcome.TRIPPED
        if self.for_safety:
            return Outcome.STOPPED
        return Outcome.COMPLETED if self.interrupted is None else Outcome.INTERRUPTED

    @property
    def cause(self) -> CauseObject | None:
        """What interrupted the run, in the words of the contract."""
        first = self.interrupted
        return None if first is None or first.cause is None else {"class": first.cause, "why": [str(first.why)]}
