"""emf from temperature, and temperature from emf by solving the reference function.

The published inverse polynomials are approximations (up to 0.06 °C off) and are not used.
"""

from __future__ import annotations

from functools import cache
from typing import overload

import numpy as np
import numpy.typing as npt

from verifyrig.metrology.thermocouple.coefficients import PIECES, PolynomialPiece

__all__ = ["TYPES", "OutOfRangeError", "emf_mv", "temperature_c", "temperature_range_c"]

FloatArray = npt.NDArray[np.float64]

TYPES = tuple(PIECES)

# Type B: the emf falls to a minimum near 21 °C and is back at 0 mV at 42 °C, so one emf has two temperatures.
_LOWEST_SOLVABLE_C = {"B": 50.0}
# A value computed at the very end of a range comes back from the sum with the reference junction this far off.
_ROUNDING_MV = 1e-9
_CONVERGED_K = 1e-9
_MOST_STEPS = 60


class OutOfRangeError(ValueError):
    """A temperature or emf lies outside the range of a thermocouple type.

    Attributes:
        type: Letter of the type.
        low: Lower end of the range, in `unit`.
        high: Upper end of the range, in `unit`.
        unit: "°C" or "mV".
    """

    def __init__(self, what: str, *, type: str, low: float, high: float, unit: str) -> None:
        super().__init__(f"type {type}: {what}; the range is {low:.6g} to {high:.6g} {unit}")
        self.type, self.low, self.high, self.unit = type, low, high, unit


def temperature_range_c(type: str) -> tuple[float, float]:
    """Return the lowest and highest temperature of the reference function, °C."""
    pieces = _pieces(type)
    return pieces[0].from_c, pieces[-1].to_c


@overload
def emf_mv(type: str, temp_c: float) -> float: ...
@overload
def emf_mv(type: str, temp_c: FloatArray) -> FloatArray: ...
def emf_mv(type: str, temp_c: float | FloatArray) -> float | FloatArray:
    """Return the emf for a measuring junction at `temp_c`, reference junction at 0 °C, mV.

    Args:
        type: One of B, E, J, K, N, R, S, T.
        temp_c: Temperature, °C; a number or an array of any shape. NaN (no reading) stays NaN.

    Raises:
        OutOfRangeError: A temperature lies outside the type's range.
        ValueError: The type is unknown.

    Source: ITS-90 reference functions, NIST SRD 60 / Monograph 175.
    """
    low_c, high_c = temperature_range_c(type)
    temps_c = np.asarray(temp_c, dtype=np.float64)
    outside = (temps_c < low_c) | (temps_c > high_c)
    if outside.any():
        worst_c = float(temps_c[outside].flat[0])
        raise OutOfRangeError(f"{worst_c:.6g} °C has no emf", type=type.upper(), low=low_c, high=high_c, unit="°C")
    emfs_mv = _evaluate(_pieces(type), temps_c)
    return float(emfs_mv) if np.ndim(temp_c) == 0 else emfs_mv


@overload
def temperature_c(type: str, emf_mv: float, reference_junction_c: float = 0.0) -> float: ...
@overload
def temperature_c(type: str, emf_mv: FloatArray, reference_junction_c: float | FloatArray = 0.0) -> FloatArray: ...
def temperature_c(
    type: str, emf_mv: float | FloatArray, reference_junction_c: float | FloatArray = 0.0
) -> float | FloatArray:
    """Return the temperature of the measuring junction, °C, to better than 1e-6 °C of the reference function.

    Args:
        type: One of B, E, J, K, N, R, S, T.
        emf_mv: Measured emf, mV; a number or an array of any shape. NaN (no reading) stays NaN.
        reference_junction_c: Temperature of the reference (cold) junction, °C, a number or an array that
            fits `emf_mv`; its own emf is added first.

    Raises:
        OutOfRangeError: The summed emf, or the reference junction, lies outside the type's range. Type B
            gives no temperature below 50 °C, where one emf belongs to two temperatures.
        ValueError: The type is unknown.
    """
    reference_mv = _junction_emf_mv(type, reference_junction_c)
    total_mv = np.asarray(np.asarray(emf_mv, dtype=np.float64) + reference_mv, dtype=np.float64)
    grid_c, grid_mv = _solving_grid(type.upper())
    _refuse_emf_outside(type.upper(), total_mv, float(grid_mv[0]), float(grid_mv[-1]))
    clipped_mv = np.clip(total_mv, grid_mv[0], grid_mv[-1])
    temps_c = _solve(_pieces(type), clipped_mv, grid_c, grid_mv)
    return float(temps_c) if temps_c.ndim == 0 else temps_c


def _junction_emf_mv(type: str, junction_c: float | FloatArray) -> FloatArray:
    return np.asarray(emf_mv(type, np.asarray(junction_c, dtype=np.float64)), dtype=np.float64)


def _refuse_emf_outside(type: str, total_mv: FloatArray, low_mv: float, high_mv: float) -> None:
    outside = (total_mv < low_mv - _ROUNDING_MV) | (total_mv > high_mv + _ROUNDING_MV)
    if not outside.any():
        return
    worst_mv = float(total_mv[outside].flat[0])
    what = f"{worst_mv:.6g} mV belongs to no temperature"
    if type in _LOWEST_SOLVABLE_C and worst_mv < low_mv:
        what = f"{worst_mv:.6g} mV lies below {_LOWEST_SOLVABLE_C[type]:g} °C, where the emf is ambiguous"
    raise OutOfRangeError(what, type=type, low=low_mv, high=high_mv, unit="mV")


def _pieces(type: str) -> tuple[PolynomialPiece, ...]:
    try:
        return PIECES[type.upper()]
    except KeyError:
        raise ValueError(f"unknown thermocouple type {type!r}; known are {', '.join(TYPES)}") from None


@cache
def _solving_grid(type: str) -> tuple[FloatArray, FloatArray]:
    """Return temperatures about 1 K apart and their emf: between two of them lies the one solution."""
    low_c, high_c = temperature_range_c(type)
    low_c = _LOWEST_SOLVABLE_C.get(type, low_c)
    grid_c = np.linspace(low_c, high_c, round(high_c - low_c) + 1)
    return grid_c, _evaluate(_pieces(type), grid_c)


def _solve(
    pieces: tuple[PolynomialPiece, ...], emfs_mv: FloatArray, grid_c: FloatArray, grid_mv: FloatArray
) -> FloatArray:
    """Newton's method, held inside a bracket that shrinks at every step (the pieces join with tiny jumps)."""
    above = np.clip(np.searchsorted(grid_mv, emfs_mv), 1, grid_mv.size - 1)
    low_c, high_c = grid_c[above - 1], grid_c[above]
    temps_c = np.where(np.isnan(emfs_mv), np.nan, (low_c + high_c) / 2)
    for _ in range(_MOST_STEPS):
        excess_mv = _evaluate(pieces, temps_c) - emfs_mv
        low_c = np.where(excess_mv <= 0, temps_c, low_c)
        high_c = np.where(excess_mv >= 0, temps_c, high_c)
        newton_c = temps_c - excess_mv / _evaluate(pieces, temps_c, slope=True)
        inside = (newton_c >= low_c) & (newton_c <= high_c)
        next_c = np.where(inside, newton_c, (low_c + high_c) / 2)
        moved_k = np.abs(next_c - temps_c)
        temps_c = np.where(np.isnan(emfs_mv), np.nan, next_c)
        if not np.any(moved_k > _CONVERGED_K):
            break
    return np.asarray(temps_c, dtype=np.float64)


def _evaluate(pieces: tuple[PolynomialPiece, ...], temps_c: FloatArray, *, slope: bool = False) -> FloatArray:
    """Return emf (mV) or its slope (mV/°C) from the piece that holds at each temperature."""
    values = np.full(temps_c.shape, np.nan)
    for at, piece in enumerate(pieces):
        holds = (temps_c <= piece.to_c) & ((temps_c > piece.from_c) if at else True)
        values[holds] = (_piece_slope if slope else _piece_emf)(piece, temps_c[holds])
    return values


def _piece_emf(piece: PolynomialPiece, temps_c: FloatArray) -> FloatArray:
    emfs_mv = np.polynomial.polynomial.polyval(temps_c, piece.coefficients)
    if piece.bump is not None:
        height_mv, curvature, centre_c = piece.bump
        emfs_mv = emfs_mv + height_mv * np.exp(curvature * (temps_c - centre_c) ** 2)
    return np.asarray(emfs_mv, dtype=np.float64)


def _piece_slope(piece: PolynomialPiece, temps_c: FloatArray) -> FloatArray:
    slopes = np.polynomial.polynomial.polyval(temps_c, np.polynomial.polynomial.polyder(np.asarray(piece.coefficients)))
    if piece.bump is not None:
        height_mv, curvature, centre_c = piece.bump
        offset_k = temps_c - centre_c
        slopes = slopes + 2 * curvature * offset_k * height_mv * np.exp(curvature * offset_k**2)
    return np.asarray(slopes, dtype=np.float64)
