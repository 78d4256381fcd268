"""What is plausible of a machine: one table of ranges for forecasts, climbs and the diagnosis, each with its source.

The chain is die, lid, plate, coolant or heat pipes, radiator or fins, case air, room. Sound machines first, then what
faults change, then graphics cards, then what a load heats and few machines show. `prior` takes the chain together into
the four lumps of the forecast; the diagnosis draws whole machines. The simulated machines of tests have their own
ranges and know nothing of these.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from verifyrig.core.trace import FloatArray

__all__ = [
    "CARD",
    "COOLANT_LIMIT_C",
    "FAULTY",
    "HOT_SPOT",
    "SOUND",
    "UNWATCHED",
    "WATER_W_PER_K_AT_1_L_PER_MIN",
    "HotSpotRange",
    "MachineRange",
    "UnwatchedRange",
]

_PRACTICE = "common practice, no source"
_INTERFACES = "0.05 to 0.10 K/W of interface in two processor makers' guidelines (from memory), widened by practice"
_SINKS = "0.19 to 0.22 K/W in two processor makers' guidelines, heat-pipe towers 0.11 to 0.19 K/W (from memory)"
_CARDS = "`tests/card_ranges.py`: eight server cards and two of four committed ones, mixed with coolers of processors"
WATER_W_PER_K_AT_1_L_PER_MIN = 69.4  # density times heat capacity of water at 30 °C over 60 s (IAPWS R6-95)


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineRange:
    """One range: a log-normal (`middle` its median, `spread` the standard deviation of the logarithm) or a normal.

    Attributes:
        middle: In the unit that the row's name ends in.
        tail: How strongly rare faults reach beyond, for forecasts (`prior.Prior.values`); 0 for none.
        low, high: No machine lies beyond.
        source: Where the range comes from.
    """

    middle: float
    spread: float
    source: str = _PRACTICE
    logarithmic: bool = True
    tail: float = 0.0
    low: float = -math.inf
    high: float = math.inf

    def draw(self, n: int, dice: np.random.Generator) -> FloatArray:
        """Return n values, without the tail."""
        away = self.spread * dice.standard_normal(n)
        drawn = self.middle * np.exp(away) if self.logarithmic else self.middle + away
        return np.clip(drawn, self.low, self.high)


def _normal(
    middle: float,
    spread: float,
    low: float = -math.inf,
    high: float = math.inf,
    *,
    source: str = _PRACTICE,
    tail: float = 0.0,
) -> MachineRange:
    return MachineRange(middle=middle, spread=spread, source=source, logarithmic=False, tail=tail, low=low, high=high)


def _about(middle: float, spread: float, source: str = _PRACTICE, tail: float = 0.0) -> MachineRange:
    return MachineRange(middle=middle, spread=spread, source=source, tail=tail)


SOUND: dict[str, MachineRange] = {
    "die_k_per_w": _about(0.118, 0.32, _INTERFACES),  # die to lid
    "contact_k_per_w": _about(0.033, 0.32, _INTERFACES),  # lid to plate
    "film_k_per_w": _about(0.022, 0.30),  # plate to water
    "flow_l_per_min": _about(1.0, 0.30),
    "carry_k_per_w": _about(0.01, 0.30),  # water to radiator
    "radiator_k_per_w": _about(0.096, 0.25, _SINKS, tail=1.0),  # to case air at full fan; blocked is rare
    "tower_k_per_w": _about(0.14, 0.25, _SINKS, tail=1.0),  # plate to case air at full fan
    "in_pipes_share": _normal(0.25, 0.06, 0.08, 0.5),  # of a tower's resistance
    "case_k_per_w": _about(0.023, 0.35, tail=1.8),  # case air to room at full fans; choked is rare
    "still_factor": _about(5.7, 0.25),  # how many times worse a sink gets without any fan
    "fan_exponent": _normal(0.7, 0.1, 0.4, 1.0, source="forced convection over fins, any book on heat transfer"),
    "die_j_per_k": _about(4.6, 0.50),
    "lid_j_per_k": _about(21.0, 0.35),
    "plate_j_per_k": _about(88.0, 0.40),
    "coolant_j_per_k": _about(500.0, 0.35),
    "pipes_j_per_k": _about(25.0, 0.30),
    "fins_j_per_k": _about(380.0, 0.45),
    "case_j_per_k": _about(870.0, 0.45),
    "board_w": _about(24.0, 0.30),  # all other parts
    "idle_w": _about(15.5, 0.42),
    "load_w": _about(104.0, 0.36),
    "leakage_per_k": _normal(0.0055, 0.0017, 0.001, 0.012),
    "limit_c": _normal(95.0, 6.0, 80.0),
    "ambient_c": _normal(22.5, 2.9),
    "low_share": _normal(0.40, 0.07, 0.2, 0.7),  # of full speed, up to `curve_low_c`
    # The same where it may follow another part, which is warm then already.
    "low_share_of_any": _normal(0.42, 0.15, 0.2, 0.9),
    # A fan rises by one part in one plus this of its curve: a small one follows the die, a large one another part.
    "fan_flatter": _about(0.25, 1.8),
    "curve_low_c": _normal(50.0, 3.5),
    "curve_high_c": _normal(80.0, 3.5),
    "full_speed_rpm": _about(1700.0, 0.22),
    "fan_lag_s": _about(5.0, 0.40),
    "die_offset_k": _normal(0.0, 0.7, tail=6.0),  # sensor of the die against that of the room
    # The probe of the room: 0.5 K in a one-wire thermometer's data sheet, 1.5 K of a thermocouple of class 1
    # (IEC 60584-1), from memory.
    "ambient_offset_k": _normal(0.0, 0.6, source="data sheets of probes without a calibration, from memory"),
    "start_excess_k": _normal(0.0, 1.0, tail=4.0),  # above its idle state at the first sample
    "step_gain": _about(1.0, 0.003),  # true over assumed power under load
    "power_gain": _normal(1.0, 0.03),
    "droop_v_per_w": _about(5.0e-4, 0.40),
    "regulator_k_per_w": _about(0.28, 0.30),  # over case air, for each watt of the package
    "core_spread_k_per_w": _about(0.040, 0.25),
    "plate_heat_share": _normal(0.98, 0.03, 0.8, 1.0),  # where a probe on the plate's edge sits between plate and air
}

# What a fault changes; a row takes the place of the sound one, or multiplies it, as its name says.
FAULTY: dict[str, MachineRange] = {
    "dried_paste_k_per_w": _about(0.19, 0.32),
    "film_left_on_k_per_w": _about(0.54, 0.28),
    "slow_flow_l_per_min": _about(0.065, 0.50),
    "standing_k_per_w": _about(2.7, 0.45, tail=1.6),  # plate to water that stands
    "blocked_more": _about(1.75, 0.40),  # times the sink's resistance, on top of it
    "choked_more": _about(1.75, 0.40),  # times the way from plate to case air, on top of the case's
    "warm_ambient_c": _normal(35.5, 2.0),
    "unlimited_factor": _about(2.0, 0.14),  # of the power under load
    "hot_regulator_more_k": _about(30.0, 0.50),  # over 88 K
    "offset_k": _about(17.0, 0.48),  # either way
    "ambient_probe_more_k": _about(4.0, 0.60),  # over 3 K, either way
    "sagging_v": _about(0.95, 0.30),  # at full power
    "tilted_k_per_w": _about(0.015, 0.70),  # between cores
    "film_tilted_k_per_w": _about(0.07, 0.70),
}

# Graphics cards, power in a processor's terms (`card_power`), as the four lumps of the forecast (`prior.P`).
CARD: dict[str, MachineRange] = {
    "die_to_plate": _about(0.178, 0.63, _CARDS),
    "die_capacity": _about(0.293, 1.1, _CARDS),
    "plate_to_sink": _about(0.0563, 0.58, _CARDS),
    "plate_capacity": _about(90.7, 0.37, _CARDS),
    "sink_capacity": _about(451.0, 1.04, _CARDS),
    "sink_to_air": _about(0.0539, 0.79, _CARDS),
    # The air beside a card is the case's or the rack's: degrees warmer than the room, or colder than one takes it for.
    "offset": _normal(-0.1, 8.5, source=_CARDS, tail=6.0),
    # A card without a fan of its own stands in the air of fans that hardly follow it (common practice, no source).
    "low_share": _normal(0.7, 0.2),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class UnwatchedRange:
    """A part that the power heats through two lags, sound or faulty; rises are given at the machine's own full power.

    A board for a strong processor has strong regulators: rises differ less between machines than kelvins for each watt.

    Attributes:
        heated_by: Temperature of the part whose power heats it; empty for all of the machine's.
        watched_by: Channels one of which would watch it.
        rise_k, faulty_rise_k: Over the air beside it, K.
        lags_s: Its two time constants, s.
        limit_c: What it stands, °C.
    """

    heated_by: str
    watched_by: tuple[str, ...]
    rise_k: MachineRange
    faulty_rise_k: MachineRange
    lags_s: tuple[MachineRange, MachineRange]
    limit_c: MachineRange
    faulty_share: float = 0.005  # one in two hundred machines that come to a shop (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class HotSpotRange:
    """How far the hottest point lies above the die's sensor at full power, K; `spread` as of `MachineRange`."""

    sound_k: float
    tilted_k: float
    spread: float
    tilted_share: float


def _lags(first_s: float, second_s: float) -> tuple[MachineRange, MachineRange]:
    return _about(first_s, 0.4), _about(second_s, 0.4)


UNWATCHED: dict[str, UnwatchedRange] = {
    # A controller warns at 100 °C by default (data sheet TPS40425); hot boards pin the clocks within 3 to 15 minutes,
    # sound ones lie 20 to 45 K over the air of the case (common practice, no source).
    "regulator": UnwatchedRange(
        heated_by="die_temp_c", watched_by=("vrm_temp_c",), rise_k=_about(29.0, 0.20), faulty_rise_k=_about(90.0, 0.3),
        lags_s=_lags(150.0, 30.0), limit_c=_normal(102.0, 4.0),
    ),
    # 95 °C is what a data-centre card's management library names as the highest for its memory; lifted pads double the
    # rise (common practice, no source).
    "card-memory": UnwatchedRange(
        heated_by="gpu_temp_c", watched_by=("gpu_memory_temp_c",), rise_k=_about(40.0, 0.20),
        faulty_rise_k=_about(75.0, 0.25), lags_s=_lags(20.0, 60.0), limit_c=_normal(100.0, 3.0),
    ),
    # Supplies are rated up to 50 °C of intake and shut at 100 to 110 °C inside (common practice, no source).
    "supply": UnwatchedRange(
        heated_by="", watched_by=(), rise_k=_about(30.0, 0.25), faulty_rise_k=_about(60.0, 0.3),
        lags_s=_lags(400.0, 200.0), limit_c=_normal(100.0, 5.0),
    ),
    # Cells are rated up to 60 °C while they give or take current (common practice, no source).
    "battery": UnwatchedRange(
        heated_by="", watched_by=(), rise_k=_about(12.0, 0.35), faulty_rise_k=_about(25.0, 0.3),
        lags_s=_lags(600.0, 300.0), limit_c=_normal(60.0, 2.0),
    ),
}  # fmt: skip
# Between cores of one die 3 to 6 K, with a tilted mount 10 K and more (common practice, no source).
HOT_SPOT = HotSpotRange(sound_k=3.5, tilted_k=12.0, spread=0.4, tilted_share=0.005)
COOLANT_LIMIT_C = 70.0  # pumps and hoses are rated up to 60 to 70 °C of coolant (from memory)
