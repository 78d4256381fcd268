"""One machine under a step and under climbs: does u95 of its impedance hold the truth, and do the loads tell it apart.

Each machine is run three times, in other noise: a step to full share, a climb to it, and a climb that ends at a lesser
share after some minutes. The truth is that of its network at the mean fan speed of each window; the error of the power
reading, which is the same in all runs of a machine, belongs to what u95 must hold: once as drawn, and once for all
errors within the bound that u95 states, each as likely. Then step and climb on ladders of six masses, which no lumps
match. Beside both, what a user would do instead: read the trace at 60 and 600 s after the
load began.
"""

from __future__ import annotations

import os
import random
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Any, NamedTuple

import numpy as np
from threadpoolctl import threadpool_limits

from mock_hw.physics.machine import SimulatedMachine
from mock_hw.physics.network import true_impedance
from mock_hw.physics.parameters import MachineParameters, draw
from tests.benchmarks._ladders import ladder, record_of
from tests.benchmarks._settle_runs import BELOW_LIMIT_K, FIRST_SEED, USUAL_TRIP_C
from verifyrig.analysis.budget import POWER_GAIN, expanded
from verifyrig.analysis.differences import per_watt_differences
from verifyrig.analysis.fingerprint import LUMPS, WINDOWS_S, impedance_metrics
from verifyrig.analysis.results import Metric
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import LoadPattern, LoadPlan, Profile, Stage, StageKind, WorkName
from verifyrig.core.trace import Event, FloatArray, StageSpan, Trace

CASES = ("healthy-air", "healthy-liquid", "paste-dried", "coolant-slow", "fan-stopped", "radiator-blocked")
LOADS = ("step", "climb", "climb-ended-low")
_IDLE_S, _FULL_S = 200, 700
_CHANNELS = ("die_temp_c", "package_power_w", "cpu_fan_speed_rpm", "ambient_temp_c")
_BOUND = np.linspace(0.95, 1.05, 41)  # gains of a power reading within ± 5 %, `POWER_GAIN` without a calibration
_JUDGED_S = (60, 600)  # of a climb the first seconds are for the steps that follow it


class _Run(NamedTuple):
    """The record of one load, and the true fan speed over full speed of each second."""

    trace: Trace
    fan_share: FloatArray
    step_s: float


class Found(NamedTuple):
    """One figure of one load.

    Attributes:
        error: Over the truth; `read_off_error` that of reading the trace off.
        inside: Whether u95 held the truth. The simulated machine's path is of lumps as the model's own, that of a
            ladder of six masses is not; the power reading's error is never beyond its bound.
        inside_of_bound: For which part of all gains within the power reading's bound it would have.
        inside_fit: Whether the uncertainty of fit and readings alone held the truth, as the power reading has it.
    """

    load: str
    window_s: int
    error: float
    inside: bool
    inside_of_bound: float
    inside_fit: bool
    read_off_error: float


def _shares(load: str, dice: random.Random) -> Callable[[int], float]:
    """Return the share by the second since the load's stage began."""
    dwell_s = dice.randint(11, 16)
    steps = (0.25, 0.5, 0.75, 1.0)
    if load == "step":
        return lambda _second: 1.0
    if load == "climb":
        return lambda second: steps[min(len(steps) - 1, second // dwell_s)]
    last = dice.choice((0.375, 0.5, 0.625, 0.75))
    return lambda second: min(last, steps[min(len(steps) - 1, second // dwell_s)])


def _plan(load: str) -> Profile:
    pattern = LoadPattern.STEADY if load == "step" else LoadPattern.CLIMB
    plan = LoadPlan(work=WorkName.LINEAR_ALGEBRA, pattern=pattern)
    stages = (
        Stage(name="idle", kind=StageKind.IDLE, max_duration_s=_IDLE_S),
        Stage(name="load", kind=StageKind.LOAD, max_duration_s=_FULL_S, load=plan),
    )
    return Profile(name=load, title=load, text="", recipe=pattern.value, stages=stages)


def run_of(machine: MachineParameters, seed: int, load: str) -> _Run | None:
    """Return the run; None where it would have tripped."""
    # The same machine in other noise each time; how long a climb that ended low went on is drawn, too.
    dice = random.Random(f"step-and-climb/{seed}/{load}")
    simulated = SimulatedMachine(machine, seed=dice.randrange(1_000_000))
    trip_c = min(USUAL_TRIP_C, machine.processor.limit_c - BELOW_LIMIT_K)
    shares, length_s = _shares(load, dice), dice.randint(120, 400) if load == "climb-ended-low" else _FULL_S
    rows: list[tuple[float, ...]] = []
    events, commanded = [], 0.0
    for second in range(_IDLE_S + length_s):
        share = shares(second - _IDLE_S) if second >= _IDLE_S else 0.0
        if share != commanded:
            events.append(Event(t_s=float(second), kind="load", detail={"share": share}))
            commanded = share
        simulated.advance(1.0, share)
        readings = simulated.readings
        if readings["die_temp_c"] >= trip_c or simulated.power_state != "on":
            return None
        watts = simulated.power_w * machine.power_gain
        fan = simulated.fans.levels[1] / 100
        rows.append((readings["die_temp_c"], watts, readings["cpu_fan_speed_rpm"], readings["ambient_temp_c"], fan))
    data = np.array(rows)
    return _Run(_trace(load, data[:, :4], events, machine.sensors["die_temp_c"].step), data[:, 4], events[-1].t_s)


def _trace(load: str, data: FloatArray, events: Sequence[Event], step_k: float) -> Trace:
    t_s = np.arange(1.0, len(data) + 1)
    stages = (
        StageSpan(name="idle", kind=StageKind.IDLE, start_s=0.0, end_s=float(_IDLE_S), ended=StageEnd.TIME),
        StageSpan(
            name="load", kind=StageKind.LOAD, start_s=float(_IDLE_S), end_s=float(len(data)), ended=StageEnd.TIME
        ),
    )
    facts = {"channels": {"die_temp_c": {"resolution": step_k, "device": "d"}}, "job": "j"}
    return Trace(
        run_id=load, facts=facts, profile=_plan(load), stages=stages, t_s=t_s, utc_s=t_s,
        columns=dict(zip(_CHANNELS, data.T, strict=True)), events=tuple(events),
    )  # fmt: skip


def one_ladder(seed: int) -> list[Found]:
    """Return the figures of a step and of a climb on a path of six masses (`_ladders`)."""
    path, found = ladder(seed), []
    for load in LOADS[:2]:
        shares = _shares(load, random.Random(f"ladder/{seed}/{load}"))
        by_second = [0.0] * _IDLE_S + [shares(second) for second in range(_FULL_S)]
        data, events = record_of(path, seed, by_second)
        trace = _trace(load, data, events, 1.0)
        metrics = impedance_metrics(trace, trace.stages[1])
        for window in _JUDGED_S:
            metric, truth = metrics[f"thermal_impedance_{window}s"], path.impedance(float(window))
            found.append(
                _found(f"{load}, six masses", window, metric, truth, path.power_gain, _read_off(trace, window))
            )
    return [one for one in found if one is not None]


def one_machine(job: tuple[str, int]) -> tuple[list[Found], dict[str, list[bool]]]:
    """Return the figures of each load on one machine, and by pair of loads whether a figure differs significantly."""
    case, seed = job
    machine = draw(case, seed)
    runs = {load: found for load in LOADS if (found := run_of(machine, seed, load)) is not None}
    figures = [figure for load, run in runs.items() for figure in _figures(machine, load, run)]
    differs: dict[str, list[bool]] = {}
    for one, other in (("step", "climb"), ("step", "climb-ended-low"), ("climb", "climb-ended-low")):
        if one in runs and other in runs:
            before, after = runs[one].trace, runs[other].trace
            # Of metrics the impedances alone are asked for, which are worked out anew at like fan speeds.
            for name, difference in per_watt_differences(before, after, {}, {}, "load").items():
                if difference.significant is not None and name.endswith(tuple(f"_{window}s" for window in _JUDGED_S)):
                    differs.setdefault(f"{one}, {other}", []).append(difference.significant)
    return figures, differs


def _figures(machine: MachineParameters, load: str, run: _Run) -> Iterable[Found]:
    trace = run.trace
    metrics = impedance_metrics(trace, trace.stages[1])
    for window in WINDOWS_S:
        metric = metrics[f"thermal_impedance_{window}s"]
        if window not in _JUDGED_S:
            continue
        start = int(run.step_s)
        truth = true_impedance(machine, float(window), fan_share=float(np.mean(run.fan_share[start : start + window])))
        found = _found(load, window, metric, truth, machine.power_gain, _read_off(trace, window))
        if found is not None:
            yield found


def _found(load: str, window: int, metric: Metric, truth: float, power_gain: float, read_off: float) -> Found | None:
    if not isinstance(metric.value, float) or metric.u95 is None:
        return None
    fit = expanded(tuple(line for line in metric.budget if line.name not in (POWER_GAIN, LUMPS)))
    # The impedance that a machine shows, and its u95 with it, go down as the gain goes up.
    scales = power_gain / _BOUND
    return Found(
        load=load,
        window_s=window,
        error=metric.value / truth - 1,
        inside=abs(metric.value - truth) <= metric.u95,
        inside_of_bound=float(np.mean(np.abs(metric.value * scales - truth) <= metric.u95 * scales)),
        inside_fit=abs(metric.value - truth / power_gain) <= fit,
        read_off_error=read_off / truth - 1,
    )


def _read_off(trace: Trace, window_s: int) -> float:
    """Return what somebody with the trace and a calculator would get."""
    temp, power = trace.columns["die_temp_c"], trace.columns["package_power_w"]
    at = min(_IDLE_S + window_s, len(temp)) - 1
    return float((temp[at] - temp[_IDLE_S - 1]) / (power[at] - power[_IDLE_S - 1]))


def measure(full: bool = True, machines: int | None = None) -> dict[str, Any]:
    """Return by load and window how often u95 holds the truth, and how often two loads on one machine differ."""
    seeds = range(FIRST_SEED, FIRST_SEED + (machines or (60 if full else 2)))
    jobs = [(case, seed) for case in CASES for seed in seeds]
    figures: list[Found] = []
    differs: dict[str, list[bool]] = {}
    with ProcessPoolExecutor(max_workers=os.cpu_count(), initializer=threadpool_limits, initargs=(1,)) as pool:
        for found, pairs in pool.map(one_machine, jobs, chunksize=2):
            figures += found
            for pair, flags in pairs.items():
                differs.setdefault(pair, []).extend(flags)
        for found in pool.map(one_ladder, range(FIRST_SEED, FIRST_SEED + 3 * len(seeds)), chunksize=4):
            figures += found
    return table(figures, differs)


def table(figures: list[Found], differs: dict[str, list[bool]]) -> dict[str, Any]:
    """Return the shares by load and window, and by pair of loads."""
    keys = sorted({(one.load, one.window_s) for one in figures})
    rows = {}
    for load, window in keys:
        own = [one for one in figures if (one.load, one.window_s) == (load, window)]
        rows[f"{load} {window} s"] = {
            "runs": len(own),
            "inside_u95": round(float(np.mean([one.inside for one in own])), 3),
            "inside_u95_for_all_gains_within_the_bound": round(float(np.mean([one.inside_of_bound for one in own])), 3),
            "inside_u95_of_the_fit": round(float(np.mean([one.inside_fit for one in own])), 3),
            "median_error": round(float(np.median([one.error for one in own])), 3),
            "within_10_percent": round(float(np.mean([abs(one.error) <= 0.10 for one in own])), 3),
            "read_off_within_10_percent": round(float(np.mean([abs(one.read_off_error) <= 0.10 for one in own])), 3),
        }
    pairs = {
        pair: {"pairs": len(flags), "significant": round(float(np.mean(flags)), 3)} for pair, flags in differs.items()
    }
    every = [flag for flags in differs.values() for flag in flags]
    inside = [one.inside for one in figures]
    return {
        "windows": rows,
        "pairs": pairs,
        "inside_u95": round(float(np.mean(inside)), 3) if inside else None,
        "inside_u95_for_all_gains_within_the_bound": (
            round(float(np.mean([one.inside_of_bound for one in figures])), 3) if figures else None
        ),
        "inside_u95_of_the_fit": round(float(np.mean([one.inside_fit for one in figures])), 3) if figures else None,
        "significant": round(float(np.mean(every)), 3) if every else None,
    }
