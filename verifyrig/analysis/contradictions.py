"""Readings of one stage that cannot all be true: heat flows from hot to cold, and nothing warms itself below its room.

A pair counts where it breaks that by more than its joint expanded uncertainty, and not in a machine that just came in
from the cold: what still warms up may lag behind the room for as long as that lasts.

Source: second law of thermodynamics, for a part that turns power into heat; JCGM 100:2008, 5.1.2, for the joint u95.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from verifyrig.analysis.budget import ambient_accuracy, expanded, scaled, sensor_lines
from verifyrig.analysis.signals import fit_line, noise_k, sensor_facts, stage_columns
from verifyrig.core.ambient import AMBIENT_CHANNELS, TYPED
from verifyrig.core.channels import base_name, is_channel, is_temperature
from verifyrig.core.heat_sources import DIE, part_of
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import StageSpan, Trace
from verifyrig.metrology.uncertainty import Component

__all__ = ["Contradiction", "contradictions_in", "contradictions_of"]

_LAST_S, _TREND_S = 60.0, 300.0
_LEAST_READINGS = 5
# What closes the gap to its surroundings within this time at the pace of now is still warming up (a case of steel in
# a heated room takes half an hour; common practice, no source).
_WARMING_S = 3600.0
# Less heats nothing that its neighbours would not.
_LEAST_POWER_W = 3.0
# The least that lies between a die and its plate or coolant, K/W: bare dies under liquid metal (from memory).
_LEAST_K_PER_W = 0.02
# Each part with where its heat goes; whatever is hotter stands first.
_DOWNHILL = {
    "die_temp_c": ("plate_temp_c", "coolant_temp_c", "hose_in_temp_c", "hose_out_temp_c", "radiator_temp_c"),
    "plate_temp_c": ("coolant_temp_c", "hose_in_temp_c", "hose_out_temp_c", "radiator_temp_c"),
    "coolant_temp_c": ("radiator_temp_c",),
    "gpu_hotspot_temp_c": ("gpu_temp_c",),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Contradiction:
    """Two readings of a stage of which one must be wrong.

    Attributes:
        colder, warmer: Channel that reads too little, and the one that it cannot lie below; `TYPED` for a typed room.
        by_k: How far below it reads, K, and `u95_k` the joint expanded uncertainty of that.
    """

    stage: str
    colder: str
    warmer: str
    by_k: float
    u95_k: float

    @property
    def why(self) -> Reason:
        """The contradiction as a sentence."""
        around = base_name(self.warmer) in AMBIENT_CHANNELS
        code = "below-typed-room" if self.warmer == TYPED else "below-surroundings" if around else "against-heat-flow"
        return reason(code, colder=self.colder, warmer=self.warmer, by_k=self.by_k, u95_k=self.u95_k)


class _Level(NamedTuple):
    """Where a temperature stood at the end of a stage, °C, and the budget of that, K."""

    channel: str
    value_c: float
    budget: tuple[Component, ...]


def contradictions_of(trace: Trace) -> tuple[Contradiction, ...]:
    """Return what the readings of a run contradict each other in, stage by stage."""
    steady = trace.without_dips()
    ran = [stage for stage in trace.stages if stage.ended != StageEnd.SKIPPED]
    return tuple(one for stage in ran for one in contradictions_in(steady, stage))


def contradictions_in(trace: Trace, stage: StageSpan) -> tuple[Contradiction, ...]:
    """Return the contradictions of one stage; of each part that reads too little only the plainest."""
    names = [name for name in trace.columns if is_channel(name) and is_temperature(name)]
    levels = {name: level for name in names if (level := _level(trace, stage, name)) is not None}
    worst: dict[str, Contradiction] = {}
    for found in (*_below_surroundings(trace, stage, levels), *_uphill(trace, stage, levels)):
        # The cores of one package are read by one sensor: the coldest of them stands for all.
        part = base_name(found.colder) if base_name(found.colder) == "core_temp_c" else found.colder
        known = worst.get(part)
        if known is None or found.by_k - found.u95_k > known.by_k - known.u95_k:
            worst[part] = found
    return tuple(worst.values())


def _level(trace: Trace, stage: StageSpan, channel: str) -> _Level | None:
    t_s, values = stage_columns(trace, stage, channel)
    late = values[t_s >= t_s[-1] - _LAST_S] if len(t_s) else values
    if len(late) < _LEAST_READINGS:
        return None
    scatter = float(np.std(late, ddof=1)) / math.sqrt(len(late))
    return _Level(channel, float(np.mean(late)), sensor_lines(sensor_facts(trace, channel), scatter))


def _below_surroundings(trace: Trace, stage: StageSpan, levels: dict[str, _Level]) -> Iterator[Contradiction]:
    ambients = [levels[name] for name in AMBIENT_CHANNELS if name in levels]
    typed = trace.recorded.ambient
    if typed is not None and not ambients:
        ambients.append(_Level(TYPED, typed.value_c, (ambient_accuracy(typed.u95_k),)))
    coldest = min(ambients, key=lambda ambient: ambient.value_c, default=None)
    for level in levels.values() if coldest is not None else ():
        if base_name(level.channel) not in AMBIENT_CHANNELS and coldest is not None:
            yield from _if_broken(trace, stage, level, coldest, 0.0)
    ambient, inlet = (levels.get(name) for name in AMBIENT_CHANNELS)
    if ambient is not None and inlet is not None:
        yield from _if_broken(trace, stage, inlet, ambient, 0.0)


def _uphill(trace: Trace, stage: StageSpan, levels: dict[str, _Level]) -> Iterator[Contradiction]:
    for hot, colder_ones in _DOWNHILL.items():
        power_w = _power_w(trace, stage, (part_of(hot) or DIE).power)
        # In a cooldown a machine may be off altogether; a power that is read shows that it is not.
        if hot not in levels or (power_w is None and stage.kind == StageKind.COOLDOWN):
            continue
        if power_w is not None and power_w < _LEAST_POWER_W:
            continue
        least_k = _LEAST_K_PER_W * power_w if power_w is not None and hot == DIE.temp else 0.0
        for cold in colder_ones:
            if cold in levels:
                yield from _if_broken(trace, stage, levels[hot], levels[cold], least_k)


def _power_w(trace: Trace, stage: StageSpan, channel: str) -> float | None:
    t_s, values = stage_columns(trace, stage, channel)
    return float(np.mean(values[t_s >= t_s[-1] - _LAST_S])) if len(values) else None


def _if_broken(trace: Trace, stage: StageSpan, low: _Level, high: _Level, least_k: float) -> Iterator[Contradiction]:
    """Yield the contradiction where what should be warmer reads less, by more than both can be wrong by."""
    by_k = high.value_c - low.value_c
    u95_k = expanded((*low.budget, *scaled(high.budget, -1.0)))
    if by_k > 0 and by_k + least_k > u95_k and not _still_warms(trace, stage, low.channel, by_k):
        yield Contradiction(stage=stage.name, colder=low.channel, warmer=high.channel, by_k=by_k, u95_k=u95_k)


def _still_warms(trace: Trace, stage: StageSpan, channel: str, gap_k: float) -> bool:
    """Return whether the reading still comes up towards what it lies below, as in a machine from the cold."""
    t_s, values = stage_columns(trace, stage, channel)
    late = t_s >= t_s[-1] - _TREND_S
    t, v = t_s[late], values[late]
    if t[-1] - t[0] < _LAST_S / 2:
        return False
    line = fit_line(t, v)
    least_k = max(2 * noise_k(v), (sensor_facts(trace, channel).resolution or 0.0) / 2)
    rose_k = line.slope * float(t[-1] - t[0])
    return rose_k > least_k and line.slope > 2 * line.u_slope and line.slope * _WARMING_S >= gap_k
