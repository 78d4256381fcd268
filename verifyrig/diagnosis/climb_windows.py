"""The windows of the thermal path from a load that climbed.

Each step of a climb falls into the rise that the steps before it left behind: read off, the last one would have their
heat in it. So the windows are those of machines which explain all steps together (`fingerprint`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from verifyrig.analysis.climb_end import climb_plan
from verifyrig.analysis.fingerprint import impedances_of_machines
from verifyrig.core.profile import StageKind
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import FloatArray, StageSpan
from verifyrig.diagnosis.quantities import RecordFigure
from verifyrig.diagnosis.readings import PowerStep, Readings

__all__ = ["climb_windows", "climbs", "rises_of"]

# Where the machines of `predict` are read, s: a sensor shows values some tenths of a second to two seconds old.
_AT_S = {5: 4.0, 20: 19.0, 60: 59.0, 180: 178.0, 600: 600.0}
_BETWEEN = {"window_20s": (20, 5), "window_60s": (60, 5), "window_180s": (180, 60), "window_600s": (600, 60)}
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


def climb_windows(readings: Readings) -> Iterator[tuple[str, RecordFigure]]:
    """Yield `window_5s` and the ones beyond it, as far as the longest climb shows them."""
    stages = climbs(readings)
    if not stages:
        return
    stage = max(stages, key=lambda one: _until_s(readings, one) - one.start_s)
    own = rises_of(readings, stage)
    if not own:
        return
    lasted_s = own[-1].until_s - own[0].t_s
    windows = [at for at, at_s in _AT_S.items() if at_s * _SHOWN <= lasted_s]
    machines = impedances_of_machines(readings.trace, stage, [_AT_S[at] for at in windows]) if windows else None
    if machines is None:
        return
    by_window = dict(zip(windows, machines.T, strict=True))
    source = reason("from-climb", power_w=own[-1].before_w + own[-1].step_w - own[0].before_w)
    five = by_window[5]
    yield "window_5s", _figure(five, math.hypot(_FIRST_SHARE, _LUMPS_SHARE) * float(np.mean(five)), source)
    for name, (later, earlier) in _BETWEEN.items():
        if later in by_window:
            first_k = _FIRST_SHARE * float(np.mean(five)) if earlier == 5 else 0.0
            lumps_k = _LUMPS_SHARE * float(np.mean(by_window[later]))
            yield name, _figure(by_window[later] - by_window[earlier], math.hypot(first_k, lumps_k), source)


def _figure(drawn: FloatArray, more_u: float, source: Reason) -> RecordFigure:
    return RecordFigure(value=float(np.mean(drawn)), u=math.hypot(float(np.std(drawn)), more_u), source=source)


def _until_s(readings: Readings, stage: StageSpan) -> float:
    return readings.last_s if stage.end_s is None else stage.end_s
