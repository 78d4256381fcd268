"""Cells of a table from any logger: numbers with what stands behind them, and the way a file writes its decimals."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from itertools import pairwise
from typing import NamedTuple

# Written in place of a reading that was not taken, by loggers, spreadsheets and command-line tools.
NO_READING = frozenset(
    ("", "nan", "na", "n/a", "#n/a", "null", "none", "-", "--", "---", "inf", "-inf", "not supported", "unknown error")
)


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
