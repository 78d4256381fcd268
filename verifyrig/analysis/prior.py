"""What is plausible for a machine before it is measured: the parameters of the thermal path, as a broad prior.

Every parameter is written as mean + spread × z with z standard normal, most of them on a logarithmic scale. The
ranges cover sound and faulty desktop and small machines (common practice, no source) with room to spare.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum
from typing import NamedTuple

import numpy as np

from verifyrig.core.trace import BoolArray, FloatArray


class P(IntEnum):
    """Places of the parameters in a vector."""

    DIE_TO_PLATE = 0
    DIE_CAPACITY = 1
    PLATE_TO_SINK = 2
    PLATE_CAPACITY = 3
    SINK_CAPACITY = 4
    SINK_TO_AIR = 5
    STILL_AIR = 6
    CASE_CAPACITY = 7
    CASE_TO_AMBIENT = 8
    BOARD_POWER = 9
    LEAKAGE = 10
    FULL_SPEED = 11
    CURVE_LOW = 12
    CURVE_HIGH = 13
    LOW_SHARE = 14
    OFFSET = 15
    START_EXCESS = 16
    STEP_GAIN = 17


class _Spread(NamedTuple):
    """Median and spread; `tail` lets z beyond 1 reach far: rare faults, without blurring what is usual."""

    middle: float
    spread: float
    tail: float = 0.0
    logarithmic: bool = True


# Logarithmic: `middle` is the median in the unit, `spread` the standard deviation of the logarithm.
_TABLE: dict[P, _Spread] = {
    P.DIE_TO_PLATE: _Spread(0.20, 0.60),  # K/W, lid and paste included
    P.DIE_CAPACITY: _Spread(26.0, 0.40),  # J/K, die and lid
    P.PLATE_TO_SINK: _Spread(0.042, 0.35, 1.6),  # K/W, heat pipes or water; slow water is rare
    P.PLATE_CAPACITY: _Spread(87.0, 0.40),  # J/K
    P.SINK_CAPACITY: _Spread(520.0, 0.60),  # J/K, fins, or radiator with its water
    P.SINK_TO_AIR: _Spread(0.11, 0.30, 1.0),  # K/W at full fan; blocked is rare
    P.STILL_AIR: _Spread(5.7, 0.25),  # how many times worse without any fan
    P.CASE_CAPACITY: _Spread(870.0, 0.40),  # J/K, air and sheet of the case
    P.CASE_TO_AMBIENT: _Spread(0.024, 0.32, 1.8),  # K/W at full case fans; choked is rare
    P.BOARD_POWER: _Spread(23.0, 0.30),  # W of all other parts
    P.LEAKAGE: _Spread(0.0055, 0.0020, logarithmic=False),  # 1/K
    P.FULL_SPEED: _Spread(1700.0, 0.22),  # rpm
    P.CURVE_LOW: _Spread(50.0, 4.0, logarithmic=False),  # °C, up to here the fan idles
    P.CURVE_HIGH: _Spread(80.0, 4.0, logarithmic=False),  # °C, from here on full speed
    P.LOW_SHARE: _Spread(0.40, 0.08, logarithmic=False),  # of full speed
    P.OFFSET: _Spread(0.0, 0.70, 6.0, logarithmic=False),  # K, the die's sensor against the room's
    P.START_EXCESS: _Spread(0.0, 1.0, 4.0, logarithmic=False),  # K, above its idle state at the first sample
    P.STEP_GAIN: _Spread(1.0, 0.003),  # true over assumed power under load
}
_TAIL_FROM = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """A prior over machines: median and spread of every parameter, shape (p,), and which are logarithmic."""

    middle: FloatArray
    spread: FloatArray
    tail: FloatArray
    two_sided: BoolArray
    logarithmic: BoolArray

    def values(self, z: FloatArray) -> FloatArray:
        """Return the parameters in their units for standard normal z, both of shape (..., p)."""
        beyond = np.clip(z - _TAIL_FROM, 0.0, None) ** 2 - self.two_sided * np.clip(-z - _TAIL_FROM, 0.0, None) ** 2
        away = self.spread * z + self.tail * beyond
        return np.where(self.logarithmic, self.middle * np.exp(np.clip(away, -6.0, 6.0)), self.middle + away)

    def changed(self, **spreads: tuple[float, float]) -> Prior:
        """Return the prior with other (middle, spread) of parameters named in lower case."""
        middle, spread = self.middle.copy(), self.spread.copy()
        for name, (m, s) in spreads.items():
            middle[P[name.upper()]], spread[P[name.upper()]] = m, s
        return replace(self, middle=middle, spread=spread)


PLAUSIBLE = Prior(
    middle=np.array([_TABLE[p].middle for p in P]),
    spread=np.array([_TABLE[p].spread for p in P]),
    tail=np.array([_TABLE[p].tail for p in P]),
    two_sided=np.array([not _TABLE[p].logarithmic for p in P]),
    logarithmic=np.array([_TABLE[p].logarithmic for p in P]),
)

# A graphics card with its power in a processor's terms (`card_power`), so that the capacities are those of a card of
# two to six times the power over as much: die, vapour chamber and fins are small beside the watts that pass them, and
# its air comes warmed by the rest of the machine. Chosen by looking at nine server cards of 700 W and at two
# ladders of other sizes, and widened for others (common practice, no source).
PLAUSIBLE_CARD = PLAUSIBLE.changed(
    die_to_plate=(0.15, 0.70),
    die_capacity=(8.0, 0.80),
    plate_to_sink=(0.06, 0.60),
    plate_capacity=(50.0, 1.00),
    sink_capacity=(250.0, 1.00),
    sink_to_air=(0.10, 0.50),
    case_capacity=(300.0, 0.90),
    board_power=(15.0, 0.50),
    offset=(2.0, 4.0),
)
