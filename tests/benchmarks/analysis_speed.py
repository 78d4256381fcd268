"""How long the analysis takes: all metrics of a day at 1 Hz with 20 channels, and one forecast on 600 samples.

Beside the metrics, the least that anybody must do: read through every column once (mean, least, greatest) in numpy.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np

from verifyrig.analysis import forecast
from verifyrig.analysis.metrics import compute_metrics
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import Event, FloatArray, StageSpan, Trace

_IDLE_S = 600
_TEMPERATURES = ("die", "core", "core_2", "core_3", "core_4", "plate", "board", "vrm", "memory", "drive")


def _rise(t: FloatArray) -> FloatArray:
    t = np.clip(t, 0.0, None)
    return np.asarray(15 * (1 - np.exp(-t / 1.0)) + 8 * (1 - np.exp(-t / 20)) + 12 * (1 - np.exp(-t / 120)))


def day(hours: float) -> Trace:
    """Return a record of ten idle minutes and a long load with 20 channels, whole degrees."""
    t = np.arange(0.0, hours * 3600)
    noise = np.random.default_rng(1)
    on = t >= _IDLE_S
    columns = {
        f"{name}_temp_c": np.round(30 + k / 3 + _rise(t - _IDLE_S) / (1 + k / 5) + 0.3 * noise.standard_normal(len(t)))
        for k, name in enumerate(_TEMPERATURES)
    }
    columns |= {
        "ambient_temp_c": 22 + 0.05 * noise.standard_normal(len(t)),
        "package_power_w": np.where(on, 115.0, 15.0) + noise.standard_normal(len(t)),
        "cpu_fan_speed_rpm": 900 + 5 * noise.standard_normal(len(t)),
        "case_fan_speed_rpm": 700 + 5 * noise.standard_normal(len(t)),
        "rail_12v_v": 12.05 + 0.01 * noise.standard_normal(len(t)),
        "rail_5v_v": 5.02 + 0.01 * noise.standard_normal(len(t)),
        "busy_share": on.astype(float),
        "load_share": on.astype(float),
        "throttle_count": np.zeros_like(t),
        "work_rate_per_s": np.where(on, 1000.0, 0.0),
    }
    stages = (
        StageSpan(name="idle", kind=StageKind.IDLE, start_s=0.0, end_s=float(_IDLE_S), ended=StageEnd.TIME),
        StageSpan(name="load", kind=StageKind.LOAD, start_s=float(_IDLE_S), end_s=float(t[-1]), ended=StageEnd.TIME),
    )
    step = Event(t_s=float(_IDLE_S), kind="load", detail={"share": 1.0})
    return Trace(
        run_id="x", facts={}, profile=None, stages=stages, t_s=t, utc_s=t, columns=columns, events=(step,)
    )  # fmt: skip


def _median_s(work: Callable[[], object], times: int) -> tuple[float, float]:
    """Return the median of wall and of processor time of one call, s; one call beforehand loads what is loaded late."""
    work()
    wall, busy = [], []
    for _ in range(times):
        start, cpu = time.perf_counter(), time.process_time()
        work()
        wall.append(time.perf_counter() - start)
        busy.append(time.process_time() - cpu)
    return float(np.median(wall)), float(np.median(busy))


def _read_through(trace: Trace) -> None:
    for values in trace.columns.values():
        np.nanmean(values), np.nanmin(values), np.nanmax(values)


def measure(full: bool = True) -> dict[str, Any]:
    """Return seconds for a quarter of a day and a day, and milliseconds for one forecast."""
    whole, quarter = day(24.0 if full else 4.0), day(6.0 if full else 1.0)
    times = 7 if full else 2
    seconds, busy = _median_s(lambda: compute_metrics(whole), times)
    least, _ = _median_s(lambda: _read_through(whole), times)
    short, _ = _median_s(lambda: compute_metrics(quarter), times)
    n = 600
    columns = {name: values[_IDLE_S - 120 : _IDLE_S - 120 + n] for name, values in whole.columns.items()}

    def one() -> object:
        return forecast(
            np.arange(float(n)),
            columns["die_temp_c"],
            power_w=columns["package_power_w"],
            fan_rpm=columns["cpu_fan_speed_rpm"],
            ambient_c=columns["ambient_temp_c"],
            load_share=columns["load_share"],
        )

    ahead, ahead_busy = _median_s(one, 15 if full else 3)
    return {
        "channels": len(whole.columns),
        "metrics_s": round(seconds, 3),
        "metrics_processor_s": round(busy, 3),
        "metrics_of_a_quarter_s": round(short, 3),
        "least_read_through_s": round(least, 3),
        "forecast_600_samples_ms": round(1000 * ahead, 1),
        "forecast_600_samples_processor_ms": round(1000 * ahead_busy, 1),
        "ratio": round(seconds / least, 1),
    }
