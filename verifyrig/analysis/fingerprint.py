"""Transient thermal impedance after a step of power: rise over power at 5, 60 and 600 s.

Source: JESD51-1, definition of transient thermal impedance; the cooldown mirrors the rise where the path is linear.
"""

from __future__ import annotations

import math

import numpy as np

from verifyrig.analysis.budget import expanded, power_gain
from verifyrig.analysis.load_edges import Edge, edges_in, power_channel, power_step_w
from verifyrig.analysis.results import Metric, not_measured
from verifyrig.analysis.signals import noise_k, sensor_facts, stage_columns
from verifyrig.trace import FloatArray, StageSpan, Trace
from verifyrig.uncertainty import Component

__all__ = ["WINDOWS_S", "impedance_metrics"]

WINDOWS_S = (5, 60, 600)


def impedance_metrics(trace: Trace, stage: StageSpan) -> dict[str, Metric]:
    """Return `thermal_impedance_5s`, `_60s`, `_600s`, K/W, from the load's edges in this stage."""
    return {f"thermal_impedance_{window}s": _impedance(trace, stage, float(window)) for window in WINDOWS_S}


def _impedance(trace: Trace, stage: StageSpan, window_s: float) -> Metric:
    channel = power_channel(trace)
    if channel is None:
        return not_measured("K/W", "power was not readable")
    t_s, temp_c = stage_columns(trace, stage, "die_temp_c")
    if len(temp_c) == 0:
        return not_measured("K/W", "no die temperature in this stage")
    whole_t, whole_c = trace.t_s, trace.usable("die_temp_c")
    good = np.isfinite(whole_c)
    found = []
    for edge in edges_in(trace, stage):
        if edge.until_s - edge.t_s < window_s or float(t_s[-1]) - edge.t_s < window_s - 1.5:
            continue
        step = power_step_w(trace, edge, channel)
        rise_k = _rise_at(whole_t[good], whole_c[good], edge, window_s)
        if step is None or rise_k is None or abs(step[0]) < 3.0:
            continue
        found.append((rise_k / step[0], step))
    if not found:
        return not_measured("K/W", f"no step of the load lasted {window_s:g} s with power and temperature read")
    return _mean(found, noise_k(temp_c), trace)


def _rise_at(t_s: FloatArray, temp_c: FloatArray, edge: Edge, window_s: float) -> float | None:
    before = temp_c[(t_s >= edge.t_s - 10.0) & (t_s <= edge.t_s)]
    half_s = max(1.0, 0.03 * window_s)
    at = temp_c[np.abs(t_s - edge.t_s - window_s) <= half_s]
    if len(before) < 2 or len(at) < 1:
        return None
    return float(np.mean(at) - np.mean(before))


def _mean(found: list[tuple[float, tuple[float, float]]], noise: float, trace: Trace) -> Metric:
    values = np.array([value for value, _ in found])
    value = float(np.mean(values))
    watts = float(np.mean([abs(step[0]) for _, step in found]))
    u_rise = math.hypot(noise, (sensor_facts(trace, "die_temp_c").resolution or 0.0) / math.sqrt(12), 0.2)
    n = len(found)
    spread = float(np.std(values, ddof=1)) / math.sqrt(n) if n > 1 else 0.0
    budget = (
        Component(name="scatter and resolution", standard_uncertainty=u_rise / watts / math.sqrt(n)),
        Component(name="repeatability between steps", standard_uncertainty=spread, dof=max(1, n - 1)),
        power_gain(watts, sensor_facts(trace, "package_power_w").expanded_uncertainty, -value / watts),
    )
    return Metric(value=value, unit="K/W", u95=expanded(budget), budget=budget)
