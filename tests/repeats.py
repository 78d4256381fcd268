"""Runs of one machine done twice over, cut from real traces and simulated, and the same with another K/W.

The boards: a single-board computer in two case variants, heated and cooled in turn; of the eight server cards each ran
once. Where these files come from stands beside them.
"""

from __future__ import annotations

import csv
import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np

from mock_hw.physics.machine import SimulatedMachine
from mock_hw.physics.network import steady_state
from mock_hw.physics.parameters import MachineParameters, draw
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import LoadPlan, Profile, Settle, Stage, StageKind, WorkName
from verifyrig.core.trace import FloatArray, StageSpan, Trace

BOARD_STEP_K = 0.538
IDLE_S, COOLDOWN_S = 60.0, 60.0
# As the desktop profiles run them.
DESKTOP_IDLE_S, DESKTOP_COOLDOWN_S = 120.0, 600.0
# What the boards' ambient may have been; nothing says. It serves only to scale a rise over it.
BOARD_AMBIENT_C = 22.0
_SETTLE = Settle(channel="die_temp_c", within_k=1.0, slowest_time_constant_s=400.0)
_LOAD = LoadPlan(work=WorkName.MIXED)
PROFILE = Profile(
    name="repeats", title="", text="", recipe="repeats",
    stages=(
        Stage(name="idle", kind=StageKind.IDLE, max_duration_s=IDLE_S),
        Stage(name="load", kind=StageKind.LOAD, max_duration_s=900.0, settle=_SETTLE, load=_LOAD),
        Stage(name="cooldown", kind=StageKind.COOLDOWN, max_duration_s=COOLDOWN_S),
    ),
    thresholds=(),
)  # fmt: skip


def board_cycles(path: Path, *, k_per_w_factor: float = 1.0) -> list[Trace]:
    """Return each full cycle of a board: what is known of the rest before it (60 s at most), heating, cooling.

    With a factor the rise over `BOARD_AMBIENT_C` is scaled by it and read in the sensor's steps again.
    """
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    kinds = [{"min": "cooldown", "max": "warmup"}.get(row["obs_type"], row["obs_type"]) for row in rows]
    times = seconds([row["datetime"] for row in rows])
    temps = np.array([float(row["temp"]) for row in rows])
    if k_per_w_factor != 1.0:
        scaled = BOARD_AMBIENT_C + k_per_w_factor * (temps - BOARD_AMBIENT_C)
        temps = np.round(scaled / BOARD_STEP_K) * BOARD_STEP_K
    spans = list(pairwise([0, *(i for i in range(1, len(kinds)) if kinds[i] != kinds[i - 1]), len(kinds)]))
    return [
        _cut(f"{path.stem}-{n}", times, temps, (max(spans[n - 1][0], first - 60), first, last, spans[n + 1][1]))
        for n, (first, last) in enumerate(spans)
        if kinds[first] == "warmup" and 0 < n < len(spans) - 1
    ]


def _cut(run_id: str, times: FloatArray, temps: FloatArray, rows: tuple[int, int, int, int]) -> Trace:
    low, on, off, high = rows
    t_s = times[low:high] - times[low]
    on_s, off_s = float(t_s[on - low]), float(t_s[off - low])
    stages = (("idle", 0.0, on_s), ("load", on_s, off_s), ("cooldown", off_s, float(t_s[-1])))
    readings = {"die_temp_c": temps[low:high]}
    return _trace(run_id, t_s, readings, stages, resolution=BOARD_STEP_K, began_s=float(times[low]))


def card_traces(path: Path, *, every: int = 1, offset: int = 0) -> list[Trace]:
    """Return the run of each server card, of its readings every so many, beginning with one of them."""
    found = []
    for number in range(8):
        with path.open(encoding="utf-8") as file:
            rows = [row for row in csv.DictReader(file, skipinitialspace=True) if int(row["gpu_index"]) == number]
        t_s, at = np.unique(seconds([row["timestamp"].replace("Z", "+00:00") for row in rows]), return_index=True)
        t_s, at = t_s[offset::every], at[offset::every]
        temp, power = (np.array([float(row[key]) for row in rows])[at] for key in ("temperature_C", "power_W"))
        loaded = np.flatnonzero(power > 300.0)
        on_s, off_s = float(t_s[loaded[0]]), float(t_s[loaded[-1] + 1])
        stages = (("idle", 0.0, on_s), ("load", on_s, off_s), ("cooldown", off_s, float(t_s[-1])))
        columns = {"gpu_temp_c": temp, "gpu_power_w": power}
        found.append(_trace(f"card-{number}-{offset}", t_s, columns, stages, resolution=1.0))
    return found


def seconds(stamps: Sequence[str]) -> FloatArray:
    """Return times of day as seconds since the first."""
    times = np.array([datetime.fromisoformat(stamp).timestamp() for stamp in stamps])
    return np.asarray(times - times[0])


def simulated_run(
    machine: MachineParameters,
    *,
    seed: int,
    load_s: float = 600.0,
    used_s: float = 0.0,
    phase_s: float = 0.0,
    ambient_measured: bool = True,
    days_later: int = 0,
    idle_s: float = IDLE_S,
    cooldown_s: float = COOLDOWN_S,
) -> Trace:
    """Return a run of idle, steady load and cooldown.

    Args:
        machine: What is run.
        seed: Of its sensors' noise.
        load_s: How long the load lasts, s.
        used_s: For how long the machine was in light use until 30 s before the run, s; 0: it was idle.
        phase_s: Where between two changes of the load the samples lie, s.
        ambient_measured: Whether the record has the ambient.
        days_later: On which day it was.
        idle_s, cooldown_s: How long the machine idles before the load and after it, s.
    """
    simulated = SimulatedMachine(machine, seed=seed)
    if used_s:
        simulated.advance(used_s, 0.4)
        simulated.advance(30.0, 0.0)
    ends = (idle_s, idle_s + load_s, idle_s + load_s + cooldown_s)
    rows, now_s = [], 0.0
    for t_s in np.arange(phase_s, ends[-1], 1.0):
        share = 1.0 if ends[0] <= now_s < ends[1] else 0.0
        # The load changes on its own clock, not at the samples'.
        for step_s, after in ((ends[0], 1.0), (ends[1], 0.0)):
            if now_s < step_s <= t_s:
                simulated.advance(step_s - now_s, share)
                now_s, share = step_s, after
        simulated.advance(float(t_s) - now_s, share)
        now_s = float(t_s)
        reading = simulated.readings
        rows.append(
            (
                now_s,
                reading["die_temp_c"],
                simulated.power_w * machine.power_gain,
                reading["cpu_fan_speed_rpm"],
                reading["ambient_temp_c"],
                share,
            )
        )
    columns = np.array(rows).T
    names = ["die_temp_c", "package_power_w", "cpu_fan_speed_rpm", "ambient_temp_c", "load_share"]
    known = dict(zip(names, columns[1:], strict=True))
    if not ambient_measured:
        del known["ambient_temp_c"]
    stages = (("idle", 0.0, ends[0]), ("load", ends[0], ends[1]), ("cooldown", ends[1], float(columns[0][-1])))
    step_k = machine.sensors["die_temp_c"].step
    run = _trace(
        f"simulated-{machine.case}-{seed}", columns[0], known, stages, resolution=step_k, began_s=86400.0 * days_later
    )
    return replace(run, profile=PROFILE)


def with_worse_path(machine: MachineParameters, factor: float, *, at_the_paste: bool) -> MachineParameters:
    """Return the machine with its whole K/W at full load, fans included, changed by a factor at paste or sink."""
    wanted = factor * _k_per_w(machine)
    thermal = machine.thermal

    def changed(by: float) -> MachineParameters:
        if at_the_paste:
            return replace(machine, thermal=replace(thermal, paste_k_per_w=thermal.paste_k_per_w + by))
        return replace(machine, thermal=replace(thermal, sink_to_air_k_per_w=thermal.sink_to_air_k_per_w + by))

    low, high = 0.0, 0.5
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (middle, high) if _k_per_w(changed(middle)) < wanted else (low, middle)
    return changed(high)


def _k_per_w(machine: MachineParameters) -> float:
    end = steady_state(machine, 1.0)
    return (end.die_c - machine.ambient.temp_c) / end.power_w


def simulated_pair(
    seed: int,
    *,
    factor: float = 1.0,
    ambient_measured: bool = True,
    idle_s: float = IDLE_S,
    cooldown_s: float = COOLDOWN_S,
) -> tuple[Trace, Trace] | None:
    """Return two runs of one drawn machine that differ as two days do; None where the die reaches its limit.

    The ambient differs by up to 2 K, one of the machines may have been in use, the load lasts 4 to 15 minutes, the
    samples lie otherwise. With a factor the second one's K/W is changed by it, at the paste or at the sink.
    """
    dice = random.Random(f"repeats/{seed}")
    before = draw(dice.choice(("healthy-air", "healthy-liquid")), seed)
    after = before if factor == 1.0 else with_worse_path(before, factor, at_the_paste=dice.random() < 0.5)
    ambient = replace(before.ambient, temp_c=before.ambient.temp_c + dice.uniform(-2.0, 2.0))
    after = replace(after, ambient=ambient)
    runs = [
        simulated_run(
            machine,
            seed=1000 * seed + n,
            load_s=dice.uniform(240.0, 900.0),
            used_s=dice.choice((0.0, dice.uniform(60.0, 600.0))),
            phase_s=dice.random(),
            ambient_measured=ambient_measured,
            days_later=n,
            idle_s=idle_s,
            cooldown_s=cooldown_s,
        )
        for n, machine in enumerate((before, after))
    ]
    limit_c = before.processor.limit_c - 1.0
    if any(float(np.max(run.columns["die_temp_c"])) >= limit_c for run in runs):
        return None
    return runs[0], runs[1]


def _trace(
    run_id: str,
    t_s: FloatArray,
    columns: dict[str, FloatArray],
    stages: Sequence[tuple[str, float, float]],
    *,
    resolution: float,
    began_s: float = 0.0,
) -> Trace:
    temp = "gpu_temp_c" if "gpu_temp_c" in columns else "die_temp_c"
    facts = {
        "purpose": "check",
        "outcome": "completed",
        "channels": {temp: {"resolution": resolution, "device": f"column {temp}"}},
    }
    spans = tuple(
        StageSpan(
            name=name, kind=StageKind(name), start_s=start_s, end_s=float(np.nextafter(end_s, 0.0)), ended=StageEnd.TIME
        )
        for name, start_s, end_s in stages
    )
    return Trace(
        run_id=run_id, facts=facts, profile=None, stages=spans, t_s=t_s, utc_s=t_s + 1.6e9 + began_s, columns=columns
    )
