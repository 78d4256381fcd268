"""Times as loggers write them, one a row: seconds, ISO, dates of several orders, clocks, H:MM:SS; one column or two.

What a date means is decided by all rows together, never by one: `03/04/2026` alone is refused, since it may be April or
March. A time without a zone counts as UTC.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from itertools import pairwise

from verifyrig.files.csv_cells import NO_READING, Decimals
from verifyrig.files.time_cells import (
    DAY_S,
    CellDate,
    ColonCell,
    DateOrder,
    OddTime,
    TimeCell,
    clock_digits,
    date_alone,
    time_cell,
)

__all__ = ["ColonCell", "DateOrder", "OddTime", "TimeForm", "Times", "UnclearTimes", "times_of"]


class TimeForm(StrEnum):
    """What the rows' times are."""

    NUMBERS = "numbers"
    EPOCH = "epoch"
    DATES = "dates"
    CLOCK = "clock"
    ELAPSED = "elapsed"


class UnclearTimes(OddTime):
    """All cells together can be read in several ways; `ways` are the orders or clocks that fit."""

    def __init__(self, row: int, what: str, ways: Sequence[DateOrder | ColonCell]) -> None:
        super().__init__(row, what)
        self.ways = tuple(ways)


@dataclass(frozen=True, slots=True, kw_only=True)
class Times:
    """When each row was written.

    Attributes:
        seconds: One a row, s, since 1970 where `dated`, else from an origin of the file's own; None without a time.
        order: The order of dates that have one, else None.
    """

    seconds: tuple[float | None, ...]
    dated: bool
    form: TimeForm
    order: DateOrder | None = None


_HALF_DAY_S = 43_200.0
# A step over midnight is no longer than this: a log that begins anew in the afternoon did not run for eleven hours.
_LONGEST_OVER_MIDNIGHT_S = 3600.0
# Seconds, ms, µs, ns since 1970 from September 2001 on; a logger's own seconds hardly run for thirty years.
_EPOCHS = tuple((1e9 * scale, 1e10 * scale, 1 / scale) for scale in (1.0, 1e3, 1e6, 1e9))
_LONGEST_S = 1e9
_NEAR_DAYS, _FAR_DAYS = 2, 20


def times_of(
    cells: Sequence[str],
    decimals: Decimals,
    *,
    dates: Sequence[str] | None = None,
    unit_s: float | None = None,
    head_unit_s: float | None = None,
    order: DateOrder | None = None,
    clock: ColonCell | None = None,
) -> Times:
    """Return the time of each row.

    Args:
        cells: Cells of the column of times.
        dates: Cells of a column of dates beside it.
        unit_s: Length of the unit of plain numbers, s, as somebody said.
        head_unit_s: The same as the head says; without both, seconds, or what a number since 1970 must be.
        order: In which order dates stand, where somebody said.
        clock: What `12:05` is, where somebody said.

    Raises:
        OddTime: A cell is no time, or the rows mix what cannot be mixed; its `row` is an index into `cells`.
        UnclearTimes: All cells together can be read in several ways.
    """
    read = [time_cell(at, text, decimals) for at, text in enumerate(cells)]
    if dates is not None:
        read = list(_with_dates(read, dates))
    known = [(at, cell) for at, cell in enumerate(read) if cell is not None]
    if not known:
        return Times(seconds=(None,) * len(cells), dated=False, form=TimeForm.NUMBERS)
    _check_alike(known)
    first = known[0][1]
    if first.number is not None:
        found, form = _numbers(known, head_unit_s if unit_s is None else unit_s)
        return _times(len(cells), known, found, form)
    if unit_s is not None and (first.date is not None or first.exact is not None):
        raise OddTime(known[0][0], "dates have no unit")
    if first.exact is not None and all(cell.exact is not None for _, cell in known):
        return _times(len(cells), known, [cell.exact or 0.0 for _, cell in known], TimeForm.DATES)
    clocks = _clocks(known, clock, dated=first.date is not None)
    if first.date is None:
        return _times(len(cells), known, *_over_midnight(clocks))
    days, found_order = _days(known, order)
    found = [day * DAY_S + at_s - cell.zone_s for day, at_s, (_, cell) in zip(days, clocks, known, strict=True)]
    return _times(len(cells), known, found, TimeForm.DATES, found_order)


def _times(
    rows: int,
    known: Sequence[tuple[int, TimeCell]],
    found: Sequence[float],
    form: TimeForm,
    order: DateOrder | None = None,
) -> Times:
    seconds: list[float | None] = [None] * rows
    for (at, _), second in zip(known, found, strict=True):
        seconds[at] = second
    return Times(seconds=tuple(seconds), dated=form in (TimeForm.DATES, TimeForm.EPOCH), form=form, order=order)


def _with_dates(read: Sequence[TimeCell | None], dates: Sequence[str]) -> Iterator[TimeCell | None]:
    """Put dates of their own column to the times; an empty one below a date means the same day."""
    last: CellDate | None = None
    for at, (cell, text) in enumerate(zip(read, dates, strict=True)):
        if text.strip().lower() not in NO_READING:
            last = date_alone(at, text.strip())
        if cell is None:
            yield None
            continue
        if last is None:
            raise OddTime(at, "there is no date in this row nor above it")
        if cell.number is not None:
            cell = clock_digits(at, cell.text)
        yield cell._replace(date=last, exact=None)


def _check_alike(known: Sequence[tuple[int, TimeCell]]) -> None:
    kinds = [(cell.number is not None, cell.date is not None) for _, cell in known]
    for (at, _), kind in zip(known, kinds, strict=True):
        if kind != kinds[0]:
            words = {(True, False): "seconds", (False, True): "dates", (False, False): "clock times"}
            raise OddTime(at, f"{words[kinds[0]]} and {words[kind]} are mixed")


def _numbers(known: Sequence[tuple[int, TimeCell]], unit_s: float | None) -> tuple[list[float], TimeForm]:
    numbers = [cell.number or 0.0 for _, cell in known]
    scale = unit_s
    if scale is None:
        scale = next((unit for low, high, unit in _EPOCHS if low <= numbers[0] < high), 1.0)
    seconds = [number * scale for number in numbers]
    low, high, _ = _EPOCHS[0]
    dated = low <= seconds[0] < high
    for (at, _), second in zip(known, seconds, strict=True):
        if (low <= second < high) != dated:
            raise OddTime(at, "seconds of the log's own and seconds since 1970 are mixed")
        if not dated and abs(second) > _LONGEST_S:
            raise OddTime(at, f"{second:g} s is longer than any log; the unit of the times is another")
    return seconds, TimeForm.EPOCH if dated else TimeForm.NUMBERS


def _clocks(known: Sequence[tuple[int, TimeCell]], clock: ColonCell | None, *, dated: bool) -> list[float]:
    """Return the clock times, s; those of two numbers as the rows together show.

    Beside a date they are hours and minutes. `59:59` before `1:00:00` is minutes and seconds, since the time rises.
    """
    hours = [cell.clock_s or 0.0 for _, cell in known]
    if dated or clock is ColonCell.HOURS_MINUTES or all(cell.fields != 2 for _, cell in known):
        return hours
    minutes = [at_s / 60.0 if cell.fields == 2 else at_s for at_s, (_, cell) in zip(hours, known, strict=True)]
    beyond_a_day = any(cell.fields == 2 and (cell.clock_s or 0.0) >= DAY_S for _, cell in known)
    if clock is ColonCell.MINUTES_SECONDS or beyond_a_day or not _rises(hours):
        return minutes
    if not _rises(minutes):
        return hours
    at, cell = next((at, cell) for at, cell in known if cell.fields == 2)
    raise UnclearTimes(at, f"{cell.text[:20]!r} may be hours and minutes, or minutes and seconds", tuple(ColonCell))


def _rises(clocks: Sequence[float]) -> bool:
    return all(b >= a for a, b in pairwise(_over_midnight(clocks)[0]))


def _over_midnight(clocks: Sequence[float]) -> tuple[list[float], TimeForm]:
    """Return clock times as seconds that go on over midnight; hours beyond 24 never turn over."""
    if max(clocks) >= DAY_S:
        return list(clocks), TimeForm.ELAPSED
    found, day_s = [], 0.0
    for before, now in pairwise([clocks[0], *clocks]):
        over_s = now + DAY_S - before
        if now < before - _HALF_DAY_S and over_s <= _LONGEST_OVER_MIDNIGHT_S:
            day_s += DAY_S
        found.append(now + day_s)
    return found, TimeForm.CLOCK


def _days(known: Sequence[tuple[int, TimeCell]], order: DateOrder | None) -> tuple[list[int], DateOrder | None]:
    """Return days since 1970 and the order in which the numbers stand, as all dates together show."""
    dates = [cell.date for _, cell in known if cell.date is not None]
    asked = [order] if order is not None else list(DateOrder)
    wanted = [one for one in asked if all(one in found.orders or found.orders == (DateOrder.YMD,) for found in dates)]
    if order is not None and not wanted:
        wanted = [one for one in DateOrder if all(one in found.orders for found in dates)][:1]
    fits = {one: days for one in wanted if (days := _in_order(dates, one)) is not None}
    if not fits:
        _raise_misfit(known, wanted or asked)
    ways = _likely(fits)
    if len({tuple(days) for days in ways.values()}) > 1:
        at, cell = known[0]
        text = cell.date.text if cell.date is not None else cell.text
        one, two = (_day_text(days[0]) for days in list(ways.values())[:2])
        raise UnclearTimes(at, f"{text[:20]!r} may be {one} or {two}", tuple(ways))
    chosen = next(iter(ways))
    alone = all(found.orders == (DateOrder.YMD,) or not found.text[:1].isdigit() for found in dates)
    return ways[chosen], None if alone else chosen


_EPOCH_DAY = date(1970, 1, 1).toordinal()


def _day_text(day: int) -> str:
    found = date.fromordinal(day + _EPOCH_DAY)
    return f"{found.day} {found:%B %Y}"


def _in_order(dates: Sequence[CellDate], order: DateOrder) -> list[int] | None:
    kept: dict[CellDate, int] = {}
    for found in dates:
        if found not in kept:
            day = _day(found, order)
            if day is None:
                return None
            kept[found] = day
    return [kept[found] for found in dates]


def _day(found: CellDate, order: DateOrder) -> int | None:
    order = found.orders[0] if len(found.orders) == 1 else order
    a, b, c = found.numbers
    year, month, day = {DateOrder.DMY: (c, b, a), DateOrder.MDY: (c, a, b), DateOrder.YMD: (a, b, c)}[order]
    try:
        return date(year + 2000 if year < 100 else year, month, day).toordinal() - _EPOCH_DAY
    except ValueError:
        return None


def _likely(fits: dict[DateOrder, list[int]]) -> dict[DateOrder, list[int]]:
    """Return the orders in which the log goes on from day to day: none goes back, none leaps where another does not."""
    rising = {order: days for order, days in fits.items() if all(b >= a for a, b in pairwise(days))} or fits
    leaps = {order: max((b - a for a, b in pairwise(days)), default=0) for order, days in rising.items()}
    if min(leaps.values()) <= _NEAR_DAYS:
        rising = {order: days for order, days in rising.items() if leaps[order] < _FAR_DAYS}
    return rising


def _raise_misfit(known: Sequence[tuple[int, TimeCell]], orders: Sequence[DateOrder]) -> None:
    """Raise for the first date that no order reads; where each reads some, for the first that one of them does not."""
    for at, cell in known:
        if cell.date is not None and all(_day(cell.date, order) is None for order in orders):
            raise OddTime(at, f"{cell.date.text[:20]!r} is no date" + (f" as {orders[0]}" if len(orders) == 1 else ""))
    misfits = ((at, cell) for at, cell in known if cell.date is not None and _day(cell.date, orders[0]) is None)
    at, cell = next(misfits, known[0])
    text = cell.date.text if cell.date is not None else cell.text
    raise OddTime(at, f"{text[:20]!r} does not stand in the order of the dates above it")
