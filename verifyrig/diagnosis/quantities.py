"""The figures that the diagnosis reads from a record, and the scale on which each one's spread is even."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import FloatArray


class Quantity(NamedTuple):
    """One figure; what it is called is the reason `figure-` and its name.

    Attributes:
        scale: Below this size the figure counts as it stands, far above it by its logarithm (asinh), in `unit`.
    """

    scale: float
    unit: str


QUANTITIES: dict[str, Quantity] = {
    "rest_rise": Quantity(0.2, "K/W"),
    "rest_excess": Quantity(2.0, "K"),
    "rest_die_over_sink": Quantity(0.2, "K/W"),
    "rest_creep": Quantity(0.2, "K/min"),
    "window_5s": Quantity(0.05, "K/W"),
    "window_20s": Quantity(0.03, "K/W"),
    "window_60s": Quantity(0.03, "K/W"),
    "window_180s": Quantity(0.03, "K/W"),
    "window_600s": Quantity(0.03, "K/W"),
    "pulse_tail": Quantity(0.01, "K/W"),
    "load_rise": Quantity(0.2, "K/W"),
    "load_creep": Quantity(0.5, "K/min"),
    "load_power": Quantity(1.0, "W"),
    "room": Quantity(10.0, "°C"),
    "rail_droop": Quantity(3e-4, "V/W"),
    "regulator_rise": Quantity(0.1, "K/W"),
    "core_spread": Quantity(0.02, "K/W"),
    "die_over_plate": Quantity(0.05, "K/W"),
    "plate_over_coolant": Quantity(0.03, "K/W"),
    "die_over_coolant": Quantity(0.05, "K/W"),
    "coolant_over_room": Quantity(0.05, "K/W"),
    "plate_over_radiator": Quantity(0.03, "K/W"),
    "radiator_over_room": Quantity(0.05, "K/W"),
    "plate_over_room": Quantity(0.05, "K/W"),
    "rest_plate_rise": Quantity(0.1, "K/W"),
    "inlet_over_room": Quantity(0.02, "K/W"),
    "coolant_flow": Quantity(0.05, "L/min"),
}
NAMES = tuple(QUANTITIES)
PLACE = {name: at for at, name in enumerate(NAMES)}


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordFigure:
    """One figure read from a record: value and standard uncertainty in its unit, and where it came from.

    Attributes:
        shared: The parts of `u` that other figures have in them too, with their signs, by what they come from.
    """

    value: float
    u: float
    source: Reason | None = None
    shared: Mapping[str, float] = field(default_factory=dict)


def label_of(name: str) -> Reason:
    """Return what a figure is called."""
    return reason(f"figure-{name.replace('_', '-')}")


def even(name: str, value: FloatArray | float) -> FloatArray:
    """Return a figure on its even scale: asinh(value / scale)."""
    return np.asarray(np.arcsinh(np.asarray(value, dtype=np.float64) / QUANTITIES[name].scale))


def even_covariance(figures: Mapping[str, RecordFigure]) -> FloatArray:
    """Return the covariance of the figures' errors on their even scales, shape (d, d).

    What is wrong with one reading is wrong with every figure that it went into, and so counts once.
    """
    origins = sorted({origin for figure in figures.values() for origin in figure.shared})
    parts = np.array([[figure.shared.get(origin, 0.0) for origin in origins] for figure in figures.values()])
    parts = parts.reshape(len(figures), len(origins))
    common = parts @ parts.T
    own = [max(0.0, figure.u**2 - together) for figure, together in zip(figures.values(), np.diag(common), strict=True)]
    slopes = np.array([1 / np.hypot(QUANTITIES[name].scale, figure.value) for name, figure in figures.items()])
    return np.asarray((common + np.diag(own)) * np.outer(slopes, slopes))


def uneven(name: str, value: float) -> float:
    """Return a figure in its unit from its even scale."""
    return float(QUANTITIES[name].scale * np.sinh(value))
