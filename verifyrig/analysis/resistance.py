"""Thermal resistance from the die or the graphics card to the room, and of the parts of the path that have a reading.

Source: JESD51-1, definition of thermal resistance: difference of two steady temperatures over the power.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise

import numpy as np

from verifyrig.analysis.ambient import AmbientMean
from verifyrig.analysis.budget import ambient_accuracy, expanded, power_gain, scaled, sensor_lines
from verifyrig.analysis.load_steps import power_channel
from verifyrig.analysis.results import Metric, not_measured
from verifyrig.analysis.settled import Settled
from verifyrig.analysis.signals import SensorFacts, sensor_facts, stage_columns
from verifyrig.core.heat_sources import CARD, DIE, HeatSource
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import StageSpan, Trace
from verifyrig.metrology.uncertainty import Component

__all__ = ["resistance_metrics"]

_PATHS = {
    DIE: ("die_temp_c", "plate_temp_c", "coolant_temp_c", "radiator_temp_c"),
    CARD: ("gpu_hotspot_temp_c", "gpu_temp_c"),
}
_SHORT = {
    "die_temp_c": "die",
    "plate_temp_c": "plate",
    "coolant_temp_c": "coolant",
    "radiator_temp_c": "radiator",
    "gpu_hotspot_temp_c": "hotspot",
    "gpu_temp_c": "chip",
}
_LAST_S = 60.0
_Power = tuple[float, float] | Reason


def resistance_metrics(
    trace: Trace,
    stage: StageSpan,
    settled: Mapping[str, Settled | Reason],
    ambient: AmbientMean | None,
    part: HeatSource = DIE,
) -> dict[str, Metric]:
    """Return `thermal_resistance` and its parts, K/W, by their names without the stage; the card's begin with `gpu_`.

    Args:
        settled: Settled values by channel, or the reason why there is none.
        room: The room during the stage.
        part: What is heated: the die or the graphics card.
    """
    power = _mean_power(trace, stage, part)
    hot = settled.get(part.temp, reason(f"no-temperature-{part.short}"))
    whole = _whole(trace, hot, ambient, power, part)
    return {f"{part.prefix}thermal_resistance": whole, **_parts(trace, settled, ambient, power, part)}


def _mean_power(trace: Trace, stage: StageSpan, part: HeatSource) -> tuple[float, float] | Reason:
    """Return the mean power of the stage's last minute and its standard uncertainty, W, or why there is none."""
    channel = power_channel(trace, part)
    if channel is None:
        return reason("power-not-readable")
    t_s, values = stage_columns(trace, stage, channel)
    if len(values) == 0:
        return reason("power-no-reading")
    late = values[t_s >= t_s[-1] - _LAST_S]
    mean = float(np.mean(late))
    if mean <= 0.0:
        return reason("power-reads-zero")
    return mean, float(np.std(late, ddof=1)) / math.sqrt(len(late)) if len(late) > 1 else 0.0


def _whole(trace: Trace, die: Settled | Reason, ambient: AmbientMean | None, power: _Power, part: HeatSource) -> Metric:
    if isinstance(die, Reason):
        return not_measured("K/W", die)
    if ambient is None:
        return not_measured("K/W", reason("room-not-measured"))
    if isinstance(power, Reason):
        return not_measured("K/W", power)
    if die.value_c <= ambient.value_c:
        return not_measured("K/W", reason(f"room-above-{part.short}"))
    lines = (*sensor_lines(sensor_facts(trace, part.temp), die.u_k), ambient_accuracy(ambient.u95_k))
    facts = sensor_facts(trace, part.power)
    return _quotient(die.value_c - ambient.value_c, lines, power, facts, why=die.why, settled=die.known)


def _quotient(
    rise_k: float,
    lines: tuple[Component, ...],
    power: tuple[float, float],
    facts: SensorFacts,
    why: tuple[Reason, ...],
    settled: bool,
) -> Metric:
    watts, u_watts = power
    value = rise_k / watts
    budget = (
        *scaled(lines, 1 / watts),
        Component(name="scatter of the power", standard_uncertainty=u_watts, sensitivity=-value / watts),
        power_gain(watts, facts.expanded_uncertainty, -value / watts),
    )
    return Metric(value=value, unit="K/W", u95=expanded(budget), why=why, budget=budget, settled=settled)


def _parts(
    trace: Trace, settled: Mapping[str, Settled | Reason], ambient: AmbientMean | None, power: _Power, part: HeatSource
) -> dict[str, Metric]:
    known = [(name, settled[name]) for name in _PATHS[part] if isinstance(settled.get(name), Settled)]
    if isinstance(power, Reason) or len(known) < 2:
        return {}
    facts, start = sensor_facts(trace, part.power), f"{part.prefix}thermal_resistance"
    found: dict[str, Metric] = {}
    for (hot, a), (cold, b) in pairwise(known):
        if isinstance(a, Settled) and isinstance(b, Settled):
            lines = (
                *sensor_lines(sensor_facts(trace, hot), a.u_k),
                *scaled(sensor_lines(sensor_facts(trace, cold), b.u_k), -1.0),
            )
            name = f"{start}_{_SHORT[hot]}_to_{_SHORT[cold]}"
            why, ok = a.why or b.why, a.known and b.known
            found[name] = _quotient(a.value_c - b.value_c, lines, power, facts, why=why, settled=ok)
    last, end = known[-1]
    if ambient is not None and isinstance(end, Settled):
        lines = (*sensor_lines(sensor_facts(trace, last), end.u_k), ambient_accuracy(ambient.u95_k))
        name = f"{start}_{_SHORT[last]}_to_room"
        found[name] = _quotient(end.value_c - ambient.value_c, lines, power, facts, why=end.why, settled=end.known)
    return found
