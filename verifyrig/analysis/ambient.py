"""What the room was during a stage, or during a whole run."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from verifyrig.analysis.signals import SensorFacts, sensor_facts, stage_columns
from verifyrig.core.ambient import TYPED, ambient_channel
from verifyrig.core.trace import FloatArray, StageSpan, Trace

__all__ = ["AmbientMean", "ambient_columns", "ambient_of", "ambient_of_run"]


class AmbientMean(NamedTuple):
    """The room: a mean, °C, U95, where from (a channel or `TYPED`), its sensor, and how far it moved, K."""

    value_c: float
    u95_k: float | None
    source: str
    sensor: SensorFacts
    drift_k: float


def ambient_of(trace: Trace, stage: StageSpan, last_s: float = 300.0) -> AmbientMean | None:
    """Return the room during the stage's last part; None where it is unknown."""
    channel = ambient_channel(lambda name: len(stage_columns(trace, stage, name)[1]) > 0)
    if channel is None:
        return _typed(trace)
    t_s, values = stage_columns(trace, stage, channel)
    return _measured(trace, channel, values[t_s >= t_s[-1] - last_s], values)


def ambient_of_run(trace: Trace) -> AmbientMean | None:
    """Return the room over the whole run; None where it is unknown."""
    channel = ambient_channel(lambda name: trace.has(name) and bool(np.isfinite(trace.usable(name)).any()))
    if channel is None:
        return _typed(trace)
    values = trace.usable(channel)
    values = values[np.isfinite(values)]
    return _measured(trace, channel, values, values)


def ambient_columns(trace: Trace, stage: StageSpan, span: slice) -> FloatArray | float | None:
    """Return the room at each sample of the span, °C, one typed value, or None where it was not measured."""
    ambient = ambient_of(trace, stage)
    if ambient is None:
        return None
    return ambient.value_c if ambient.source == TYPED else trace.usable(ambient.source)[span]


def _measured(trace: Trace, channel: str, late: FloatArray, whole: FloatArray) -> AmbientMean:
    facts = sensor_facts(trace, channel)
    return AmbientMean(float(np.mean(late)), facts.expanded_uncertainty, channel, facts, float(np.ptp(whole)))


def _typed(trace: Trace) -> AmbientMean | None:
    typed = trace.recorded.ambient
    return None if typed is None else AmbientMean(typed.value_c, typed.u95_k, TYPED, SensorFacts(), 0.0)
