"""What a run is made of: the rig as it was put together, and the parts that one run builds on it."""

from __future__ import annotations

from dataclasses import dataclass

from verifyrig.core.contract import CauseObject, TripObject
from verifyrig.core.interfaces import Clock, Controls, Load, RecordWriter, SecondComputer, SensorBank
from verifyrig.core.outcome import Outcome
from verifyrig.core.profile import Profile
from verifyrig.core.reason import Reason
from verifyrig.rig.arming import ArmedLimit
from verifyrig.rig.dips import Dips
from verifyrig.rig.guard import Guard
from verifyrig.rig.load_control import LoadControl
from verifyrig.rig.load_permit import LoadPermit
from verifyrig.rig.observer import Observer
from verifyrig.rig.persons_load import PersonsLoad
from verifyrig.rig.run_buffer import RunBuffer
from verifyrig.rig.run_notes import RunNotes
from verifyrig.rig.safety_stop import SafetyStop
from verifyrig.rig.schedule import Schedule
from verifyrig.rig.stops import Stops

# Workers end themselves 2 s after the last heartbeat; five beats fit into that.
BEAT_EVERY_S = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Ambient:
    """The room: typed with its expanded uncertainty, or None where a channel measures it."""

    value_c: float
    u95_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RunEnd:
    """How a run ended, in the contract's words.

    Attributes:
        messages: Why it was stopped, as sentences.
        reasons: Why it was stopped, else why it was interrupted.
        recorded: Whether the record took all of this and was sealed.
    """

    outcome: Outcome
    cause: CauseObject | None
    trip: TripObject | None
    messages: tuple[str, ...]
    reasons: tuple[Reason, ...] = ()
    recorded: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """Everything that a run is made of, behind protocols."""

    profile: Profile
    clock: Clock
    bank: SensorBank
    load: Load
    writer: RecordWriter
    controls: Controls
    observer: Observer
    armed: tuple[ArmedLimit, ...]
    ambient: Ambient | None
    permit: LoadPermit
    not_watched: tuple[str, ...] = ()
    blind: bool = False
    no_load: bool = False
    beat_every_s: float = BEAT_EVERY_S
    second: SecondComputer | None = None


class Parts:
    """What all concerns of one run share; each part says what it is for."""

    def __init__(self, rig: Rig) -> None:
        self.buffer = RunBuffer()
        self.schedule = Schedule(rig.clock, rig.profile.period_s)
        self.stops = Stops(rig.controls)
        self.notes = RunNotes(rig.writer, rig.observer, self.schedule)
        self.guard = Guard(self.buffer, rig.armed, rig.profile, rig.bank.infos, rig.bank.reread)
        self.dips = Dips(rig.bank.infos)
        self.person = PersonsLoad(rig.profile, self.guard, self.stops, self.notes)
        self.load = LoadControl(rig.load, rig.bank.infos, self.guard, self.dips, self.person, self.notes)
        self.safety = SafetyStop(self.load, self.person, self.stops, self.notes, self.schedule)
