"""A CSV of any logger as samples of channels: times in order, units converted, what was not measured left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from verifyrig.core.errors import ImportFault
from verifyrig.core.trace import FloatArray
from verifyrig.files.csv_cells import Decimals, OddNumber, decimals_of, is_no_reading, split_number
from verifyrig.files.csv_table import CsvRow, TextTable
from verifyrig.files.csv_times import ColonCell, DateOrder, OddTime, TimeForm, Times, UnclearTimes, times_of
from verifyrig.files.left_out import LeftOutRows, WhyLeftOut
from verifyrig.files.units import time_unit_in_head
from verifyrig.runs.csv_columns import Column, column_of, without_unit_row
from verifyrig.runs.derived_load import derived_load
from verifyrig.runs.import_words import ChannelColumn, StagePart, TimeWords

# More doubled times than this are several machines in one file, not a logger that stuttered.
_DOUBLED_SHARE = 0.25
LOAD_SHARE = "load_share"
# A step longer than this many usual ones, and than so many seconds, is a gap.
_GAP_STEPS, _GAP_S = 3.0, 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """Samples as they were found.

    Attributes:
        t_s: Since the first kept row, s, shape (n,), rising.
        start_utc_s: Wall clock of the first kept row, or None where nothing names a date.
        columns: Values by channel in its unit, each shape (n,), NaN where there was no reading.
        left_out: Which rows were left out.
        units: How the file or the command line names the unit of a channel, where it does.
        form, order: What the times are, and the order of their dates.
        unnamed: How many cells of each row have no name.
        load_from: What `load_share` was derived from, empty where the log itself has it.
    """

    t_s: FloatArray
    start_utc_s: float | None
    columns: Mapping[str, FloatArray]
    left_out: Sequence[LeftOutRows] = ()
    units: Mapping[str, str] = field(default_factory=dict)
    form: str = TimeForm.NUMBERS
    order: DateOrder | None = None
    unnamed: int = 0
    load_from: str = ""

    @property
    def gaps(self) -> list[tuple[float, float]]:
        """Where no row was written for more than three usual steps and 3 s: from and to, s."""
        if len(self.t_s) < 4:
            return []
        steps = np.diff(self.t_s)
        wide = np.flatnonzero(steps > max(_GAP_S, _GAP_STEPS * float(np.median(steps))))
        return [(float(self.t_s[at]), float(self.t_s[at + 1])) for at in wide]


class UnclearTimesFault(ImportFault):
    """The times can be read in several ways, which a person may choose from; `ways` are orders or clocks."""

    def __init__(self, what: str, *, where: str, mend: str, ways: Sequence[DateOrder | ColonCell]) -> None:
        super().__init__(what, where=where, mend=mend)
        self.ways = tuple(ways)


def with_load(samples: Imported, stages: Sequence[StagePart]) -> Imported:
    """Return the samples with the share of the load, derived where the log has none."""
    if LOAD_SHARE in samples.columns:
        return samples
    share, source = derived_load(samples.t_s, samples.columns, stages)
    return replace(samples, columns={**samples.columns, LOAD_SHARE: share}, load_from=source)


def samples_of(table: TextTable, time: TimeWords, channels: Sequence[ChannelColumn]) -> Imported:
    """Return the table's rows as samples.

    Rows without a time, and rows that repeat the time of the row before, are left out and counted; a time that goes
    back is refused, since nobody can know which clock was right.

    Raises:
        ImportFault: With row and column: a cell is no number or no time, a time goes back; too many times double; the
            head names a unit that does not fit.
        UnclearTimesFault: The times can be read in several ways.
    """
    table, row_units = without_unit_row(table, [entry.column for entry in channels])
    if not table.rows:
        raise ImportFault("there is no row below the head", where=table.origin, mend="Check the file.")
    decimals = decimals_of(_number_texts(table, time), table.separator)
    rows, seconds, times, left_out = _in_order(table, time, decimals)
    columns = {entry.channel: column_of(table, rows, entry, decimals, row_units) for entry in channels}
    start_utc_s = seconds[0] if times.dated else time.started_utc_s
    if times.dated and time.started_utc_s is not None:
        raise ImportFault("the log names its date itself", where="--started", mend="Leave --started out.")
    return Imported(
        t_s=np.array(seconds) - seconds[0],
        start_utc_s=start_utc_s,
        columns={name: column.values for name, column in columns.items()},
        left_out=(*table.left_out, *left_out),
        units=_told_units(columns),
        form="period" if time.period_s is not None else times.form,
        order=times.order,
        unnamed=table.unnamed,
    )


def _told_units(columns: Mapping[str, Column]) -> dict[str, str]:
    return {name: column.unit_text for name, column in columns.items() if column.unit_text}


def _number_texts(table: TextTable, time: TimeWords) -> list[str]:
    """Return the cells that show how the file writes its decimals; dates and clocks show nothing of it."""
    texts = []
    quiet = [table.columns.index(column) for column in time.columns]
    for row in table.rows:
        for at, cell in enumerate(row.cells):
            if ("," in cell or "." in cell) and not is_no_reading(cell):
                try:
                    number, behind = split_number(cell)
                except OddNumber:
                    continue  # a fault that is named where the cell is used
                if at not in quiet or (not behind and number.count(".") + number.count(",") == 1):
                    texts.append(number)
    return texts


def _in_order(
    table: TextTable, time: TimeWords, decimals: Decimals
) -> tuple[list[CsvRow], list[float], Times, list[LeftOutRows]]:
    times = _times(table, time, decimals)
    rows: list[CsvRow] = []
    seconds: list[float] = []
    untimed, doubled = LeftOutRows(WhyLeftOut.NO_TIME), LeftOutRows(WhyLeftOut.TIME_REPEATED)
    for row, second in zip(table.rows, times.seconds, strict=True):
        if second is None:
            untimed = untimed.with_row(row.number)
        elif seconds and second < seconds[-1]:
            raise _goes_back(table, row, rows[-1], time, seconds[-1] - second)
        elif seconds and second == seconds[-1]:
            doubled = doubled.with_row(row.number)
        else:
            rows.append(row)
            seconds.append(second)
    if not rows:
        raise ImportFault("no row has a time", where=f"{table.origin}, column {time.column!r}", mend="Check --time.")
    _check_doubles(table, time, doubled.rows, len(table.rows), times.dated and _are_days(seconds))
    return rows, seconds, times, [one for one in (untimed, doubled) if one.rows]


def _times(table: TextTable, time: TimeWords, decimals: Decimals) -> Times:
    if time.column is None:
        return _by_period(table, time.period_s or 1.0)
    dates = None if time.date_column is None else table.cells_of(time.date_column)
    head_unit_s = time_unit_in_head(time.column) if table.head_row else None
    _check_time_unit(table, time, head_unit_s)
    try:
        return times_of(
            table.cells_of(time.column),
            decimals,
            dates=dates,
            unit_s=time.unit_s,
            head_unit_s=head_unit_s,
            order=time.order,
            clock=time.clock,
        )
    except UnclearTimes as error:
        where = table.place(table.rows[error.row], time.date_column or time.column)
        raise UnclearTimesFault(str(error), where=where, mend=_mend(error, time), ways=error.ways) from error
    except OddTime as error:
        where = table.place(table.rows[error.row], time.column)
        raise ImportFault(str(error), where=where, mend="Mend the cell, or check --time and --date.") from error


def _mend(error: UnclearTimes, time: TimeWords) -> str:
    start = "--date-order " if isinstance(error.ways[0], DateOrder) else f"--time {time.column}:"
    return f"Write {' or '.join(start + way for way in error.ways)}."


def _check_time_unit(table: TextTable, time: TimeWords, head_unit_s: float | None) -> None:
    if time.unit_s is not None and head_unit_s is not None and time.unit_s != head_unit_s:
        raise ImportFault(
            "the head names another unit of the time than the command line",
            where=f"{table.origin}, column {time.column!r}",
            mend="Leave the unit out of --time, or mend the head.",
        )


def _by_period(table: TextTable, period_s: float) -> Times:
    """Return the times of rows a period apart; below a torn line the gap is unknown."""
    torn = [one.first_row for one in table.left_out if one.why is WhyLeftOut.ZERO_BYTES]
    until = min(torn, default=None)
    known = [until is None or row.number < until for row in table.rows]
    seconds = tuple(at * period_s if is_known else None for at, is_known in enumerate(known))
    return Times(seconds=seconds, dated=False, form=TimeForm.NUMBERS)


def _goes_back(table: TextTable, row: CsvRow, before: CsvRow, time: TimeWords, by_s: float) -> ImportFault:
    return ImportFault(
        f"the time goes back by {by_s:g} s from row {before.number}",
        where=table.place(row, time.column or "?"),
        mend="Sort the rows, choose one machine with --where, or cut the file where its clock was set.",
    )


def _are_days(seconds: Sequence[float]) -> bool:
    return all((second - seconds[0]) % 86400.0 == 0.0 for second in seconds)


def _check_doubles(table: TextTable, time: TimeWords, doubled: int, rows: int, are_days: bool) -> None:
    if doubled > max(2, _DOUBLED_SHARE * rows):
        if are_days and time.date_column is None:
            raise ImportFault(
                "it holds dates without a clock",
                where=f"{table.origin}, column {time.column!r}",
                mend=f"Write --date {time.column!r} for it, and --time for the column of the clock.",
            )
        raise ImportFault(
            f"{doubled} of {rows} rows repeat the time of the row before",
            where=table.origin,
            mend="If it holds several machines or sensors below one another, choose one with --where COLUMN=VALUE.",
        )
