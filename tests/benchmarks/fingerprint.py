"""The fingerprint of simulated machines against the true impedance of their network.

The truth is taken at the mean fan speed of each window, and divided by the power reading's gain, which no trace can
tell. Beside it, what a user would do instead: read the trace at 5, 60 and 600 s and divide by the step of power.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from mock_hw.physics.machine import SimulatedMachine
from mock_hw.physics.network import true_impedance
from mock_hw.physics.parameters import MachineParameters, draw
from tests.benchmarks._settle_runs import BELOW_LIMIT_K, FIRST_SEED, USUAL_TRIP_C
from verifyrig.analysis.fingerprint import WINDOWS_S, impedance_metrics
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import Event, FloatArray, StageSpan, Trace

CASES = ("healthy-air", "healthy-liquid", "paste-dried", "coolant-slow", "fan-stopped", "radiator-blocked")
_PLAN = (("idle", "idle", 200), ("pulses", "load", 240), ("load", "load", 700), ("cooldown", "cooldown", 700))
_ALLOWED = {5: 0.10, 60: 0.10, 600: 0.10}
_CHANNELS = ("die_temp_c", "package_power_w", "cpu_fan_speed_rpm", "ambient_temp_c")


def _share(stage: str, second: int) -> float:
    return {"idle": 0.0, "cooldown": 0.0, "load": 1.0}.get(stage, 1.0 if second % 60 < 5 else 0.0)


def _trace(machine: MachineParameters, seed: int) -> tuple[Trace, FloatArray] | None:
    """Return the record of one run and the true fan speed over full speed; None where it would have tripped."""
    simulated = SimulatedMachine(machine, seed=seed)
    trip_c = min(USUAL_TRIP_C, machine.processor.limit_c - BELOW_LIMIT_K)
    rows: list[tuple[float, ...]] = []
    events, stages, commanded = [], [], 0.0
    for name, kind, length in _PLAN:
        start_s = float(len(rows))
        for second in range(length):
            share = _share(name, second)
            if share != commanded:
                events.append(Event(t_s=float(len(rows)), kind="load", detail={"share": share}))
                commanded = share
            simulated.advance(1.0, share)
            readings = simulated.readings
            if readings["die_temp_c"] >= trip_c or simulated.power_state != "on":
                return None
            power_w = simulated.power_w * machine.power_gain
            fan = simulated.fans.levels[1] / 100
            rows.append(
                (readings["die_temp_c"], power_w, readings["cpu_fan_speed_rpm"], readings["ambient_temp_c"], fan)
            )
        stages.append(
            StageSpan(name=name, kind=StageKind(kind), start_s=start_s, end_s=float(len(rows)), ended=StageEnd.TIME)
        )
    data, t_s = np.array(rows), np.arange(1.0, len(rows) + 1)
    columns = dict(zip(_CHANNELS, data[:, :4].T, strict=True))
    step = machine.sensors["die_temp_c"].step
    facts = {"channels": {"die_temp_c": {"resolution": step}}}
    trace = Trace(
        run_id="x", facts=facts, profile=None, stages=tuple(stages), t_s=t_s, utc_s=t_s, columns=columns,
        events=tuple(events),
    )  # fmt: skip
    return trace, data[:, 4]


def _read_off(trace: Trace, start: int, window_s: int) -> float:
    """Return what somebody with the trace and a calculator would get."""
    temp, power = trace.columns["die_temp_c"], trace.columns["package_power_w"]
    return float((temp[start + window_s - 1] - temp[start - 1]) / (power[start + window_s - 1] - power[start - 1]))


def measure(full: bool = True, machines: int | None = None) -> dict[str, Any]:
    """Return the share of windows within the allowed error, by stage and window, beside reading the trace off."""
    ours: dict[str, list[float]] = {}
    inside: dict[str, list[bool]] = {}
    plain: dict[str, list[float]] = {}
    for case in CASES:
        for seed in range(FIRST_SEED, FIRST_SEED + (machines or (100 if full else 2))):
            machine = draw(case, seed)
            found = _trace(machine, seed)
            if found is not None:
                _compare(machine, *found, ours, inside, plain)
    table: dict[str, dict[str, Any]] = {
        key: {
            "runs": len(errors),
            "within_10_percent": round(float(np.mean(np.abs(errors) <= 0.10)), 3),
            "within_15_percent": round(float(np.mean(np.abs(errors) <= 0.15)), 3),
            "median_error": round(float(np.median(errors)), 3),
            "inside_u95": round(float(np.mean(inside[key])), 3),
            "read_off_within_10_percent": round(float(np.mean(np.abs(plain[key]) <= 0.10)), 3)
            if key in plain
            else None,
        }
        for key, errors in sorted(ours.items())
    }
    worst = min(
        row["within_15_percent"] if "pulses 60" in key else row["within_10_percent"] for key, row in table.items()
    )
    return {"windows": table, "worst_share_within_allowed": worst, "ratio": worst}


def _compare(
    machine: MachineParameters,
    trace: Trace,
    fan_share: FloatArray,
    ours: dict[str, list[float]],
    inside: dict[str, list[bool]],
    plain: dict[str, list[float]],
) -> None:
    for stage in trace.stages[1:]:
        metrics, start = impedance_metrics(trace, stage), int(stage.start_s)
        for window in WINDOWS_S:
            metric = metrics[f"thermal_impedance_{window}s"]
            if not isinstance(metric.value, float) or metric.u95 is None:
                continue
            speed = float(np.mean(fan_share[start : start + window]))
            truth = true_impedance(machine, float(window), fan_share=speed) / machine.power_gain
            key = f"{stage.name} {window} s"
            ours.setdefault(key, []).append(metric.value / truth - 1)
            inside.setdefault(key, []).append(abs(metric.value - truth) <= metric.u95)
            if stage.name != "pulses":
                plain.setdefault(key, []).append(_read_off(trace, start, window) / truth - 1)
