"""Words for what the evidence says: figures beside their normal range, reasons for and against, one sentence."""

from __future__ import annotations

import math

import numpy as np

from verifyrig.diagnosis.quantities import PLACE, QUANTITIES, Figure, uneven
from verifyrig.diagnosis.suspects import Mechanism

__all__ = ["CUSTOMER", "figure_sentence", "normal_range", "not_measured"]

CUSTOMER = {
    "none": "Nothing that was measured is out of the ordinary.",
    "contact": "The heat does not get from the processor into the cooler: what lies between them conducts badly.",
    "coolant-flow": "The liquid in the cooler does not carry the heat away as it should.",
    "airflow": "The heat reaches the cooler, but the air does not carry it out of the machine.",
    "warm-room": "The machine is sound; the air around it is too warm.",
    "sensor": "A temperature sensor tells something that is not so.",
    "supply": "The power supply gives way when the machine asks for more.",
    "board-power": "The board's own power conversion gets too hot and slows or stops the machine.",
    "memory": "The memory forgets or changes what it was given.",
    "processor": "One part of the processor computes wrongly.",
    "graphics": "The graphics part is the one that fails.",
    "firmware-limit": "The firmware lets the processor draw far more power than it was made for.",
    "wiring": "A button, lead or connector switches the machine off.",
    "unknown": "What was measured so far does not tell what is wrong.",
}


def normal_range(name: str, cooler: str) -> tuple[float, float] | None:
    """Return where 90 % of sound machines lie, in the figure's unit; None where they do not show it."""
    from verifyrig.diagnosis.mixture import densities

    values = densities(cooler).samples[Mechanism.NONE][:, PLACE[name]]
    values = values[np.isfinite(values)]
    if len(values) < 20:
        return None
    low, high = np.quantile(values, [0.05, 0.95])
    return uneven(name, float(low)), uneven(name, float(high))


def figure_sentence(name: str, figure: Figure, cooler: str) -> str:
    """Return a figure with where it came from and what sound machines show."""
    quantity = QUANTITIES[name]
    digits = _decimals(2 * figure.u)
    told = f"{quantity.says}: {figure.value:.{digits}f} ± {2 * figure.u:.{digits}f} {quantity.unit}"
    usual = normal_range(name, cooler)
    source = f" ({figure.source})" if figure.source else ""
    if usual is None:
        return told + source
    low, high = (f"{value:.{digits}f}" for value in usual)
    span = f"{low} to {high}" if low != high else f"about {low}"
    return f"{told}, sound machines {span}{source}"


def _decimals(u95: float) -> int:
    """Return how many decimals a figure is worth: its uncertainty keeps two digits, one where it is large."""
    if not u95 > 0 or not math.isfinite(u95):
        return 3
    return min(6, max(0, 1 - math.floor(math.log10(u95))))


_MISSING = {
    "room": "the room",
    "window_5s": "the first seconds after a step of the load",
    "load_rise": "a settled load",
    "rail_droop": "the 12 V rail",
    "regulator_rise": "the voltage regulator under load",
    "die_over_plate": "the plate under load",
    "coolant_over_room": "the coolant under load",
}


def not_measured(figures: dict[str, Figure], cooler: str) -> list[str]:
    """Return in words what this evidence does not hold."""
    wet = ("coolant_over_room",)
    return [says for name, says in _MISSING.items() if name not in figures and (cooler == "liquid" or name not in wet)]
