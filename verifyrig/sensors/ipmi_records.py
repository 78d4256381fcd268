"""What a board's management controller says of its sensors: records and readings as numbers. Opens nothing.

Source: Intelligent Platform Management Interface Specification v2.0, section 43.1 (full sensor record), section 36.3
(conversion of readings), section 35.14 (Get Sensor Reading), section 33.12 (Get SDR); offsets from memory, zero-based.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from verifyrig.core.interfaces import Quantity

_FULL_RECORD = 0x01
_LEAST_BYTES = 48
# Table 43-15, sensor unit type codes; others measure nothing that a run asks for.
_UNITS: dict[int, tuple[Quantity, str]] = {
    1: ("temperature", "°C"),
    4: ("voltage", "V"),
    6: ("power", "W"),
    18: ("speed", "rpm"),
}
# Section 36.3, table 43-1 byte 24: the function that is applied to the linear value.
_FUNCTIONS: dict[int, Callable[[float], float]] = {
    0: lambda x: x,
    1: math.log,
    2: math.log10,
    3: math.log2,
    4: math.exp,
    5: lambda x: 10.0**x,
    6: lambda x: 2.0**x,
    7: lambda x: 1.0 / x,
    8: lambda x: x * x,
    9: lambda x: x**3,
    10: math.sqrt,
    11: math.cbrt,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorRecord:
    """One sensor.

    Attributes:
        m, b, b_exponent, r_exponent: Of the linear part y = (m x + b 10^b_exponent) 10^r_exponent.
        signed: How the reading's byte is written: 0 unsigned, 1 one's complement, 2 two's complement.
        function: Code of what is applied to y.
        critical: The byte of the upper critical limit; None where it is not readable.
    """

    number: int
    lun: int
    entity: int
    name: str
    quantity: Quantity
    unit: str
    m: int
    b: int
    b_exponent: int
    r_exponent: int
    signed: int
    function: int
    critical: int | None

    def value(self, raw: int) -> float | None:
        """Return what a reading's byte means, in the unit; None where the function has no value there."""
        x = _of_byte(raw, self.signed)
        linear = (self.m * x + self.b * 10.0**self.b_exponent) * 10.0**self.r_exponent
        try:
            found = _FUNCTIONS[self.function](linear)
        except (ValueError, ZeroDivisionError, OverflowError):
            return None
        return found if math.isfinite(found) else None


def _of_byte(raw: int, signed: int) -> int:
    if signed == 1:
        return raw if raw < 0x80 else -(raw ^ 0xFF)
    if signed == 2:
        return _complement(raw, 8)
    return raw


def _complement(value: int, bits: int) -> int:
    """Return a two's complement number of so many bits."""
    return value - (1 << bits) if value & (1 << (bits - 1)) else value


def parse_record(data: bytes) -> SensorRecord | None:
    """Return the sensor of a record; None for other records, other units, and functions of a maker's own."""
    if len(data) < _LEAST_BYTES or data[3] != _FULL_RECORD:
        return None
    unit, function, signed = _UNITS.get(data[21]), data[23] & 0x7F, data[20] >> 6
    # A rate, a modifier or a percentage is another quantity than its base unit says; 3 gives no analog reading.
    if unit is None or function not in _FUNCTIONS or signed == 3 or data[20] & 0x3F:
        return None
    readable_critical = (data[18] >> 4) & 1
    return SensorRecord(
        number=data[7],
        lun=data[6] & 3,
        entity=data[8],
        name=_name(data[47], data[48:]),
        quantity=unit[0],
        unit=unit[1],
        m=_complement(data[24] | (data[25] & 0xC0) << 2, 10),
        b=_complement(data[26] | (data[27] & 0xC0) << 2, 10),
        r_exponent=_complement(data[29] >> 4, 4),
        b_exponent=_complement(data[29] & 0xF, 4),
        signed=signed,
        function=function,
        critical=data[37] if readable_critical else None,
    )


def _name(kind: int, text: bytes) -> str:
    """Return the name where it is text of one byte a sign (type 3 of section 43.15)."""
    return text[: kind & 0x1F].decode("latin-1").strip("\0 ") if kind >> 6 == 3 else ""


def reading_byte(answer: bytes) -> int | None:
    """Return the byte of a reading, None where the controller says that there is none now (section 35.14)."""
    scanning, unavailable = len(answer) > 1 and answer[1] & 0x40, len(answer) > 1 and answer[1] & 0x20
    return answer[0] if scanning and not unavailable else None
