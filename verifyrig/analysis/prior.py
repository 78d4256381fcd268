"""What is plausible for a machine before it is measured, as the parameters of the forecast's four lumps.

Every parameter is written as mean + spread × z with z standard normal, most of them on a logarithmic scale. They follow
from the one table of ranges (`machine_ranges`): neighbours in the chain are taken together, and coolers of both kinds
and the faults that change a part for good are mixed as they come to a shop. Rarer faults are in the tails.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np

from verifyrig.analysis.machine_ranges import CARD, FAULTY, SOUND, WATER_W_PER_K_AT_1_L_PER_MIN, MachineRange
from verifyrig.core.trace import BoolArray, FloatArray

__all__ = ["PLAUSIBLE", "PLAUSIBLE_CARD", "P", "Prior"]


class P(IntEnum):
    """Places of the parameters in a vector; the last one is there for fans that need not follow the die alone."""

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
    FAN_FLATTER = 18


_TAIL_FROM = 1.0
# Four lumps stand for more masses and links than that: their parameters are wider spread than the parts'.
_LUMPS_WIDEN = 1.15
_ALONE_AT = 3.0  # standard deviations from die and lid in one down to the die alone


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """A prior over machines: median and spread of every parameter, shape (p,), and which are logarithmic.

    `tail` lets z beyond 1 reach far: rare faults, without blurring what is usual.
    """

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

    def of_any_fan(self) -> Prior:
        """Return the prior with one parameter more: fans may follow coolant, case or nothing in place of the die."""
        row, low = SOUND["fan_flatter"], SOUND["low_share_of_any"]
        wide = self.changed(low_share=(low.middle, low.spread))
        return Prior(
            middle=np.append(wide.middle, row.middle),
            spread=np.append(wide.spread, row.spread),
            tail=np.append(wide.tail, row.tail),
            two_sided=np.append(wide.two_sided, False),
            logarithmic=np.append(wide.logarithmic, row.logarithmic),
        )

    def of_quick_die(self) -> Prior:
        """Return the prior with a first lump that may be as small as the die alone, in which its sensor sits.

        With the lid always in it climbs were explained by a lump 2.7 standard deviations smaller than that (root mean
        square).
        """
        alone_j_per_k, whole_j_per_k = SOUND["die_j_per_k"].middle, float(self.middle[P.DIE_CAPACITY])
        return self.changed(die_capacity=(whole_j_per_k, math.log(whole_j_per_k / alone_j_per_k) / _ALONE_AT))


def _sum(*parts: MachineRange, tail: float = 0.0) -> MachineRange:
    """Return the log-normal with the mean and variance of a sum (L. F. Fenton 1960, from memory)."""
    means = [part.middle * math.exp(part.spread**2 / 2) for part in parts]
    variance = sum(mean**2 * math.expm1(part.spread**2) for mean, part in zip(means, parts, strict=True))
    square = math.log1p(variance / sum(means) ** 2)
    return MachineRange(
        middle=sum(means) * math.exp(-square / 2), spread=math.sqrt(square), source=parts[0].source, tail=tail
    )


def _either(*parts: tuple[float, MachineRange], tail: float = 0.0) -> MachineRange:
    """Return the log-normal with the mean and variance, on the logarithm, of a mixture with these shares."""
    mean = sum(share * math.log(part.middle) for share, part in parts)
    square = sum(share * (part.spread**2 + (math.log(part.middle) - mean) ** 2) for share, part in parts)
    return MachineRange(middle=math.exp(mean), spread=math.sqrt(square), source=parts[0][1].source, tail=tail)


def _times(factor: float, part: MachineRange) -> MachineRange:
    return replace(part, middle=factor * part.middle)


def _lumped(name: Mapping[str, MachineRange]) -> dict[P, MachineRange]:
    """Return the four lumps' ranges: half of the machines with a tower and half with water, three in ten run hot.

    Of those that run hot two have dried paste and one has a film left on (common practice, no source).
    """
    pipes = name["in_pipes_share"].middle
    water = replace(name["flow_l_per_min"], middle=1 / (WATER_W_PER_K_AT_1_L_PER_MIN * name["flow_l_per_min"].middle))
    contacts = (
        (0.7, name["contact_k_per_w"]),
        (0.2, FAULTY["dried_paste_k_per_w"]),
        (0.1, FAULTY["film_left_on_k_per_w"]),
    )
    to_sink = (
        (0.5, _sum(name["film_k_per_w"], water, name["carry_k_per_w"])),
        (0.5, _times(pipes, name["tower_k_per_w"])),
    )
    to_air = (0.5, name["radiator_k_per_w"]), (0.5, _times(1 - pipes, name["tower_k_per_w"]))
    sinks = [(0.5, _sum(name[first], name["fins_j_per_k"])) for first in ("coolant_j_per_k", "pipes_j_per_k")]
    return {
        P.DIE_TO_PLATE: _either(*((share, _sum(name["die_k_per_w"], contact)) for share, contact in contacts)),
        P.DIE_CAPACITY: _sum(name["die_j_per_k"], name["lid_j_per_k"]),
        P.PLATE_TO_SINK: _either(*to_sink, tail=FAULTY["standing_k_per_w"].tail),
        P.PLATE_CAPACITY: name["plate_j_per_k"],
        P.SINK_CAPACITY: _either(*sinks),
        P.SINK_TO_AIR: _either(*to_air, tail=name["tower_k_per_w"].tail),
        P.STILL_AIR: name["still_factor"],
        P.CASE_CAPACITY: name["case_j_per_k"],
        P.CASE_TO_AMBIENT: name["case_k_per_w"],
        P.BOARD_POWER: name["board_w"],
        P.LEAKAGE: name["leakage_per_k"],
        P.FULL_SPEED: name["full_speed_rpm"],
        P.CURVE_LOW: name["curve_low_c"],
        P.CURVE_HIGH: name["curve_high_c"],
        P.LOW_SHARE: name["low_share"],
    }


def _prior(ranges: Mapping[P, MachineRange]) -> Prior:
    rows = [ranges[p] for p in P if p in ranges]
    logarithmic = np.array([row.logarithmic for row in rows])
    return Prior(
        middle=np.array([row.middle for row in rows]),
        spread=np.array([row.spread for row in rows]),
        tail=np.array([row.tail for row in rows]),
        two_sided=~logarithmic,
        logarithmic=logarithmic,
    )


def _widened(ranges: Mapping[P, MachineRange]) -> dict[P, MachineRange]:
    return {p: replace(row, spread=_LUMPS_WIDEN * row.spread) for p, row in ranges.items()}


_RUN = {
    P.OFFSET: SOUND["die_offset_k"],
    P.START_EXCESS: SOUND["start_excess_k"],
    P.STEP_GAIN: SOUND["step_gain"],
}
PLAUSIBLE = _prior(_widened(_lumped(SOUND)) | _RUN)
# A graphics card with its power in a processor's terms (`card_power`), so that its capacities are those of a card of
# two to six times the power over as much.
PLAUSIBLE_CARD = _prior(_widened(_lumped(SOUND)) | _RUN | {P[name.upper()]: row for name, row in CARD.items()})
