"""Figures of the power's path read from a record: how far the 12 V rail falls for each watt."""

from __future__ import annotations

import math

import numpy as np

from verifyrig.core.reason import reason
from verifyrig.diagnosis.quantities import RecordFigure
from verifyrig.diagnosis.readings import Readings

__all__ = ["power_figures"]

_STEP_V = 0.024  # a usual step of a board's reading


def power_figures(readings: Readings) -> dict[str, RecordFigure]:
    """Return the rail's fall per watt over all steps of the load, weighted by their watts; empty without a rail."""
    pairs = []
    for step in readings.steps():
        until_s = min(step.until_s, step.t_s + 60.0)
        before = readings.mean("rail_12v_v", step.t_s - min(15.0, max(2.0, step.before_s - 1.0)), step.t_s)
        after = readings.mean("rail_12v_v", step.t_s + 2.0, until_s - 0.2)
        watts = readings.mean("package_power_w", step.t_s + 1.5, until_s) - step.before_w
        if all(map(math.isfinite, (before, after, watts))) and abs(watts) > 5.0:
            pairs.append((before - after, watts))
    if not pairs:
        return {}
    falls, watts_of = np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs])
    weight = float(watts_of @ watts_of)
    value = float(falls @ watts_of) / weight
    u = math.hypot(0.5 * _STEP_V / math.sqrt(weight), 0.05 * value)
    return {"rail_droop": RecordFigure(value=value, u=u, source=reason("from-rail-steps", count=len(pairs)))}
