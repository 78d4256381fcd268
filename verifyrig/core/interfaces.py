"""The protocols of the edges, as the orchestration sees them: clock, sensors, load, record, controls.

Each is small, so that real hardware, the simulated bench and a test's fake stand in for one another.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, Protocol, TypeVar

from verifyrig.core.event_kind import EventKind
from verifyrig.core.kept_facts import BenchComputerFact
from verifyrig.core.outcome import CauseClass
from verifyrig.core.run_view import LinkNews, RunView

if TYPE_CHECKING:
    from verifyrig.core.profile import Profile
    from verifyrig.core.run_columns import RunColumns, RunFilter

_Run_co = TypeVar("_Run_co", covariant=True)

Quantity = Literal["temperature", "speed", "voltage", "power", "energy", "clock", "share", "count"]


class Quality(StrEnum):
    """How far one reading can be believed."""

    OK = "ok"
    STALE = "stale"
    STUCK = "stuck"
    IMPLAUSIBLE = "implausible"
    MISSING = "missing"


class Taken(NamedTuple):
    """A value as a sensor gives it, in the channel's unit, and how old it was when it was handed out, s."""

    value: float
    age_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One judged reading of a channel.

    Attributes:
        value: In the channel's unit; None where there is none (never a filled-in number).
        quality: How far it can be believed; only `ok` readings count for guards and metrics.
        age_s: Age of the value when it was sampled, s.
        note: Reason and remedy where the quality is not `ok`.
    """

    value: float | None
    quality: Quality = Quality.OK
    age_s: float = 0.0
    note: str = ""

    @property
    def ok(self) -> bool:
        """Whether guards and metrics may use it."""
        return self.quality is Quality.OK and self.value is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelInfo:
    """What is known of a measured quantity before it is read.

    Attributes:
        channel: Contract name such as `die_temp_c`; None where no role is assigned.
        label: The label that the driver or the instrument gives, as found (text from outside).
        device: Stable identity: driver and device path with label or number, never an hwmon number.
        source: The file or URL that is read, relative to the root where there is one.
        driver: Kernel driver or protocol, such as `coretemp`, `text`.
        limit: The machine's own limit for it (`temp*_crit`), in the channel's unit, if plausible.
        resolution: Smallest step, in the channel's unit, where known.
        refresh_s: Nominal interval between fresh values, s, where known.
        expanded_uncertainty: Of the reading at 95 %, in the channel's unit, where calibration gives one.
        correction: Added to the reading at the edge, in the channel's unit.
        correction_slope: Change of the correction with the reading, unit per unit; 0 where it is an offset.
        correction_at: Reading at which `correction` holds, where there is a slope.
        unreadable: Why it cannot be read, with remedy; empty where it can.
        note: What else to know of it: a guessed role, a control value, a duplicate.
    """

    channel: str | None
    label: str
    device: str
    source: str
    quantity: Quantity
    unit: str
    driver: str = ""
    limit: float | None = None
    resolution: float | None = None
    refresh_s: float | None = None
    expanded_uncertainty: float | None = None
    correction: float = 0.0
    correction_slope: float = 0.0
    correction_at: float = 0.0
    unreadable: str = ""
    note: str = ""


class Sensor(Protocol):
    """One measured quantity at its source."""

    @property
    def info(self) -> ChannelInfo:
        """What is known of it."""
        ...

    def read(self) -> Taken:
        """Return the value now, in the channel's unit, without waiting; raise `SensorError` if there is none."""
        ...

    def close(self) -> None:
        """Close the file or port."""
        ...


class SensorBank(Protocol):
    """All channels that a run samples, with the judgement of each reading."""

    @property
    def infos(self) -> Mapping[str, ChannelInfo]:
        """Channels with a role, by contract name, in recording order."""
        ...

    def sample(self, now_s: float, *, load_share: float) -> dict[str, Reading]:
        """Return one judged reading for each channel; never raises for a sensor, never waits for one."""
        ...

    def reread(self, channel: str, now_s: float) -> Reading:
        """Read one channel once more in the same tick, past every cache of ours."""
        ...

    def hanging(self) -> tuple[str, ...]:
        """Return the channels whose read does not come back: a hung bus, a driver that waits for its device."""
        ...

    def close(self) -> None:
        """Close all files and ports."""
        ...


class Clock(Protocol):
    """Time of a run: real, scaled, or virtual."""

    def now_s(self) -> float:
        """Return seconds on a clock that never goes back and counts suspended time where the system can."""
        ...

    def utc_s(self) -> float:
        """Return the wall clock, seconds since 1970-01-01 UTC."""
        ...

    def sleep_until(self, t_s: float, wake: threading.Event) -> None:
        """Return at `t_s`, or as soon as `wake` is set."""
        ...


class MachineOff(Exception):
    """The machine under test went dark while the record was kept elsewhere or simulated.

    Attributes:
        kind: `power-off`, or `hang` where it has power and answers nothing.
    """

    def __init__(self, kind: str = CauseClass.POWER_OFF) -> None:
        super().__init__(f"the machine under test went dark ({kind})")
        self.kind = kind


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadDemand:
    """What a stage asks of its load.

    Attributes:
        work: Name of the work, such as `linear-algebra`.
        workers: `all`, `quarter`, `in-turn`, a number, or core numbers.
        memory_share: Share of free memory for works that fill memory.
    """

    work: str
    workers: str | int | tuple[int, ...] = "all"
    memory_share: float = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkFault:
    """One wrong result: which work, core, when, what."""

    work: str
    core: int | None
    t_s: float
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadStatus:
    """What the load reports of itself.

    Attributes:
        work_done: Units of work finished since `start`, monotone.
        compute_errors: Wrong results since `start`.
        workers_wanted: How many workers should be alive.
        workers_alive: How many are.
        faults: New faults since the last status.
        checks_done: Results checked since `start` (for the bound that zero errors give).
        counts_work: Whether `work_done` is counted at all; where it is not, it does not show idle workers.
    """

    work_done: float
    compute_errors: int
    workers_wanted: int
    workers_alive: int
    faults: Sequence[WorkFault] = ()
    checks_done: int = 0
    counts_work: bool = True


class Load(Protocol):
    """A load that follows a commanded duty share, and that never outlives its heartbeat."""

    def start(self, demand: LoadDemand) -> None:
        """Bring up the workers, at share 0; raise `LoadError` where that cannot be."""
        ...

    def set_share(self, share: float) -> None:
        """Command a duty share, 0 to 1, to every worker; takes effect within 20 ms."""
        ...

    def beat(self) -> None:
        """Send the heartbeat; workers end themselves 2 s after the last one."""
        ...

    def status(self) -> LoadStatus:
        """Return counts without waiting; raise `MachineOff` where the machine under test went dark."""
        ...

    def stop(self) -> float:
        """End all workers at once; return the seconds from the call until the last one was gone."""
        ...

    def close(self) -> None:
        """Stop if still running and release everything."""
        ...


class RecordWriter(Protocol):
    """Takes what a run produces; never makes the caller wait for the disk (real clock)."""

    def sample(self, t_s: float, utc_s: float, readings: Mapping[str, Reading]) -> None:
        """Append one row; values of readings that are not `ok` are kept where they exist, with their quality."""
        ...

    def stage_started(self, name: str, kind: str, t_s: float) -> None:
        """Note the start of a stage."""
        ...

    def stage_ended(self, name: str, t_s: float, ended: str) -> None:
        """Note the end of a stage and the rule that ended it."""
        ...

    def event(self, t_s: float, kind: EventKind, detail: Mapping[str, Any]) -> None:
        """Append an event with a JSON-able detail."""
        ...

    def fact(self, key: str, value: Any) -> None:
        """Set a JSON-able fact of the run (table `run`)."""
        ...

    def lag_s(self) -> float:
        """Return how far the disk is behind, s; raise `RecordError` where writing failed (full, gone, read-only)."""
        ...

    def close(self) -> None:
        """Commit, seal, checkpoint into one file. Without this call the record counts as interrupted."""
        ...

    def abandon(self, went_dark: str = CauseClass.POWER_OFF) -> None:
        """Close unsealed, since the machine under test went dark; what was committed stays."""
        ...


class SecondComputer(Protocol):
    """The bench computer, as a run sees it; nothing here waits for the link."""

    def sensors(self) -> Sequence[Sensor]:
        """Return its probes that this run asked for."""
        ...

    def follow(self, record: Path, run: str, controls: Controls, shown: RunView) -> None:
        """Send this record from now on, and let the bench computer end the load."""
        ...

    def show(self, view: RunView) -> None:
        """Show this on its page; the newest counts."""
        ...

    def load_ended(self) -> None:
        """Say that the load is off."""
        ...

    def news(self) -> Sequence[LinkNews]:
        """Return what happened to the link since the last call, as details of events."""
        ...

    def facts(self) -> BenchComputerFact:
        """Return what the record says of the link."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class DangerNotice:
    """A danger that a person noted, as a run learns of it.

    Attributes:
        code: Which one, such as `leak`.
        noted: What was written, as KEY=VALUE.
        what, do: What it is, a clause; what to do now, in sentences.
    """

    code: str
    noted: str
    what: str
    do: str


class LoadEndedBy(StrEnum):
    """Who wanted the load's end."""

    KEYBOARD = "keyboard"
    BENCH_COMPUTER = "bench-computer"


@dataclass(slots=True, kw_only=True)
class Controls:
    """What people and signals ask of a run; set from other threads, read by the runner.

    Attributes:
        wake: Set whenever one of the others changes, to end a sleep.
        end_load: End the load at once and keep recording; `end_load_by` says who wanted it.
        link_silent: The link to the bench computer that the load is to obey is silent now.
        quit_reason: `operator` (Ctrl-C), `terminated` (SIGTERM), `hangup` (closed terminal); empty while none.
        keys: Other keys pressed, oldest first (findings, answers, external load on and off).
        danger: A danger that somebody noted meanwhile, None while there is none.
        enough: Nobody wants more of a stage without load: it ends as at its longest time, and the run goes on.
        last_facts: Facts for the record that are known only at its end.
    """

    wake: threading.Event = field(default_factory=threading.Event)
    end_load: threading.Event = field(default_factory=threading.Event)
    end_load_by: LoadEndedBy = LoadEndedBy.KEYBOARD
    link_silent: bool = False
    quit_reason: str = ""
    keys: list[str] = field(default_factory=list)
    danger: DangerNotice | None = None
    enough: threading.Event = field(default_factory=threading.Event)
    last_facts: dict[str, object] = field(default_factory=dict)

    def press_enough(self) -> None:
        """End the stage without load that is on now."""
        self.enough.set()
        self.wake.set()

    def press_end_load(self, by: LoadEndedBy = LoadEndedBy.KEYBOARD) -> None:
        """End the load at once; whoever wanted it first is named."""
        if not self.end_load.is_set():
            self.end_load_by = by
        self.end_load.set()
        self.wake.set()

    def warn_of(self, danger: DangerNotice) -> None:
        """End the load and the run for a danger; the first one stands."""
        self.danger = self.danger or danger
        self.wake.set()

    def quit(self, reason: str) -> None:
        """End the run; the first reason stands."""
        self.quit_reason = self.quit_reason or reason
        self.wake.set()


class RunTable(Protocol[_Run_co]):
    """Kept figures of many runs, wherever they lie: the index of a bench, a dataset of many.

    What is asked for reaches what holds the figures before a row is read: profile (its name, or its recipe), batch,
    bench and time.
    """

    def runs(self, profile: Profile, asked: RunFilter) -> Sequence[_Run_co]:
        """Return the runs, each with the metrics that QA against the profile may look at."""
        ...

    def columns(self, profile: Profile, asked: RunFilter) -> RunColumns:
        """Return the same as columns, for very many."""
        ...
