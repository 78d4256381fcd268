"""Runs for the benchmark `exposure`: one simulated machine under a climb, under today's rule, or at full load at once.

Every machine has parts that nobody watches: its regulator's and coolant's sensors are taken away, and its hottest
point lies above what the die's sensor shows.
"""

from __future__ import annotations

import math
import random
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from mock_hw.physics.machine import SimulatedMachine
from mock_hw.physics.network import steady_state
from mock_hw.physics.parameters import CASES, MachineParameters, draw
from tests.benchmarks._settle_runs import outside
from verifyrig.core.trace import Trace

HIDDEN = ("vrm_temp_c", "coolant_temp_c")
SOUND = ("healthy-air", "healthy-liquid", "sound-hot-room", "sound-weak-cooler")
# A reading that is not the die's own is no honest sensor; these are counted apart.
DISHONEST = ("sensor-offset", "sensor-stuck")
COOLANT_LIMIT_C = 70.0  # hoses and pumps are rated up to 60 to 70 °C: from memory
LOAD_S, AFTER_S = 1200.0, 120.0
_HOT_ROOM_C = 40.0
_SURE, _LOOK_S = 0.9, 120.0
_HOLDS_BELOW_TRIP_K = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One machine, how it is sampled, and by which rule it is loaded: `climb`, `today` or `trip-only`."""

    case: str
    seed: int
    rule: str
    period_s: float
    strange: bool = False


@dataclass(slots=True, kw_only=True)
class Seen:
    """What a machine truly went through.

    Attributes:
        die_over_k: By how much the die came above its own limit, K; `trip_over_k` above the trip limit.
        unwatched_over_k: By part, by how much it came above its limit, K.
        near_limit_s: Seconds with the die within 10 K of its own limit.
        degree_min: Degree-minutes of the die above 20 K below its own limit.
        joules: What the processor drew.
        outcome, why, reached_full: How the run ended, the codes of its reasons and its trip's rule, and whether it came
            to its full share.
        known_min: From the load's start until its settled value was known, min; infinite where it never was.
        error_k, u95_k: Of that value.
        took_min: From the run's start to the load's end, min.
        sure_min, sure_is_right: From the start to the first look at which a cause stands first with 90 %, min,
            infinite where none does; and whether it is the right one. Looks come every two minutes of load, and
            where a stage ends.
    """

    die_over_k: float = -math.inf
    trip_over_k: float = -math.inf
    unwatched_over_k: dict[str, float] = field(default_factory=dict)
    near_limit_s: float = 0.0
    degree_min: float = 0.0
    joules: float = 0.0
    outcome: str = ""
    why: tuple[str, ...] = ()
    reached_full: bool = False
    known_min: float = math.inf
    error_k: float = math.nan
    u95_k: float = math.nan
    took_min: float = math.inf
    sure_min: float = math.inf
    sure_is_right: bool = False

    def take(self, machine: SimulatedMachine, dt_s: float, hot_spot_k_per_w: float) -> None:
        """Add what the machine is now, for `dt_s` seconds."""
        parameters = machine.parameters
        limit_c = parameters.processor.limit_c
        self.die_over_k = max(self.die_over_k, machine.die_c - limit_c)
        self.trip_over_k = max(self.trip_over_k, machine.die_c - trip_c(parameters))
        over = {
            "regulator": machine.regulator.temp_c - parameters.board_power.pin_c,
            "hot-spot": machine.die_c + hot_spot_k_per_w * machine.power_w - limit_c,
        }
        if parameters.cooler == "liquid":
            over["coolant"] = machine.coolant_c - COOLANT_LIMIT_C
        for part, over_k in over.items():
            self.unwatched_over_k[part] = max(over_k, self.unwatched_over_k.get(part, -math.inf))
        self.near_limit_s += dt_s * (machine.die_c > limit_c - 10.0)
        self.degree_min += dt_s / 60 * max(0.0, machine.die_c - (limit_c - 20.0))
        self.joules += dt_s * machine.power_w


def trip_c(machine: MachineParameters) -> float:
    """Return what the shipped desktop profiles trip at on this machine, °C."""
    return min(95.0, machine.processor.limit_c - 3.0)


def machine_of(job: Job) -> MachineParameters:
    """Return the machine: its die's sensor shows whole degrees and is fresh every 1 to 4 s."""
    dice = random.Random(f"exposure/{job.case}/{job.seed}")
    if job.case in CASES:
        machine = outside(job.case, job.seed) if job.strange else draw(job.case, job.seed)
    else:
        machine = _sound(job)
    refresh_s = dice.uniform(1.0, 4.0)
    sensors = {
        name: replace(model, step=1.0, refresh_s=refresh_s) if name.startswith(("die_", "core_")) else model
        for name, model in machine.sensors.items()
    }
    return replace(machine, sensors=sensors)


def _sound(job: Job) -> MachineParameters:
    """Return a sound machine in a room of 40 °C, or one with a weak cooler: it holds below its trip limit for ever."""
    seed = 1000 * job.seed
    while True:
        machine = draw("healthy-air" if seed % 2 else "healthy-liquid", seed)
        if job.case == "sound-hot-room":
            machine = replace(machine, ambient=replace(machine.ambient, temp_c=_HOT_ROOM_C))
        else:
            weak = machine.thermal.sink_to_air_k_per_w * random.Random(seed).uniform(1.3, 1.8)
            machine = replace(machine, thermal=replace(machine.thermal, sink_to_air_k_per_w=weak))
        if steady_state(machine, 1.0).die_c <= trip_c(machine) - _HOLDS_BELOW_TRIP_K:
            return replace(machine, case="healthy-air" if machine.cooler == "air" else "healthy-liquid")
        seed += 1


def hot_spot_k_per_w(job: Job) -> float:
    """Return how far the hottest point lies above what the sensor is meant to show, K/W."""
    return math.exp(random.Random(f"hot-spot/{job.case}/{job.seed}").gauss(math.log(0.03), 0.4))


def _profile_text(job: Job, machine: MachineParameters) -> str:
    """Return the shipped profile of the rule. How long a shop looks on is cut, for both rules alike."""
    folder = Path(__file__).parents[2] / "profiles"
    if job.rule == "today":
        folder = folder / "earlier" / "before-climb"
    text = (folder / f"desktop-{machine.cooler}.toml").read_text(encoding="utf-8")
    text = text.replace("min_duration_s = 300", "min_duration_s = 60")
    text = text.replace('kind = "cooldown"\nmax_duration_s = 600', f'kind = "cooldown"\nmax_duration_s = {AFTER_S:g}')
    return text.replace("period_s = 1.0", f"period_s = {job.period_s:g}")


def run_job(job: Job) -> Seen:
    """Run one job."""
    return _at_once(job) if job.rule == "trip-only" else _by_rule(job)


def _at_once(job: Job) -> Seen:
    """Full load at once for 20 minutes; a reading at the trip limit ends it, and nothing else does."""
    machine, seen, spot = SimulatedMachine(machine_of(job), seed=job.seed), Seen(), hot_spot_k_per_w(job)
    parameters, share, t_s, off_s = machine.parameters, 1.0, 0.0, math.inf
    while t_s < LOAD_S + AFTER_S and t_s < off_s + AFTER_S and machine.power_state == "on":
        for _ in range(round(job.period_s / 0.5)):
            machine.advance(0.5, share)
            seen.take(machine, 0.5, spot)
        t_s += job.period_s
        if share and (machine.readings["die_temp_c"] >= trip_c(parameters) or t_s >= LOAD_S):
            seen.outcome = "completed" if t_s >= LOAD_S else "tripped"
            share, off_s = 0.0, t_s
    seen.outcome = seen.outcome or "went dark"
    seen.reached_full = True
    return seen


def _by_rule(job: Job) -> Seen:
    from tests.silent import Silent
    from verifyrig.bench.folder import Bench
    from verifyrig.core.errors import SensorError
    from verifyrig.plan.text import parse_profile
    from verifyrig.rig.assemble import run
    from verifyrig.rig.request import RunRequest

    machine, seen, spot = machine_of(job), Seen(), hot_spot_k_per_w(job)
    with tempfile.TemporaryDirectory() as folder, _watched(machine, seen, spot):
        profile = parse_profile(_profile_text(job, machine), "exposure")
        request = RunRequest(profile=profile, purpose="check", mock=(machine.case, job.seed))
        try:
            done = run(request, Bench(root=Path(folder)), Silent())
        except SensorError:
            # A die that reads less than nothing is refused before anything is measured.
            seen.outcome = "refused"
            return seen
        seen.outcome = str(done.end.outcome) if done.end is not None else "went dark"
        if done.end is not None:
            seen.why = (
                *(why.code for why in done.end.reasons),
                done.end.trip["rule"] if done.end.trip is not None else "",
            )
        _read_record(done.record, machine, seen)
    return seen


def _read_record(path: Path, machine: MachineParameters, seen: Seen) -> None:
    from verifyrig.analysis.settled import settled_value
    from verifyrig.core.load_changes import load_changes
    from verifyrig.core.reason import Reason
    from verifyrig.record import read_trace

    trace = read_trace(path)
    _judge_as_it_went(trace, machine, seen)
    stage = trace.stage("load")
    if stage is None or stage.ended == "skipped" or stage.end_s is None:
        return
    seen.took_min = stage.end_s / 60
    seen.reached_full = any(change.share >= 1.0 for change in load_changes(trace) if change.t_s >= stage.start_s)
    if stage.ended != "settled":
        return
    seen.known_min = (stage.end_s - stage.start_s) / 60
    found = settled_value(trace, stage, "die_temp_c")
    if not isinstance(found, Reason):
        sensor = machine.sensors["die_temp_c"]
        end = steady_state(machine, 1.0, ambient_c=machine.ambient.temp_at_c(stage.end_s))
        truth_c = min(end.die_c + sensor.offset, sensor.high)
        seen.error_k, seen.u95_k = found.value_c - truth_c, max(1.0, 2 * found.u_k)


def _judge_as_it_went(trace: Trace, machine: MachineParameters, seen: Seen) -> None:
    """Note when the evidence so far first names a cause with 90 %: every two minutes of load, and as a stage ends."""
    from verifyrig.diagnosis.judging import judge, see

    for look_s in _looks_s(trace):
        causes = judge(see(trace.until(look_s))).causes
        first = max(causes, key=lambda cause: causes[cause])
        if causes[first] >= _SURE:
            seen.sure_min, seen.sure_is_right = look_s / 60, str(first) == CASES[machine.case]
            return


def _looks_s(trace: Trace) -> Iterator[float]:
    for stage in trace.stages:
        if stage.ended == "skipped":
            continue
        # A run that went dark has a stage without an end.
        end_s = stage.end_s if stage.end_s is not None else float(trace.t_s[-1])
        if stage.name == "load":
            yield from np.arange(stage.start_s + _LOOK_S, end_s - _LOOK_S / 2, _LOOK_S).tolist()
        yield end_s


@contextmanager
def _watched(machine: MachineParameters, seen: Seen, spot: float) -> Iterator[None]:
    """Have runs meet this machine without the hidden sensors, and its true temperatures be seen."""
    from mock_hw.bench import SimulatedBench
    from verifyrig.sensors.bank import open_bank

    old_advance = SimulatedBench.advance_to

    def advance_to(bench: SimulatedBench, t_s: float) -> None:
        before_s = bench.machine.elapsed_s
        old_advance(bench, t_s)
        seen.take(bench.machine, bench.machine.elapsed_s - before_s, spot)

    def blinded(*args: Any, **kwargs: Any) -> Any:
        return _Blinded(open_bank(*args, **kwargs))

    with (
        patch("mock_hw.bench.draw", lambda *_args, **_kwargs: machine),
        patch("mock_hw.bench.SimulatedBench.advance_to", advance_to),
        patch("verifyrig.rig.stand.open_bank", blinded),
    ):
        yield


class _Blinded:
    """A sensor bank without the hidden channels."""

    def __init__(self, bank: Any) -> None:
        self._bank = bank

    def __getattr__(self, name: str) -> Any:
        return getattr(self._bank, name)

    @property
    def infos(self) -> Mapping[str, Any]:
        return {name: info for name, info in self._bank.infos.items() if name not in HIDDEN}

    def sample(self, now_s: float, *, load_share: float) -> dict[str, Any]:
        readings = self._bank.sample(now_s, load_share=load_share)
        return {name: reading for name, reading in readings.items() if name not in HIDDEN}
