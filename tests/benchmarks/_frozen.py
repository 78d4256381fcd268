"""Whole runs on simulated machines with all kinds of sensors: which freeze is found, and who is accused without one.

The machines are those of the cases `healthy-*`; what a sensor of a die can be is varied beyond them: steps of an eighth
and of a whole degree, 1 to 4 s between fresh values, noise down to a fifth, heat sinks of up to four times the heat
capacity, and sampling twice a second to every other second, on the virtual clock.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from mock_hw.physics.machine import SimulatedMachine
from mock_hw.physics.parameters import draw as draw_machine
from mock_hw.physics.parts import MachineParameters
from tests.silent import Silent
from verifyrig.core.channels import base_name, quantity_of, unit_of
from verifyrig.core.clock import VirtualClock
from verifyrig.core.interfaces import ChannelInfo, Controls, LoadDemand, LoadStatus, Quality, Reading, Taken
from verifyrig.plan.text import parse_profile
from verifyrig.rig.arming import arm, limits_of
from verifyrig.rig.load_permit import LoadPermit
from verifyrig.rig.runner import Ambient, Rig, Runner
from verifyrig.sensors.bank import Bank

# Idle ends with two gentle pulses: without them nobody can say how hot the load will make the machine.
IDLE_S, LOAD_S, AFTER_S = 40.0, 300.0, 40.0
PULSES_S = 30.0
HEALTHY = ("healthy-air", "healthy-liquid")

# No limit is near: a trip of such a run is one of a reading that was taken for frozen.
_PLAN = """
name = "frozen"
title = "Rest, load, rest"

[sampling]
period_s = {period_s}

[trip]
die_temp_c = {{ max = 105.0 }}
core_temp_c = {{ max = 105.0, optional = true }}
plate_temp_c = {{ max = 90.0, optional = true }}
stale_after_s = 5.0

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = {idle_s}

[[stage]]
name = "pulses"
kind = "load"
load = {{ work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 10, count = 2, share = 0.25 }}

[[stage]]
name = "load"
kind = "load"
load = {{ work = "linear-algebra", pattern = "steady", share = {share}, workers = "all" }}
max_duration_s = {load_s}

[[stage]]
name = "cooldown"
kind = "cooldown"
max_duration_s = {after_s}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Draw:
    """One machine and one run of it."""

    case: str
    seed: int
    step_k: float
    refresh_s: float
    noise_share: float
    sink_share: float
    period_s: float
    share: float


def draw(number: int, seed: int) -> Draw:
    """Return the run of that number, the same for the same seed."""
    dice = random.Random(f"{seed}/{number}")
    return Draw(
        case=HEALTHY[number % 2],
        seed=seed + number,
        step_k=dice.choice((1.0, 1.0, 0.125)),
        refresh_s=dice.uniform(1.0, 4.0),
        noise_share=dice.choice((0.2, 0.5, 1.0)),
        sink_share=dice.choice((1.0, 2.0, 4.0)),
        period_s=dice.choice((0.5, 1.0, 2.0)),
        share=dice.choice((0.6, 1.0, 1.0)),
    )


@dataclass
class Shown:
    """One sensor of the simulated machine, read as the driver would show it; it stands still from `from_s` on."""

    info: ChannelInfo
    show: Callable[[], float]
    now_s: Callable[[], float]
    from_s: float = math.inf
    held: float = math.nan

    def read(self) -> Taken:
        if self.now_s() < self.from_s or math.isnan(self.held):
            self.held = self.show()
        return Taken(self.held)

    def close(self) -> None: ...


class Simulated:
    """A machine on explicit time with its sensors and its load; no files, so that thousands of runs can be made."""

    def __init__(self, drawn: Draw) -> None:
        self.machine = SimulatedMachine(_changed(draw_machine(drawn.case, drawn.seed), drawn), seed=drawn.seed)
        self.share = 0.0
        self._counted = (0.0, 0.0, 0.0)
        self._power_w, self._busy_share = self.machine.power_w, 0.0

    def advance_to(self, t_s: float) -> None:
        left_s = t_s - self.machine.elapsed_s
        if left_s > 5e-7:
            self.machine.advance(left_s, self.share)

    def sensors(self) -> list[Shown]:
        cpu = self.machine.parameters.processor
        die_k = 1.0 if cpu.driver == "coretemp" else 0.125
        steps = {"die_temp_c": die_k, "core_temp_c": die_k, "core_2_temp_c": die_k, "plate_temp_c": None}
        temps = [
            self._sensor(channel, lambda channel=channel: self.machine.readings[channel], step_k)  # type: ignore[misc]
            for channel, step_k in {**steps, "ambient_temp_c": None}.items()
        ]
        return [
            *temps,
            self._sensor("package_power_w", lambda: self._means()[0], None),
            self._sensor("busy_share", lambda: self._means()[1], None),
        ]

    def _sensor(self, channel: str, show: Callable[[], float], step: float | None) -> Shown:
        info = ChannelInfo(
            channel=channel, label=channel, device=f"{'cpu' if step else channel}:{channel}", source="-",
            resolution=step, quantity=quantity_of(channel), unit=unit_of(channel),
        )  # fmt: skip
        return Shown(info, show, lambda: self.machine.elapsed_s)

    def _means(self) -> tuple[float, float]:
        """Return power and busy share over the time since the sample before, as counters give them."""
        machine, (then_s, then_j, then_busy_s) = self.machine, self._counted
        now_s, now_j = machine.elapsed_s, machine.counters.energy_uj * 1e-6
        busy_s = sum(machine.counters.busy_s) / machine.parameters.processor.cores
        if now_s > then_s + 1e-3:
            if now_j > then_j:  # else the counter began anew
                self._power_w = (now_j - then_j) / (now_s - then_s) if then_s else machine.power_w
            self._busy_share = (busy_s - then_busy_s) / (now_s - then_s)
            self._counted = (now_s, now_j, busy_s)
        return self._power_w, self._busy_share


class SimulatedLoad:
    """Sets the share of the simulated machine."""

    def __init__(self, simulated: Simulated) -> None:
        self._simulated = simulated

    def start(self, demand: LoadDemand) -> None: ...

    def set_share(self, share: float) -> None:
        self._simulated.share = share

    def beat(self) -> None: ...

    def status(self) -> LoadStatus:
        return LoadStatus(work_done=0.0, compute_errors=0, workers_wanted=1, workers_alive=1, counts_work=False)

    def stop(self) -> float:
        self._simulated.share = 0.0
        return 0.0

    def close(self) -> None:
        self.stop()


class Ledger:
    """Takes what a run writes: who was not `ok` under load and when, and the events."""

    def __init__(self) -> None:
        self.stuck_s: dict[str, float] = {}
        self.events: list[tuple[float, str, Mapping[str, Any]]] = []

    def sample(self, t_s: float, utc_s: float, readings: Mapping[str, Reading]) -> None:
        for channel, reading in readings.items():
            if reading.quality is Quality.STUCK:
                self.stuck_s.setdefault(channel, t_s)

    def event(self, t_s: float, kind: str, detail: Mapping[str, Any]) -> None:
        self.events.append((t_s, kind, detail))

    def stage_started(self, name: str, kind: str, t_s: float) -> None: ...

    def stage_ended(self, name: str, t_s: float, ended: str) -> None: ...

    def fact(self, key: str, value: Any) -> None: ...

    def lag_s(self) -> float:
        return 0.0

    def close(self) -> None: ...

    def abandon(self, went_dark: str = "power-off") -> None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """How one run went.

    Attributes:
        stuck_s: Who was called stuck, and when, s.
        trip: The trip, None where there was none.
        refused: Whether the load never began, since idle time and pulses foresaw too much heat.
        dips_s: The length of each dip, s.
        not_possible: Who could not be asked by a dip.
    """

    stuck_s: Mapping[str, float]
    trip: Mapping[str, Any] | None
    refused: bool
    dips_s: list[float] = field(default_factory=list)
    not_possible: list[str] = field(default_factory=list)


def run_one(drawn: Draw, *, frozen: str = "", from_s: float = math.inf) -> Ran:
    """Execute one run; the sensor of the channel `frozen` stands from `from_s` seconds into it."""
    simulated = Simulated(drawn)
    text = _PLAN.format(
        period_s=drawn.period_s, share=drawn.share, idle_s=IDLE_S - PULSES_S, load_s=LOAD_S, after_s=AFTER_S
    )
    profile = parse_profile(text, origin="frozen.toml")
    clock, ledger, sensors = VirtualClock(simulated.advance_to), Ledger(), simulated.sensors()
    for sensor in sensors:
        sensor.from_s = from_s if sensor.info.channel == frozen else math.inf
    bank = Bank(sensors, stale_after_s=5.0)
    armed, _ = arm(profile, bank.infos)
    rig = Rig(
        profile=profile, clock=clock, bank=bank, load=SimulatedLoad(simulated), writer=ledger,
        controls=Controls(), observer=Silent(), armed=tuple(armed), ambient=Ambient(value_c=22.0, u95_k=0.5),
        permit=LoadPermit(limits_c=limits_of(armed)), beat_every_s=math.inf,
    )  # fmt: skip
    end = Runner(rig).run()
    return Ran(
        stuck_s=ledger.stuck_s,
        trip=end.trip,
        refused=any(kind == "load-refused" for _, kind, _ in ledger.events),
        dips_s=[detail["until_s"] - t_s for t_s, kind, detail in ledger.events if kind == "dip"],
        not_possible=[detail["channel"] for _, kind, detail in ledger.events if kind == "dip-not-possible"],
    )


def _changed(parameters: MachineParameters, drawn: Draw) -> MachineParameters:
    sensors = {
        channel: replace(model, step=drawn.step_k, refresh_s=drawn.refresh_s, noise=model.noise * drawn.noise_share)
        if base_name(channel) in ("die_temp_c", "core_temp_c")
        else model
        for channel, model in parameters.sensors.items()
    }
    path, larger = parameters.thermal, drawn.sink_share
    thermal = replace(
        path,
        plate_j_per_k=path.plate_j_per_k * larger,
        coolant_j_per_k=path.coolant_j_per_k * larger,
        sink_j_per_k=path.sink_j_per_k * larger,
    )
    return replace(parameters, sensors=sensors, thermal=thermal)
