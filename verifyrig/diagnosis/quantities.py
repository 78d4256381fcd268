"""The figures that the diagnosis reads from a record, and the scale on which each one's spread is even."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from verifyrig.core.trace import FloatArray


class Quantity(NamedTuple):
    """One figure.

    Attributes:
        scale: Below this size the figure counts as it stands, far above it by its logarithm (asinh), in `unit`.
        says: What it is, in words for the bench.
        source: Which part of a record it comes from.
    """

    scale: float
    unit: str
    says: str
    source: str


QUANTITIES: dict[str, Quantity] = {
    "rest_rise": Quantity(0.2, "K/W", "die over room at rest, for each watt", "rest"),
    "rest_excess": Quantity(2.0, "K", "what the die shows at rest beyond its own watts", "rest and load"),
    "rest_die_over_sink": Quantity(0.2, "K/W", "die over coolant or radiator at rest, for each watt", "rest"),
    "rest_creep": Quantity(0.2, "K/min", "how fast the die still rises at rest", "rest"),
    "window_5s": Quantity(0.05, "K/W", "0 to 5 s after a step, die to plate", "steps of the load"),
    "window_20s": Quantity(0.03, "K/W", "5 to 20 s after a step, paste and plate", "steps of the load"),
    "window_60s": Quantity(0.03, "K/W", "5 to 60 s after a step, plate to coolant or pipes", "steps of the load"),
    "window_180s": Quantity(0.03, "K/W", "60 to 180 s after a step", "steps of the load"),
    "window_600s": Quantity(0.03, "K/W", "60 to 600 s after a step, fins to air", "steps of the load"),
    "pulse_tail": Quantity(0.01, "K/W", "what is left 10 to 25 s after a pulse of 5 s", "pulses"),
    "load_rise": Quantity(0.2, "K/W", "die over room under load, for each watt", "load"),
    "load_creep": Quantity(0.5, "K/min", "how fast the die still rises late in the load", "load"),
    "load_power": Quantity(1.0, "W", "power under full load", "load"),
    "room": Quantity(10.0, "°C", "the room", "room"),
    "rail_droop": Quantity(3e-4, "V/W", "fall of the 12 V rail for each watt", "steps of the load"),
    "regulator_rise": Quantity(0.1, "K/W", "voltage regulator over room, for each watt", "load"),
    "core_spread": Quantity(0.02, "K/W", "hottest over coolest core, for each watt", "load"),
    "die_over_plate": Quantity(0.05, "K/W", "die over plate, for each watt", "load"),
    "plate_over_coolant": Quantity(0.03, "K/W", "plate over coolant, for each watt", "load"),
    "die_over_coolant": Quantity(0.05, "K/W", "die over coolant, for each watt", "load"),
    "coolant_over_room": Quantity(0.05, "K/W", "coolant over room, for each watt", "load"),
    "plate_over_radiator": Quantity(0.03, "K/W", "plate over radiator, for each watt", "load"),
    "radiator_over_room": Quantity(0.05, "K/W", "radiator over room, for each watt", "load"),
    "plate_over_room": Quantity(0.05, "K/W", "plate over room, for each watt", "load"),
    "rest_plate_rise": Quantity(0.1, "K/W", "plate over room at rest, for each watt", "rest"),
    "inlet_over_room": Quantity(0.02, "K/W", "air at the cooler over room, for each watt", "load"),
    "coolant_flow": Quantity(0.05, "L/min", "coolant flow from both hoses", "load"),
}
NAMES = tuple(QUANTITIES)
PLACE = {name: at for at, name in enumerate(NAMES)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure read from a record: value and standard uncertainty in its unit, and where it came from."""

    value: float
    u: float
    source: str = ""


def even(name: str, value: FloatArray | float) -> FloatArray:
    """Return a figure on its even scale: asinh(value / scale)."""
    return np.asarray(np.arcsinh(np.asarray(value, dtype=np.float64) / QUANTITIES[name].scale))


def even_u(name: str, figure: Figure) -> float:
    """Return the figure's standard uncertainty on its even scale."""
    scale = QUANTITIES[name].scale
    return float(figure.u / np.hypot(scale, figure.value))


def uneven(name: str, value: float) -> float:
    """Return a figure in its unit from its even scale."""
    return float(QUANTITIES[name].scale * np.sinh(value))
