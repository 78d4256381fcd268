"""Where a run is made: on this machine, or on simulated hardware; its clock, its sensors, and the claim on it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass

from verifyrig.bench.folder import Bench
from verifyrig.core.clock import RealClock
from verifyrig.core.interfaces import Clock, Controls, SensorBank
from verifyrig.core.pattern import is_gentle
from verifyrig.core.probe_only import is_from_outside
from verifyrig.loads import check_runnable
from verifyrig.loads.machine_claim import LoadClaim, machine_claimed
from verifyrig.rig.patience import patiently
from verifyrig.rig.request import SPEED_MAX, RunRequest
from verifyrig.rig.simulated import open_simulated
from verifyrig.sensors.bank import open_bank
from verifyrig.system.machine import MachineRoot


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """Where a run is made: the clock, whether it is a live one, the root of the sensors, and what is simulated."""

    clock: Clock
    root: MachineRoot
    live: bool
    case: str | None = None

    @property
    def simulated(self) -> bool:
        """Whether the hardware is."""
        return not self.root.live


@contextlib.contextmanager
def stand_of(request: RunRequest, card: str) -> Iterator[Stand]:
    """Choose, here and nowhere else, between real and simulated; refuse a load that cannot be run on this machine."""
    if request.mock is None:
        loads = [stage.load for stage in request.profile.stages if stage.load is not None]
        wanted = [load for load in loads if is_gentle(load) or not request.no_load]
        check_runnable(request.root, wanted, card=card)
        yield Stand(clock=RealClock(), root=request.root, live=True)
        return
    case, seed = request.mock
    with open_simulated(
        case,
        seed,
        probes=("room", "plate", "exhaust") if is_from_outside(request.profile) else request.probes,
        start="cold" if request.from_cold else "rest",
        start_utc_s=request.start_utc_s,
        speed=None if request.speed == SPEED_MAX else request.speed,
    ) as simulated:
        root = MachineRoot(simulated.root, live=False)
        yield Stand(clock=simulated.clock, root=root, live=False, case=f"{case}:{seed}")


def open_sensors(request: RunRequest, bench: Bench, stand: Stand, controls: Controls) -> SensorBank:
    """Open the sensors. The bench's instruments and sources belong to real machines, not to a simulated one."""
    config = {} if request.mock is not None else bench.config
    return patiently(
        lambda: open_bank(
            stand.root.path,
            config,
            stale_after_s=request.profile.stale_after_s,
            now_s=stand.clock.now_s,
            outside_only=is_from_outside(request.profile),
            may_be_slow=request.mock is None,
            from_afar=request.second.sensors() if request.second is not None else (),
        ),
        controls,
    )


def machine_for_itself(request: RunRequest, heated: bool) -> contextlib.AbstractContextManager[LoadClaim]:
    """Return the claim on this machine where the run heats it; a load seen from outside is on another one."""
    heats_this = heated and request.mock is None and request.root.live and not is_from_outside(request.profile)
    return machine_claimed() if heats_this else contextlib.nullcontext(LoadClaim())


def card_of(bench: Bench) -> str:
    """Return which graphics processor bench.toml names, empty where it names none."""
    return str(bench.config.get("gpu", {}).get("card", ""))
