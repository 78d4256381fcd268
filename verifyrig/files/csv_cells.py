"""Cells of a table from any logger: numbers with their units, times, and the way a file writes its decimals."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import UTC, datetime
from itertools import pairwise
from typing import NamedTuple

from verifyrig.core.interfaces import Quantity

# Written in place of a reading that was not taken, by loggers, spreadsheets and command-line tools.
NO_READING = frozenset(
    ("", "nan", "na", "n/a", "#n/a", "null", "none", "-", "--", "---", "inf", "-inf", "not supported", "unknown error")
)


class Unit(NamedTuple):
    """How a unit becomes the channel's own: `value * factor + offset`."""

    quantity: Quantity
    factor: float
    offset: float = 0.0


_FAHRENHEIT = Unit("temperature", 5.0 / 9.0, -160.0 / 9.0)
# Keys are folded: small letters, no degree sign, no spaces.
_UNITS: dict[str, tuple[Unit, ...]] = {
    "c": (Unit("temperature", 1.0),),
    "degc": (Unit("temperature", 1.0),),
    "celsius": (Unit("temperature", 1.0),),
    "mc": (Unit("temperature", 1e-3),),
    "f": (_FAHRENHEIT,),
    "degf": (_FAHRENHEIT,),
    "fahrenheit": (_FAHRENHEIT,),
    "k": (Unit("temperature", 1.0, -273.15),),
    "kelvin": (Unit("temperature", 1.0, -273.15),),
    "w": (Unit("power", 1.0),),
    "mw": (Unit("power", 1e-3),),
    "kw": (Unit("power", 1e3),),
    "v": (Unit("voltage", 1.0),),
    "mv": (Unit("voltage", 1e-3),),
    "rpm": (Unit("speed", 1.0),),
    "1/min": (Unit("speed", 1.0),),
    "hz": (Unit("clock", 1e-6), Unit("speed", 60.0)),
    "khz": (Unit("clock", 1e-3),),
    "mhz": (Unit("clock", 1.0),),
    "ghz": (Unit("clock", 1e3),),
    "%": (Unit("share", 0.01),),
    "1": (Unit("share", 1.0), Unit("count", 1.0)),
    "1/s": (Unit("count", 1.0), Unit("speed", 60.0)),
}


def unit_named(text: str, quantity: Quantity) -> Unit | None:
    """Return the unit of that name for a quantity; None where there is none."""
    return next((unit for unit in _UNITS.get(fold_unit(text), ()) if unit.quantity == quantity), None)


def is_unit(text: str) -> bool:
    """Return whether the text names a unit of any quantity."""
    return fold_unit(text) in _UNITS


def units_for(quantity: Quantity) -> list[str]:
    """Return the names of the units that a quantity can be given in."""
    return [name for name, units in _UNITS.items() if any(unit.quantity == quantity for unit in units)]


def fold_unit(text: str) -> str:
    """Return a unit as the table has it: `°F`, `F` and `f` are one."""
    return re.sub(r"[\s°º]", "", text).lower()


class Decimals(NamedTuple):
    """How a file writes numbers: the decimal mark, and whether the other mark groups thousands."""

    comma: bool
    grouped: bool


class OddNumber(ValueError):
    """A cell that cannot be read as one number; the text says why, without its place."""


_NUMBER = re.compile(
    r"(?P<number>[+-]?[\d.,'\u2019\u00a0\u202f ]*\d[.,]?(?:[eE][+-]?\d+)?)\s*(?P<unit>[^\d\s].*)?", re.S
)
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}(?:[.,]\d{3})+")


def split_number(cell: str) -> tuple[str, str]:
    """Return the number and the unit that stands behind it, as text; raise `OddNumber` where there is no number."""
    found = _NUMBER.fullmatch(cell.strip().replace("\u2212", "-"))
    if found is None:
        raise OddNumber(f"{cell.strip()[:40]!r} is no number")
    number = re.sub(r"['\u2019\u00a0\u202f ]", "", found["number"])
    return number, (found["unit"] or "").strip()


def decimals_of(numbers: Iterable[str], separator: str) -> Decimals:
    """Return how a file writes its numbers, worked out from all of them.

    A comma is the decimal mark where that alone makes sense of every cell: it stands once and before something else
    than three digits, or the cells are not separated by commas and no cell has a point. What can be read in two ways
    (`1,234` between commas) is refused, cell by cell, by `number_of`.
    """
    comma = point = False
    grouped_comma = grouped_point = False
    for number in numbers:
        if "," in number and "." in number:
            last_is_comma = number.rfind(",") > number.rfind(".")
            comma, point = comma or last_is_comma, point or not last_is_comma
            grouped_comma, grouped_point = grouped_comma or not last_is_comma, grouped_point or last_is_comma
        elif "," in number:
            grouped = bool(_GROUPED.fullmatch(number))
            comma, grouped_comma = comma or not grouped, grouped_comma or grouped
        elif "." in number:
            grouped = bool(_GROUPED.fullmatch(number)) and number.count(".") > 1
            point, grouped_point = point or not grouped, grouped_point or grouped
    if comma and not point:
        return Decimals(comma=True, grouped=grouped_point)
    if not comma and not point and grouped_comma and separator != ",":
        return Decimals(comma=True, grouped=False)
    return Decimals(comma=False, grouped=point and grouped_comma)


def number_of(number: str, decimals: Decimals) -> float:
    """Return a number as the file writes it; raise `OddNumber` where it can be read in two ways."""
    mark, other = (",", ".") if decimals.comma else (".", ",")
    if other in number:
        groups = number.split(mark)[0]
        if not decimals.grouped or not re.fullmatch(rf"[+-]?\d{{1,3}}(?:\{other}\d{{3}})+", groups):
            raise OddNumber(f"{number!r} can be read in two ways: decimals or thousands")
        number = number.replace(other, "")
    try:
        return float(number.replace(mark, "."))
    except ValueError:
        raise OddNumber(f"{number!r} is no number") from None


class Moment(NamedTuple):
    """A time from a file: seconds from an origin of the file's own, or since 1970 where it names a date."""

    seconds: float
    dated: bool


# Seconds since 1970 begin here (September 2001); a logger's own seconds hardly run for thirty years.
_EPOCH_FROM_S = 1e9
_EPOCH_TO_S = 1e10


def moment_of(cell: str, decimals: Decimals) -> Moment | None:
    """Return the time of a cell: a number of seconds, or ISO 8601 (without a zone: UTC); None where it is empty.

    Raises:
        OddNumber: It is neither.
    """
    text = cell.strip()
    if text.lower() in NO_READING:
        return None
    try:
        number, unit = split_number(text)
        if unit in ("", "s"):
            seconds = number_of(number, decimals)
            return Moment(seconds, _EPOCH_FROM_S <= seconds < _EPOCH_TO_S)
    except OddNumber:
        pass
    try:
        when = datetime.fromisoformat(text.replace(",", "."))
    except ValueError:
        raise OddNumber(f"{text[:40]!r} is neither seconds nor an ISO time such as 2026-03-01T14:05:00") from None
    when = when if when.tzinfo is not None else when.replace(tzinfo=UTC)
    return Moment(when.timestamp(), True)


def is_no_reading(cell: str) -> bool:
    """Return whether the cell says that nothing was measured."""
    return cell.strip().strip("[]").strip().lower() in NO_READING


def smallest_step(values: Iterable[float]) -> float | None:
    """Return the smallest difference between distinct values: a sensor's step, where it is a coarse one; else None."""
    distinct = sorted({value for value in values if math.isfinite(value)})
    if len(distinct) < 3:
        return None
    step = min(b - a for a, b in pairwise(distinct))
    # A step that most neighbours keep is the sensor's own; a rare smallest difference is only chance.
    usual = sum(1 for a, b in pairwise(distinct) if b - a < 1.5 * step)
    return step if usual * 2 > len(distinct) else None
