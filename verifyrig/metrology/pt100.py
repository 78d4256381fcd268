"""Pt100 resistance thermometers: resistance from temperature, temperature from resistance, tolerance classes.

Source: IEC 60751:2008 (Callendar–Van Dusen equation, R0 = 100 Ω at 0 °C), read in secondary pages that quote
the standard; the temperature ranges of the classes are from memory.
"""

from __future__ import annotations

from typing import Literal, overload

import numpy as np
import numpy.typing as npt

__all__ = [
    "HIGHEST_C",
    "LOWEST_C",
    "Element",
    "Pt100RangeError",
    "resistance_ohm",
    "temperature_c",
    "tolerance_k",
]

FloatArray = npt.NDArray[np.float64]
Element = Literal["wire-wound", "film"]

R0_OHM = 100.0
A_PER_C = 3.9083e-3
B_PER_C2 = -5.775e-7
C_PER_C4 = -4.183e-12
LOWEST_C = -200.0
HIGHEST_C = 850.0

# Class: fixed part in K, share of |t|, °C range of wire-wound and of film elements.
_CLASSES: dict[str, tuple[float, float, dict[str, tuple[float, float]]]] = {
    "AA": (0.10, 0.0017, {"wire-wound": (-50.0, 250.0), "film": (0.0, 150.0)}),
    "A": (0.15, 0.0020, {"wire-wound": (-100.0, 450.0), "film": (-30.0, 300.0)}),
    "B": (0.30, 0.0050, {"wire-wound": (-196.0, 600.0), "film": (-50.0, 500.0)}),
    "C": (0.60, 0.0100, {"wire-wound": (-196.0, 600.0), "film": (-50.0, 600.0)}),
}
# From a start within 3 K, Newton's method on this nearly straight curve is exact after three steps.
_NEWTON_STEPS = 6
# The printed table's own end, 18.52 Ω at -200 °C, lies outside the equation's by its rounding (0.02 K).
_TABLE_ROUNDING_OHM = 0.005


class Pt100RangeError(ValueError):
    """A temperature or resistance lies outside the range of the standard or of a class."""


@overload
def resistance_ohm(temp_c: float) -> float: ...
@overload
def resistance_ohm(temp_c: FloatArray) -> FloatArray: ...
def resistance_ohm(temp_c: float | FloatArray) -> float | FloatArray:
    """Return the resistance at `temp_c` (number or array, °C), Ω. NaN stays NaN.

    Raises:
        Pt100RangeError: A temperature lies outside -200 to 850 °C.
    """
    temps_c = np.asarray(temp_c, dtype=np.float64)
    _refuse_outside(temps_c, LOWEST_C, HIGHEST_C, "°C")
    resistances_ohm = _resistance(temps_c)
    return float(resistances_ohm) if resistances_ohm.ndim == 0 else resistances_ohm


@overload
def temperature_c(resistance_ohm: float) -> float: ...
@overload
def temperature_c(resistance_ohm: FloatArray) -> FloatArray: ...
def temperature_c(resistance_ohm: float | FloatArray) -> float | FloatArray:
    """Return the temperature for a resistance (number or array, Ω), °C, exact to 1e-9 °C. NaN stays NaN.

    Raises:
        Pt100RangeError: A resistance lies outside 18.52 to 390.48 Ω.
    """
    measured_ohm = np.asarray(resistance_ohm, dtype=np.float64)
    ends_ohm = _resistance(np.array([LOWEST_C, HIGHEST_C]))
    low_ohm, high_ohm = float(ends_ohm[0]), float(ends_ohm[1])
    _refuse_outside(measured_ohm, low_ohm - _TABLE_ROUNDING_OHM, high_ohm + _TABLE_ROUNDING_OHM, "Ω")
    temps_c = _solve_quadratic(measured_ohm)
    for _ in range(_NEWTON_STEPS):
        temps_c = temps_c - (_resistance(temps_c) - measured_ohm) / _slope_ohm_per_c(temps_c)
    return float(temps_c) if temps_c.ndim == 0 else temps_c


def tolerance_k(cls: str, temp_c: float, element: Element = "wire-wound") -> float:
    """Return the largest deviation of a new element of class AA, A, B or C at `temp_c`, ±K.

    Raises:
        Pt100RangeError: The class does not cover `temp_c` for that kind of element.
        ValueError: The class or the kind of element is unknown.
    """
    if cls not in _CLASSES:
        raise ValueError(f"unknown Pt100 class {cls!r}; known are {', '.join(_CLASSES)}")
    fixed_k, share, ranges_c = _CLASSES[cls]
    if element not in ranges_c:
        raise ValueError(f"unknown element {element!r}; known are {', '.join(ranges_c)}")
    low_c, high_c = ranges_c[element]
    if not low_c <= temp_c <= high_c:
        raise Pt100RangeError(f"class {cls}, {element}: {temp_c:.6g} °C is outside {low_c:g} to {high_c:g} °C")
    return fixed_k + share * abs(temp_c)


def _refuse_outside(values: FloatArray, low: float, high: float, unit: str) -> None:
    outside = (values < low) | (values > high)
    if outside.any():
        worst = float(values[outside].flat[0])
        raise Pt100RangeError(f"Pt100: {worst:.6g} {unit} is outside {low:.6g} to {high:.6g} {unit}")


def _resistance(temps_c: FloatArray) -> FloatArray:
    cold = np.where(temps_c < 0, C_PER_C4 * (temps_c - 100.0) * temps_c**3, 0.0)
    return np.asarray(R0_OHM * (1 + A_PER_C * temps_c + B_PER_C2 * temps_c**2 + cold), dtype=np.float64)


def _slope_ohm_per_c(temps_c: FloatArray) -> FloatArray:
    cold = np.where(temps_c < 0, C_PER_C4 * (4 * temps_c**3 - 300.0 * temps_c**2), 0.0)
    return np.asarray(R0_OHM * (A_PER_C + 2 * B_PER_C2 * temps_c + cold), dtype=np.float64)


def _solve_quadratic(measured_ohm: FloatArray) -> FloatArray:
    """Exact at and above 0 °C, within 3 K below."""
    under_root = A_PER_C**2 - 4 * B_PER_C2 * (1 - measured_ohm / R0_OHM)
    # At 850 °C the term under the root is still well above 0.
    return np.asarray((-A_PER_C + np.sqrt(under_root)) / (2 * B_PER_C2), dtype=np.float64)
