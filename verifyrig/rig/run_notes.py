"""What a run writes into its record and shows to a person; a record that fails does not take control from the run."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypedDict

from verifyrig.core.errors import RecordError
from verifyrig.core.event_kind import EventKind
from verifyrig.core.interfaces import Reading, RecordWriter
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import Stage
from verifyrig.core.reason import KeptReason, Reason
from verifyrig.rig.dip import Dip
from verifyrig.rig.observer import Attention, Observer
from verifyrig.rig.schedule import Schedule

_AWAY = "The stick is away: the run goes on, its record lies in memory. Plug the same stick in again."
_BACK = "The stick is back, and the whole record is on it."


class RunNotes:
    """The record and the face of one run.

    Attributes:
        on_failure: Called once, with the error, when the record can no longer be written.
    """

    def __init__(self, writer: RecordWriter, observer: Observer, schedule: Schedule) -> None:
        self._writer = writer
        self._observer = observer
        self._schedule = schedule
        self._failed = False
        self._away = False
        self.on_failure: Callable[[RecordError], None] = lambda _error: None

    def say(self, text: str, *, loud: bool = False) -> None:
        """Say something to the person; loud is for danger."""
        self._observer.say(text, loud=loud)

    def attend(self, what: Attention | None) -> None:
        """Call somebody who does not look at the screen; None: what was asked is answered."""
        self._observer.attend(what)

    def sample(self, t_s: float, utc_s: float, row: Mapping[str, Reading]) -> None:
        """Record one sample."""
        self._write(lambda: self._writer.sample(t_s, utc_s, row))

    def event(self, kind: EventKind, *, t_s: float | None = None, **detail: Any) -> None:
        """Record an event, of now unless another time is given."""
        when_s = self._schedule.t_s if t_s is None else t_s
        self._write(lambda: self._writer.event(when_s, kind, detail))

    def stage_started(self, stage: Stage, t_s: float) -> None:
        """Record that a stage started."""
        self._write(lambda: self._writer.stage_started(stage.name, stage.kind.value, t_s))

    def stage_ended(self, stage: Stage, t_s: float, ended: StageEnd) -> None:
        """Record that a stage ended."""
        self._write(lambda: self._writer.stage_ended(stage.name, t_s, ended))

    def dip(self, dip: Dip) -> None:
        """Record a dip of the load that is over."""
        self.event(EventKind.DIP, t_s=dip.from_s, **dip.as_detail())

    def check_disk(self) -> float:
        """Return how far the disk is behind, s; 0 where the record has failed. A stick that comes and goes is said."""
        away = bool(getattr(self._writer, "is_away", False))
        if away is not self._away:
            self._away = away
            self.say(_AWAY if away else _BACK, loud=away)
        try:
            return self._writer.lag_s()
        except RecordError as error:
            self._fail(error)
            return 0.0

    def close(self, facts: Mapping[str, Any]) -> RecordError | None:
        """Record the last facts and close; a failure is reported, and returned."""
        try:
            for key, value in facts.items():
                self._writer.fact(key, value)
            self._writer.close()
        except RecordError as error:
            self.say(f"The record could not be closed: {error}", loud=True)
            return error
        return None

    def _write(self, write: Callable[[], None]) -> None:
        """Write to the record; a failure ends the load and is reported once, and is no reason to lose control."""
        if self._failed:
            return
        try:
            write()
        except RecordError as error:
            self._fail(error)

    def _fail(self, error: RecordError) -> None:
        if not self._failed:
            self._failed = True
            self.on_failure(error)


class KeptWhy(TypedDict):
    """The part of an event's detail that says why."""

    why: str
    reason: KeptReason


def kept(why: Reason) -> KeptWhy:
    """Return a reason as an event keeps it: the sentence, and what it is made of."""
    return {"why": str(why), "reason": why.as_json()}
