"""Runs on simulated machines held in memory: the stages of the desktop profiles, no files, no record behind them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from mock_hw.physics.machine import SimulatedMachine
from mock_hw.physics.network import steady_state
from mock_hw.physics.parameters import MachineParameters
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import Event, StageSpan, Trace

# What the first figure may use: die, power, ambient, RPM, clock, rails, work rate and errors.
PLAIN = (
    "die_temp_c",
    "ambient_temp_c",
    "cpu_fan_speed_rpm",
    "pump_speed_rpm",
    "case_fan_speed_rpm",
    "rail_12v_v",
    "rail_5v_v",
    "rail_3v3_v",
)
WITH_PROBES = (*PLAIN, "plate_temp_c", "coolant_temp_c", "radiator_temp_c")
_TRIP_C, _BELOW_LIMIT_K = 95.0, 3.0
_GATE_C, _GATE_RISE_K = 50.0, 25.0
_IDLE_S, _PULSES, _ON_S, _OFF_S = 150, 4, 5, 55


@dataclass(slots=True)
class Recorder:
    """Samples a machine once a second into columns."""

    machine: SimulatedMachine
    channels: Sequence[str]
    rows: list[dict[str, float]] = field(default_factory=list)
    times: list[float] = field(default_factory=list)
    stages: list[StageSpan] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    t_s: float = 0.0
    share: float = 0.0
    is_dark: bool = False
    _energy_uj: float = 0.0
    _work: float = 0.0

    @property
    def shown(self) -> list[str]:
        """The channels that this machine has: no pump and no coolant where the cooler is of air."""
        wet = ("pump_speed_rpm", "coolant_temp_c", "radiator_temp_c", "hose_in_temp_c", "hose_out_temp_c")
        is_air = self.machine.parameters.cooler == "air"
        return [name for name in self.channels if name in self.machine.readings and not (is_air and name in wet)]

    def sample(self) -> None:
        """Add one row of what the sensors show now."""
        machine = self.machine
        readings = machine.readings
        row = {name: readings[name] for name in self.shown}
        gone_j = (machine.counters.energy_uj - self._energy_uj) * 1e-6
        self._energy_uj = machine.counters.energy_uj
        row["package_power_w"] = gone_j if 0 <= gone_j < 1000 and self.times else math.nan
        row["core_clock_mhz"] = machine.clock_mhz
        row["load_share"] = 1.0 if self.share > 0 else 0.0
        row["busy_share"] = self.share
        row["work_rate_per_s"] = machine.counters.work_done - self._work if self.share > 0 else math.nan
        self._work = machine.counters.work_done
        row["compute_errors"] = machine.mistakes.errors if self.share > 0 else math.nan
        row["cpu_fan_duty_share"] = machine.fans.duty_share
        self.rows.append(row)
        self.times.append(self.t_s)

    def move(self, seconds: int, share: float, stop: Callable[[], bool] | None = None) -> bool:
        """Run on for some seconds; return whether something stopped it before."""
        if share != self.share:
            commanded = 1.0 if share > 0 else 0.0
            self.events.append(Event(t_s=self.t_s, kind="load", detail={"share": commanded}))
            self.share = share
        for _ in range(seconds):
            errors = self.machine.mistakes.errors
            self.machine.advance(1.0, share)
            self.t_s += 1.0
            if not self.machine.is_on or self.machine.is_hung:
                self.is_dark = True
                return True
            self.sample()
            if self.machine.mistakes.errors > errors:
                detail = {"core": self.machine.mistakes.last_core}
                self.events.append(Event(t_s=self.t_s, kind="compute-error", detail=detail))
            if stop is not None and stop():
                return True
        return False

    def stage(self, name: str, kind: str, start_s: float, ended: str | None) -> None:
        """Note a stage that ran from a time until now."""
        end_s = None if ended is None else self.t_s
        how = None if ended is None else StageEnd(ended)
        self.stages.append(
            StageSpan(
                name=name,
                kind=StageKind(kind),
                start_s=start_s,
                end_s=end_s,
                ended=how,
            )
        )

    def trace(self, run_id: str, outcome: str, cause: str | None) -> Trace:
        """Return the run as a trace."""
        names = sorted({name for row in self.rows for name in row})
        columns = {n: np.array([row.get(n, math.nan) for row in self.rows]) for n in names}
        columns = {n: values for n, values in columns.items() if np.isfinite(values).any()}
        t_s = np.array(self.times)
        cpu = self.machine.parameters.processor
        facts: dict[str, Any] = {
            "simulated": True,
            "outcome": outcome,
            "cause": None if cause is None else {"class": cause, "why": []},
            "channels": {"die_temp_c": {"limit": cpu.limit_c, "resolution": 1.0}},
            "machine": {"cores": cpu.cores},
            "period_s": 1.0,
        }
        return Trace(
            run_id=run_id,
            facts=facts,
            profile=None,
            stages=tuple(self.stages),
            t_s=t_s,
            utc_s=t_s + 1.8e9,
            columns=columns,
            events=tuple(self.events),
        )


def run_machine(
    parameters: MachineParameters,
    seed: int,
    *,
    channels: Sequence[str] = PLAIN,
    load_s: int = 1200,
    pulses_only: bool = False,
    knows_limits: bool = False,
    start: Literal["rest", "cold"] = "rest",
) -> Trace:
    """Measure a machine as the desktop profiles do: idle, quarter pulses, load where it is safe, cooldown."""
    machine = SimulatedMachine(parameters, seed=seed, start=start)
    recorder = Recorder(machine, channels)
    outcome = _measure(recorder, parameters, load_s, pulses_only)
    cause = None
    if recorder.is_dark:
        outcome, cause = "interrupted", "hang" if machine.is_hung else "power-off"
    trace = recorder.trace(f"{parameters.case}-{seed}", outcome, cause)
    if knows_limits:
        trace.facts["machine"]["power_limits_w"] = {"long_term": parameters.processor.long_limit_w}
    return trace


def _measure(recorder: Recorder, parameters: MachineParameters, load_s: int, pulses_only: bool) -> str:
    recorder.sample()
    machine = recorder.machine
    gate_c = min(_GATE_C, machine.ambient_c + _GATE_RISE_K)

    def gate_closes() -> bool:
        return recorder.rows[-1]["die_temp_c"] > gate_c

    closed = recorder.move(_IDLE_S, 0.0, gate_closes)
    recorder.stage("idle", "idle", 0.0, None if recorder.is_dark else ("gate" if closed else "settled"))
    if recorder.is_dark or closed:
        if closed and not recorder.is_dark:
            start_s = recorder.t_s
            recorder.move(120, 0.0)
            recorder.stage("cooldown", "cooldown", start_s, None if recorder.is_dark else "time")
        return "stopped"
    for ended in _loads(recorder, parameters, load_s, pulses_only):
        if ended in ("tripped", None):
            return "tripped"
    return "completed"


def _loads(recorder: Recorder, parameters: MachineParameters, load_s: int, pulses_only: bool) -> Iterator[str | None]:
    machine = recorder.machine
    trip_c = min(_TRIP_C, parameters.processor.limit_c - _BELOW_LIMIT_K)

    def trips() -> bool:
        now, before = recorder.rows[-1]["die_temp_c"], recorder.rows[-2]["die_temp_c"]
        return now >= trip_c or now + max(0.0, now - before) > trip_c + _BELOW_LIMIT_K

    start_s, over = recorder.t_s, False
    for _ in range(_PULSES):
        over = over or recorder.move(_ON_S, 0.25, trips) or recorder.move(_OFF_S, 0.0, trips)
    recorder.stage("pulses", "load", start_s, None if recorder.is_dark else ("tripped" if over else "time"))
    yield None if recorder.is_dark else ("tripped" if over else "time")
    if pulses_only:
        recorder.move(0, 0.0)
        return
    forecast = steady_state(parameters, 1.0, ambient_c=machine.ambient_c)
    if forecast.clock_share < 1.0 or forecast.die_c + 4.0 > trip_c:
        recorder.stages.append(
            StageSpan(
                name="load", kind=StageKind.LOAD, start_s=recorder.t_s, end_s=recorder.t_s, ended=StageEnd.SKIPPED
            )
        )
    else:
        start_s = recorder.t_s
        over = recorder.move(load_s, 1.0, trips)
        recorder.stage("load", "load", start_s, None if recorder.is_dark else ("tripped" if over else "time"))
    if not recorder.is_dark:
        start_s = recorder.t_s
        recorder.move(300, 0.0)
        recorder.stage("cooldown", "cooldown", start_s, None if recorder.is_dark else "time")
