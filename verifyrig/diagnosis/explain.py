"""What the evidence says, as reasons: figures beside their normal range, what is missing, one for the customer."""

from __future__ import annotations

import math

import numpy as np

from verifyrig.core.reason import Reason, reason
from verifyrig.diagnosis.quantities import PLACE, QUANTITIES, RecordFigure, label_of, uneven
from verifyrig.diagnosis.suspects import Mechanism

_CLEARLY = 0.95

__all__ = ["customer_reason", "figure_reason", "normal_range", "not_measured"]


def normal_range(name: str, cooler: str) -> tuple[float, float] | None:
    """Return where 90 % of sound machines lie, in the figure's unit; None where they do not show it."""
    from verifyrig.diagnosis.mixture import densities

    values = densities(cooler).samples[Mechanism.NONE][:, PLACE[name]]
    values = values[np.isfinite(values)]
    if len(values) < 20:
        return None
    low, high = np.quantile(values, [0.05, 0.95])
    return uneven(name, float(low)), uneven(name, float(high))


def customer_reason(cause: str, probability: float = 1.0) -> Reason:
    """Return what to tell the customer of a cause of the contract, as sure as the evidence is of it."""
    what = reason(f"customer-{cause}")
    # What only reports what was measured claims nothing of the machine that would want a hedge.
    if cause in ("none", "warm-room", "unknown"):
        return what
    return reason("customer-clearly" if probability >= _CLEARLY else "customer-probably", what=(what,))


def figure_reason(name: str, figure: RecordFigure, cooler: str) -> Reason:
    """Return a figure with where it came from and what sound machines show."""
    decimals, u95 = _decimals(2 * figure.u), 2 * figure.u
    unit = QUANTITIES[name].unit
    text = reason("figure", what=(label_of(name),), value=figure.value, u95=u95, decimals=decimals, unit=unit)
    usual = normal_range(name, cooler)
    if usual is not None:
        low, high = usual
        as_one = f"{low:.{decimals}f}" == f"{high:.{decimals}f}"
        code = "figure-beside-value" if as_one else "figure-beside-range"
        text = Reason(code, {"figure": (text,), "low": low, "decimals": decimals, **({} if as_one else {"high": high})})
    return text if figure.source is None else reason("figure-from", figure=(text,), source=(figure.source,))


def _decimals(u95: float) -> int:
    """Return how many decimals a figure is worth: its uncertainty keeps two digits, one where it is large."""
    if not u95 > 0 or not math.isfinite(u95):
        return 3
    return min(6, max(0, 1 - math.floor(math.log10(u95))))


_MISSING = {
    "room": "lacks-room",
    "window_5s": "lacks-first-seconds",
    "load_rise": "lacks-settled-load",
    "rail_droop": "lacks-rail-12v",
    "regulator_rise": "lacks-regulator",
    "die_over_plate": "lacks-plate",
    "coolant_over_room": "lacks-coolant",
}


def not_measured(figures: dict[str, RecordFigure], cooler: str) -> list[Reason]:
    """Return what this evidence does not hold."""
    dry = cooler != "liquid"
    missing = (name for name in _MISSING if name not in figures and not (dry and name == "coolant_over_room"))
    return [reason(_MISSING[name]) for name in missing]
