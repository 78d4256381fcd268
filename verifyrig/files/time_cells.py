"""One cell of a log as a time: a number, a date, a time of a clock, or both; what other rows show comes later."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import NamedTuple

from verifyrig.files.csv_cells import NO_READING, Decimals, OddNumber, number_of, split_number

__all__ = [
    "DAY_S",
    "CellDate",
    "ColonCell",
    "DateOrder",
    "OddTime",
    "TimeCell",
    "clock_digits",
    "date_alone",
    "time_cell",
]

DAY_S = 86_400.0


class DateOrder(StrEnum):
    """In which order a date's numbers stand."""

    DMY = "dmy"
    MDY = "mdy"
    YMD = "ymd"


class ColonCell(StrEnum):
    """What two numbers with a colon between them are."""

    HOURS_MINUTES = "hh:mm"
    MINUTES_SECONDS = "mm:ss"


class OddTime(ValueError):
    """A cell that is no time, or does not follow those before it; the text says why, without its place."""

    def __init__(self, row: int, what: str) -> None:
        super().__init__(what)
        self.row = row


class CellDate(NamedTuple):
    """A date's numbers as they stand, and the orders in which they may stand."""

    numbers: tuple[int, int, int]
    orders: tuple[DateOrder, ...]
    text: str


class TimeCell(NamedTuple):
    """What a row says: a number of seconds, or a date, a clock time in s, or both."""

    number: float | None = None
    date: CellDate | None = None
    clock_s: float | None = None
    fields: int = 0
    zone_s: float = 0.0
    exact: float | None = None
    text: str = ""


_CLOCK = re.compile(
    r"(?:(?P<days>\d+)\s*(?:d|days?|Tage?),?\s+)?(?P<a>\d{1,6}):(?P<b>\d{2})(?::(?P<c>\d{2}))?"
    r"(?:[.,:](?P<part>\d{1,9}))?\s*(?P<half>[AaPp]\.?[Mm]\b\.?)?\s*(?P<zone>Z|UTC|GMT|[+-]\d{2}:?\d{2})?(?![\d:])",
)
_THREE = re.compile(r"(\d{1,4})\s*([./-])\s*(\d{1,2})\s*\2\s*(\d{1,4})\.?")
_NAMED = re.compile(r"(?:(\d{1,2})[.\s-]+)?([^\W\d_]{3,10})\.?[\s-]*(\d{1,2}(?!\d))?,?[\s-]*(\d{2,4})")
_COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})[T _-](\d{2})(\d{2})(\d{2})")
_WEEKDAY = re.compile(r"^(?:mon|tue|wed|thu|fri|sat|sun|mo|di|mi|do|fr|sa|so)[^\W\d_]*[.,]*\s+", re.IGNORECASE)
_MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "jan januar january jän jänner", "feb februar february", "mar mär mrz märz march maerz", "apr april",
            "may mai", "jun june juni", "jul july juli", "aug august", "sep sept september", "oct okt october oktober",
            "nov november", "dec dez december dezember",
        ),
        start=1,
    )
    for name in names.split()
}  # fmt: skip


def time_cell(at: int, text: str, decimals: Decimals) -> TimeCell | None:
    text = text.strip().strip("'").strip()
    if text.lower() in NO_READING:
        return None
    compact = _COMPACT.fullmatch(text)
    if compact:  # 20260301 140503, which spaces between thousands would make a number
        return _dated(at, "{}-{}-{} {}:{}:{}".format(*compact.groups()))
    try:
        number, unit = split_number(text)
        if unit in ("", "s"):
            return TimeCell(number=number_of(number, decimals), text=text)
    except OddNumber:
        pass
    return _dated(at, text)


def _dated(at: int, text: str) -> TimeCell:
    iso = _iso(text)
    if iso is not None:
        return iso
    clock = _CLOCK.search(text)
    rest = text if clock is None else text[: clock.start()] + " " + text[clock.end() :]
    rest = _WEEKDAY.sub("", re.sub(r"(?<=\d)\s*T$", "", rest.strip(" \t,;")))
    found = _date(rest) if rest else None
    if (rest and found is None) or (clock is None and found is None):
        raise OddTime(at, f"{text[:40]!r} is no time: no seconds, no clock, no date such as 2026-03-01T14:05:00")
    if clock is None:
        return TimeCell(date=found, clock_s=0.0, fields=3, text=text)
    return _with_clock(at, text, found, clock)


def _iso(text: str) -> TimeCell | None:
    if len(text) < 8 or text[:4].isdigit() is False:
        return None
    try:
        when = datetime.fromisoformat(text.replace(",", "."))
    except ValueError:
        return None
    zone = when.utcoffset() or timedelta()
    numbers = (when.year, when.month, when.day)
    clock_s = when.hour * 3600.0 + when.minute * 60.0 + when.second + when.microsecond / 1e6
    when = when if when.tzinfo is not None else when.replace(tzinfo=UTC)
    day = CellDate(numbers, (DateOrder.YMD,), text)
    return TimeCell(date=day, clock_s=clock_s, fields=3, zone_s=zone.total_seconds(), exact=when.timestamp(), text=text)


def _date(text: str) -> CellDate | None:
    three = _THREE.fullmatch(text)
    if three:
        a, mark, b, c = three.groups()
        orders = _orders(a, mark, c)
        return CellDate((int(a), int(b), int(c)), orders, text) if orders else None
    if re.fullmatch(r"\d{8}", text):
        return CellDate((int(text[:4]), int(text[4:6]), int(text[6:])), (DateOrder.YMD,), text)
    named = _NAMED.fullmatch(text)
    if named is None or named[2].lower() not in _MONTHS or (named[1] is None) == (named[3] is None):
        return None
    return CellDate((int(named[1] or named[3]), _MONTHS[named[2].lower()], int(named[4])), (DateOrder.DMY,), text)


def _orders(a: str, mark: str, c: str) -> tuple[DateOrder, ...]:
    """Return in which orders three numbers can stand; with points the day comes first (common practice, no source)."""
    if len(a) == 4:
        return (DateOrder.YMD,)
    if len(a) > 2 or len(c) not in (2, 4):
        return ()
    both = (DateOrder.DMY,) if mark == "." else (DateOrder.DMY, DateOrder.MDY)
    return both if len(c) == 4 or mark == "." else (*both, DateOrder.YMD)


def _with_clock(at: int, text: str, found: CellDate | None, clock: re.Match[str]) -> TimeCell:
    a, b, c = int(clock["a"]), int(clock["b"]), clock["c"]
    part = float(f"0.{clock['part']}") if clock["part"] else 0.0
    half = (clock["half"] or "").lower().replace(".", "")
    if b > 59 or (c is not None and int(c) > 59) or (half and not 1 <= a <= 12):
        raise OddTime(at, f"{text[:40]!r} is no time of a clock")
    if half:
        a = a % 12 + (12 if half == "pm" else 0)
    days_s = int(clock["days"] or 0) * DAY_S
    if c is None and part:  # 01:05.3 has no hours
        return TimeCell(date=found, clock_s=days_s + a * 60.0 + b + part, fields=3, text=text)
    at_s = days_s + a * 3600.0 + b * 60.0 + int(c or 0) + part
    return TimeCell(date=found, clock_s=at_s, fields=2 if c is None and not half else 3, zone_s=_zone_s(clock["zone"]),
                 text=text)  # fmt: skip


def _zone_s(zone: str | None) -> float:
    if not zone or zone in ("Z", "UTC", "GMT"):
        return 0.0
    sign = -1.0 if zone[0] == "-" else 1.0
    return sign * (int(zone[1:3]) * 3600.0 + int(zone[-2:]) * 60.0)


def clock_digits(at: int, text: str) -> TimeCell:
    digits = re.fullmatch(r"(\d{2})(\d{2})(\d{2})", text.zfill(6))
    if digits is None:
        raise OddTime(at, f"{text[:20]!r} is no time of a clock")
    return _dated(at, "{}:{}:{}".format(*digits.groups()))


def date_alone(at: int, text: str) -> CellDate:
    rest = _WEEKDAY.sub("", text)
    # Spreadsheets put a midnight behind a date.
    found = _date(re.sub(r"[ T]+0?0:00(:00([.,]0+)?)?$", "", rest))
    if found is None:
        raise OddTime(at, f"{text[:40]!r} is no date")
    return found
