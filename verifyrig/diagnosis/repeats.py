"""Two shut-offs or more: at the same die temperature it is heat, at the same watts it is the power.

Same die within 3 K speaks for heat, same watts at other temperatures for the power's path: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from verifyrig.diagnosis import tables
from verifyrig.diagnosis.evidence import Piece
from verifyrig.diagnosis.readings import Readings
from verifyrig.trace import Trace

__all__ = ["repeat_piece"]

_SAME_K, _SAME_SHARE = 3.0, 0.06
_OTHER_K, _OTHER_SHARE = 6.0, 0.15


def repeat_piece(traces: Sequence[Trace]) -> Piece | None:
    """Return what several shut-offs have in common, None for fewer than two or where both or neither agree."""
    ends = [end for end in map(_end, traces) if end is not None]
    if len(ends) < 2:
        return None
    die, watts = np.array([e[0] for e in ends]), np.array([e[1] for e in ends])
    same_heat = float(np.ptp(die)) <= _SAME_K and float(np.ptp(watts)) > _OTHER_SHARE * float(watts.mean())
    same_power = float(np.ptp(watts)) <= _SAME_SHARE * float(watts.mean()) and float(np.ptp(die)) > _OTHER_K
    if same_heat == same_power:
        return None
    word = "same-temperature" if same_heat else "same-watts"
    row = tables.likelihood("sign", "repeat", word)
    if row is None:
        return None
    says = (
        f"{len(ends)} shut-offs, each at {die.mean():.0f} °C though at {watts.min():.0f} to {watts.max():.0f} W"
        if same_heat
        else f"{len(ends)} shut-offs, each at {watts.mean():.0f} W though at {die.min():.0f} to {die.max():.0f} °C"
    )
    return Piece(name="repeat", says=says, logs=np.log(np.maximum(row, 1e-3)))


def _end(trace: Trace) -> tuple[float, float] | None:
    """Die and watts at a shut-off, over its last three seconds; None where the run did not end so."""
    cause = trace.facts.get("cause")
    if not isinstance(cause, dict) or cause.get("class") != "power-off":
        return None
    readings = Readings(trace)
    die = readings.mean("die_temp_c", readings.last_s - 2.0, readings.last_s)
    watts = readings.mean("package_power_w", readings.last_s - 2.0, readings.last_s)
    return (die, watts) if math.isfinite(die) and math.isfinite(watts) else None
