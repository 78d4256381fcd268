"""What the room was during a stage, or during a whole run."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from verifyrig.analysis.signals import SensorFacts, sensor_facts, stage_columns
from verifyrig.core.room import TYPED, room_channel
from verifyrig.core.trace import FloatArray, StageSpan, Trace

__all__ = ["Room", "room_columns", "room_of", "room_of_run"]


class Room(NamedTuple):
    """The room: a mean, °C, U95, where from (a channel or `TYPED`), its facts, and how far it moved, K."""

    value_c: float
    u95_k: float | None
    source: str
    facts: SensorFacts
    drift_k: float


def room_of(trace: Trace, stage: StageSpan, last_s: float = 300.0) -> Room | None:
    """Return the room during the stage's last part; None where nothing tells."""
    channel = room_channel(lambda name: len(stage_columns(trace, stage, name)[1]) > 0)
    if channel is None:
        return _typed(trace)
    t_s, values = stage_columns(trace, stage, channel)
    return _measured(trace, channel, values[t_s >= t_s[-1] - last_s], values)


def room_of_run(trace: Trace) -> Room | None:
    """Return the room over the whole run; None where nothing tells."""
    channel = room_channel(lambda name: trace.has(name) and bool(np.isfinite(trace.usable(name)).any()))
    if channel is None:
        return _typed(trace)
    values = trace.usable(channel)
    values = values[np.isfinite(values)]
    return _measured(trace, channel, values, values)


def room_columns(trace: Trace, stage: StageSpan, span: slice) -> FloatArray | float | None:
    """Return the room at each sample of the span, °C, one typed value, or None where it was not measured."""
    room = room_of(trace, stage)
    if room is None:
        return None
    return room.value_c if room.source == TYPED else trace.usable(room.source)[span]


def _measured(trace: Trace, channel: str, late: FloatArray, whole: FloatArray) -> Room:
    facts = sensor_facts(trace, channel)
    return Room(float(np.mean(late)), facts.expanded_uncertainty, channel, facts, float(np.ptp(whole)))


def _typed(trace: Trace) -> Room | None:
    typed = trace.recorded.room
    return None if typed is None else Room(typed.value_c, typed.u95_k, TYPED, SensorFacts(), 0.0)
