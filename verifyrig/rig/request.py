"""What a run is asked to be, and what is there when it is over."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from verifyrig.core.interfaces import DangerNotice, SecondComputer
from verifyrig.core.profile import Profile
from verifyrig.core.reason import Reason
from verifyrig.core.run_view import RunView
from verifyrig.rig.parts import Ambient, RunEnd
from verifyrig.system.machine import THIS_MACHINE, MachineRoot

SPEED_MAX = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRequest:
    """What a run is asked to be.

    Attributes:
        profile: The staged plan.
        purpose: baseline, check, verification or build.
        job, unit: What it belongs to, or None.
        ambient: Typed room temperature, or None where a channel measures it.
        states: What was noted by hand: panel, position, fan policy.
        mock: Case and seed of the simulated machine, or None for hardware.
        probes: Probes that the simulated bench puts on the machine, beside the room's.
        from_cold: Whether the simulated machine was just switched on, in place of settled at idle.
        speed: Pace of simulated time; `SPEED_MAX` as fast as the processor allows; None real time.
        root: Folder that holds `sys` and `proc`, and whether that is this machine.
        start_utc_s: Wall clock at the start of simulated time, s since 1970; now where None.
        refusals: Reasons that forbid any load above quarter-share pulses.
        no_load: Whether stages above quarter-share pulses are left out, as somebody asked.
        danger: Looks whether a danger was noted for the machine: before the run, and while it lasts; None for nothing
            to look at.
        to_its_own_end: On a simulated machine only: what is heated need not be guarded, to see how the machine ends.
        may_load_blind: Asks a person (or `--yes`) for a short load without any temperature; called only where needed.
        facts: Further facts for the record (attestation, batch).
        second: The bench computer that sees the run, or None.
        shown: What its page says of the run besides: job, machine, place, customer; none of it is recorded.
    """

    profile: Profile
    purpose: str
    job: str | None = None
    unit: str | None = None
    ambient: Ambient | None = None
    states: Mapping[str, str] = field(default_factory=dict)
    mock: tuple[str, int] | None = None
    probes: tuple[str, ...] = ("room",)
    from_cold: bool = False
    speed: float | None = SPEED_MAX
    root: MachineRoot = THIS_MACHINE
    start_utc_s: float | None = None
    refusals: Sequence[Reason] = ()
    no_load: bool = False
    danger: Callable[[], DangerNotice | None] | None = None
    to_its_own_end: bool = False
    may_load_blind: Callable[[], bool] = lambda: False
    facts: Mapping[str, Any] = field(default_factory=dict)
    second: SecondComputer | None = None
    shown: RunView = field(default_factory=RunView)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunDone:
    """A run that is over: its record, and how it ended; `end` is None where the machine went dark."""

    run: str
    record: Path
    end: RunEnd | None
