"""Tolerance classes of thermocouple wire as delivered.

Source: IEC 60584-1:2013, tolerance table, read in two secondary tables that agree (the standard was not opened).
"""

from __future__ import annotations

from dataclasses import dataclass

from verifyrig.metrology.thermocouple.reference import TYPES, OutOfRangeError

__all__ = ["tolerance_k"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Band:
    """The larger of a fixed tolerance and a share of |t|, between two temperatures."""

    low_c: float
    high_c: float
    fixed_k: float
    share: float
    share_from_c: float = 0.0

    def tolerance_k(self, temp_c: float) -> float:
        if self.share_from_c:
            return self.fixed_k + self.share * max(0.0, temp_c - self.share_from_c)
        return max(self.fixed_k, self.share * abs(temp_c))


def _base_metal(low_c: float, high_c: float, fixed_k: float, share: float) -> _Band:
    return _Band(low_c=low_c, high_c=high_c, fixed_k=fixed_k, share=share)


_NICKEL = {
    1: _base_metal(-40.0, 1000.0, 1.5, 0.004),
    2: _base_metal(-40.0, 1200.0, 2.5, 0.0075),
    3: _base_metal(-200.0, 40.0, 2.5, 0.015),
}
_PLATINUM = {
    1: _Band(low_c=0.0, high_c=1600.0, fixed_k=1.0, share=0.003, share_from_c=1100.0),
    2: _Band(low_c=0.0, high_c=1600.0, fixed_k=1.5, share=0.0025),
}
_CLASSES: dict[str, dict[int, _Band]] = {
    "B": {
        2: _Band(low_c=600.0, high_c=1700.0, fixed_k=1.5, share=0.0025),
        3: _Band(low_c=600.0, high_c=1700.0, fixed_k=4.0, share=0.005),
    },
    "E": {
        1: _base_metal(-40.0, 800.0, 1.5, 0.004),
        2: _base_metal(-40.0, 900.0, 2.5, 0.0075),
        3: _base_metal(-200.0, 40.0, 2.5, 0.015),
    },
    "J": {1: _base_metal(-40.0, 750.0, 1.5, 0.004), 2: _base_metal(-40.0, 750.0, 2.5, 0.0075)},
    "K": _NICKEL,
    "N": _NICKEL,
    "R": _PLATINUM,
    "S": _PLATINUM,
    "T": {
        1: _base_metal(-40.0, 350.0, 0.5, 0.004),
        2: _base_metal(-40.0, 350.0, 1.0, 0.0075),
        3: _base_metal(-200.0, 40.0, 1.0, 0.015),
    },
}


def tolerance_k(type: str, cls: int, temp_c: float) -> float:
    """Return the largest deviation that new wire of the class may show at `temp_c`, ±K.

    It is the half width of a rectangular distribution in an uncertainty budget. Wire that has been used hot
    for long may be outside; a calibration takes the place of the class.

    Raises:
        OutOfRangeError: The class does not cover `temp_c`.
        ValueError: The type is unknown or has no such class.
    """
    letter = type.upper()
    if letter not in _CLASSES:
        raise ValueError(f"unknown thermocouple type {type!r}; known are {', '.join(TYPES)}")
    band = _CLASSES[letter].get(cls)
    if band is None:
        raise ValueError(f"type {letter} has no class {cls}; it has {sorted(_CLASSES[letter])}")
    if not band.low_c <= temp_c <= band.high_c:
        what = f"class {cls} says nothing at {temp_c:.6g} °C"
        raise OutOfRangeError(what, type=letter, low=band.low_c, high=band.high_c, unit="°C")
    return band.tolerance_k(temp_c)
