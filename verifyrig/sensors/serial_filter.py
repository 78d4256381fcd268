"""Which lines of a serial instrument are believed: same shape as before, no leap, no code for "not converted". Pure.

A text line mostly has no checksum. What a cut, merged or overrun line can still look like is a number
that leaps (a leading digit lost) or is written differently (a trailing one lost); both are held back
until further lines confirm them. A single digit changed into another cannot be detected.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum

from verifyrig.sensors.serial_text import Field, Said, shape

# A leading digit lost from 10.0 or above changes the value by 10 at least; a probe clamped to a plate moves
# by less than 8 K between two lines.
LEAP_K = 8.0
# Share of the value, and least step, above which other quantities count as a leap.
LEAP_SHARE = 0.25
LEAST_LEAP = {"voltage": 0.5, "power": 8.0, "speed": 300.0}
# So many lines in a row have to agree before a leap, or a new shape, is believed.
CONFIRM_LINES = 3
# So many lines without sense in a row are no accident.
GARBAGE_LINES = 5
# Kinds of lines of one instrument that are followed; more come from garbage that looks like names.
_MOST_KINDS = 64
# IEEE 488.2 and SCPI-1999 7.2.1: 9.91E37 is "not a number", ±9.9E37 infinity.
_NO_NUMBER = 9.8e37
# What converters send that did not convert: a clean zero, and a one-wire probe's value at power-on (DS18B20
# data sheet). They are believed where the probe came near them before (ice bath, hot plate).
# Value -> how near, K: a meter of whole degrees that is put into ice may show 22, 8, 2, 0.
NO_CONVERSION_C = {0.0: 3.0, 85.0: 1.5}
# What one-wire libraries give for a probe that does not answer.
NO_PROBE_C = -127.0

_Shape = tuple[tuple[str, int, bool, str], ...]


class SerialFault(Enum):
    """Why an instrument's line gives no value."""

    GARBAGE = "garbage"
    SAID = "said"
    SHAPE = "shape"
    LEAP = "leap"
    NOT_CONVERTED = "not converted"


@dataclass(slots=True)
class ValueFilter:
    """Follows one quantity from line to line.

    Attributes:
        quantity: Of the channel, for the size of a leap.
        last: Last value believed, in the channel's unit.
    """

    quantity: str
    last: float | None = None
    _pending: list[float] = field(default_factory=list)

    def _leaps(self, before: float, after: float) -> bool:
        if self.quantity == "temperature":
            return abs(after - before) > LEAP_K
        return abs(after - before) > max(LEAP_SHARE * abs(before), LEAST_LEAP.get(self.quantity, 0.0))

    def take(self, value: float, *, checked: bool = False) -> float | SerialFault:
        """Return the value where it is believed, else why not; what came with a checksum may leap."""
        if not math.isfinite(value) or abs(value) >= _NO_NUMBER:
            return SerialFault.SAID
        if self.quantity == "temperature":
            if value == NO_PROBE_C:
                return SerialFault.SAID
            if value in NO_CONVERSION_C and not self._is_near(value):
                return SerialFault.NOT_CONVERTED
        needed = 2 if self.last is None else CONFIRM_LINES
        if checked or (self.last is not None and not self._leaps(self.last, value)):
            self._pending.clear()
            self.last = value
            return value
        if self._pending and self._leaps(self._pending[-1], value):
            self._pending.clear()
        self._pending.append(value)
        if len(self._pending) < needed:
            return SerialFault.LEAP
        self._pending.clear()
        self.last = value
        return value

    def _is_near(self, value: float) -> bool:
        return self.last is not None and abs(self.last - value) <= NO_CONVERSION_C[value]


@dataclass(slots=True)
class _Course:
    """The shape that one kind of line keeps to."""

    _shape: _Shape | None = None
    _new_shape: _Shape | None = None
    _times: int = 0

    def fits(self, now: _Shape) -> bool:
        """Return whether a line is built as those before it; a change of shape has to last."""
        if self._shape is None or now == self._shape:
            self._shape, self._times = now, 0
            return True
        # A meter that changes its range writes other decimals from then on.
        self._times = self._times + 1 if now == self._new_shape else 1
        self._new_shape = now
        if self._times < CONFIRM_LINES:
            return False
        self._shape, self._times = now, 0
        return True


@dataclass(slots=True)
class LineFilter:
    """Follows the lines of one instrument.

    Attributes:
        garbage: Lines without sense in a row.
        said: What the instrument last said in place of a reading; empty after a good line.
    """

    garbage: int = 0
    said: str = ""
    _shapes: dict[tuple[str, ...], _Course] = field(default_factory=dict)

    def take(self, parsed: Sequence[Field] | Said | None) -> Sequence[Field] | SerialFault:
        """Return the fields of a line that is built as those before it, else why it is left out."""
        if parsed is None:
            self.garbage += 1
            return SerialFault.GARBAGE
        if isinstance(parsed, Said):
            self.garbage = 0
            self.said = parsed.text
            return SerialFault.SAID
        if not self._fits(parsed):
            self.garbage += 1
            return SerialFault.SHAPE
        self.garbage = 0
        self.said = ""
        return parsed

    def _fits(self, parsed: Sequence[Field]) -> bool:
        # An instrument may send a line for each of its sensors: each kind of line has a shape of its own.
        names = tuple(sorted({part.name for part in parsed}))
        if names not in self._shapes and len(self._shapes) >= _MOST_KINDS:
            return False
        return self._shapes.setdefault(names, _Course()).fits(shape(parsed))


def as_celsius(value: float, unit: str) -> float | None:
    """Return a temperature in °C from °C, °F or K; None for another unit."""
    if unit == "C":
        return value
    if unit == "F":
        return (value - 32.0) / 1.8
    return value - 273.15 if unit == "K" else None


_FACTORS: Mapping[str, Mapping[str, float]] = {
    "voltage": {"": 1.0, "V": 1.0, "mV": 1e-3, "uV": 1e-6, "µV": 1e-6},
    "power": {"": 1.0, "W": 1.0, "kW": 1e3, "mW": 1e-3},
    "speed": {"": 1.0, "rpm": 1.0},
    "share": {"": 1.0, "%": 0.01},
}
MILLIVOLTS = {"mV": 1.0, "V": 1e3, "uV": 1e-3, "µV": 1e-3}


def in_channel_unit(value: float, unit: str, quantity: str) -> float | None:
    """Return a value in the channel's unit; None where the unit does not fit the quantity."""
    if quantity == "temperature":
        return as_celsius(value, unit)
    factor = _FACTORS.get(quantity, {"": 1.0}).get(unit)
    return value * factor if factor is not None else None
