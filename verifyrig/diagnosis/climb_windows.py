"""The rises of the thermal path from a load that climbed.

Each step of a climb falls into the rise that the steps before it left behind: read off, the last one would have their
heat in it. So the rises are those of machines which explain all steps together (`fingerprint`).
"""

from __future__ import annotations

import math

import numpy as np

from verifyrig.analysis.climb_end import climb_plan
from verifyrig.analysis.fingerprint import impedances_of_machines
from verifyrig.core.profile import StageKind
from verifyrig.core.reason import reason
from verifyrig.core.trace import StageSpan
from verifyrig.diagnosis.quantities import RecordFigure
from verifyrig.diagnosis.readings import READ_AT_S, PowerStep, Readings

__all__ = ["climb_rises", "climbs", "rises_of"]

# Where the machines of `predict` are read, s: a sensor shows values some tenths of a second to two seconds old.
_AT_S = {5: READ_AT_S, 20: 19.0, 60: 59.0, 180: 178.0, 600: 600.0}
# Small steps and slow sensors leave so much open after 5 s (benchmark `step-and-climb`), and lumps this much of all.
_FIRST_SHARE, _LUMPS_SHARE = 0.13, 0.04
# What a load has not shown for about as long is no window of it.
_SHOWN = 0.95


def climbs(readings: Readings) -> list[StageSpan]:
    """Return the stages whose load climbs, oldest first."""
    return [stage for stage in readings.stages(StageKind.LOAD) if climb_plan(readings.trace, stage) is not None]


def rises_of(readings: Readings, stage: StageSpan) -> list[PowerStep]:
    """Return the rises of a stage's load, oldest first."""
    until_s = _until_s(readings, stage)
    return [step for step in readings.steps() if step.up and stage.start_s - 0.5 <= step.t_s < until_s]


def climb_rises(readings: Readings) -> dict[int, RecordFigure]:
    """Return the rise for each watt so long after a step, by seconds, as far as the longest climb shows it."""
    stages = climbs(readings)
    if not stages:
        return {}
    stage = max(stages, key=lambda one: _until_s(readings, one) - one.start_s)
    own = rises_of(readings, stage)
    if not own:
        return {}
    lasted_s = own[-1].until_s - own[0].t_s
    shown = [at for at, at_s in _AT_S.items() if at_s * _SHOWN <= lasted_s]
    # Machines that explain readings of some age rise by that much too late; only the first seconds show it.
    age_s = readings.die_age_s()
    at_s = [_AT_S[at] + (age_s if at == 5 else 0.0) for at in shown]
    machines = impedances_of_machines(readings.trace, stage, at_s) if shown else None
    if machines is None:
        return {}
    source = reason("from-climb", power_w=own[-1].before_w + own[-1].step_w - own[0].before_w)
    found = {}
    for at, drawn in zip(shown, machines.T, strict=True):
        value = float(np.mean(drawn))
        more_u = (math.hypot(_FIRST_SHARE, _LUMPS_SHARE) if at == 5 else _LUMPS_SHARE) * value
        found[at] = RecordFigure(value=value, u=math.hypot(float(np.std(drawn)), more_u), source=source)
    return found


def _until_s(readings: Readings, stage: StageSpan) -> float:
    return readings.last_s if stage.end_s is None else stage.end_s
