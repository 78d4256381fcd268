"""One column of a log as values of a channel: its unit by the command line, the head, a row below it, or the cells.

Nobody guesses a unit: where two of them disagree, or what is read cannot be in the unit that is left, it is refused.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from verifyrig.core.ceilings import COLDEST_READING_C, HOTTEST_READING_C
from verifyrig.core.channels import quantity_of, unit_of
from verifyrig.core.errors import ImportFault
from verifyrig.core.interfaces import Quantity
from verifyrig.core.trace import FloatArray
from verifyrig.files.csv_cells import Decimals, OddNumber, is_no_reading, number_of, split_number
from verifyrig.files.csv_table import CsvRow, TextTable
from verifyrig.files.units import OddUnit, Unit, fold_unit, is_any_unit, unit_in_head, unit_named
from verifyrig.runs.import_words import ChannelColumn

_SHARE_AT_MOST = 1.05
# Where half of all readings lie outside, they are in another unit; common practice, no source.
_USUAL: Mapping[Quantity, tuple[float, float, str]] = {
    "temperature": (COLDEST_READING_C, HOTTEST_READING_C, "m°C, K or °F"),
    "power": (0.0, 20_000.0, "mW"),
    "voltage": (-60.0, 60.0, "mV"),
    "speed": (0.0, 100_000.0, "1/min"),
    "clock": (10.0, 20_000.0, "GHz, kHz or Hz"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """Values of a channel in its unit, shape (n,), NaN without a reading; its unit as it was given, else empty."""

    values: FloatArray
    unit_text: str


def without_unit_row(table: TextTable, columns: Sequence[str]) -> tuple[TextTable, dict[str, str]]:
    """Return the table without a row of units below its head, and the units by column; most logs have none."""
    if not table.head_row or not table.rows:
        return table, {}
    first = table.rows[0]
    cells = {column: first.cells[table.columns.index(column)].strip() for column in columns}
    given = {column: cell.strip("[](){} ") for column, cell in cells.items() if cell.strip("[](){}- ")}
    if not given or any(any(sign.isdigit() for sign in cell) and not is_any_unit(cell) for cell in given.values()):
        return table, {}
    if not any(is_any_unit(cell) for cell in given.values()):
        return table, {}
    return replace(table, rows=table.rows[1:]), given


def column_of(
    table: TextTable, rows: Sequence[CsvRow], entry: ChannelColumn, decimals: Decimals, row_units: Mapping[str, str]
) -> Column:
    """Return the readings of a channel.

    Raises:
        ImportFault: A cell is no number; the units that are given disagree, are of something else, or cannot be.
    """
    unit, unit_text = _told_unit(table, entry, row_units)
    at = table.columns.index(entry.column)
    values = np.full(len(rows), np.nan)
    in_cells = ""
    for i, row in enumerate(rows):
        cell = row.cells[at]
        if not is_no_reading(cell):
            values[i], behind = _value(table, row, replace(entry, unit=unit), cell, decimals)
            in_cells = in_cells or behind
    _check_share(table, entry, values)
    if not (unit_text or in_cells):
        _check_usual(table, entry, values)
    return Column(values=values, unit_text=unit_text or in_cells)


def _told_unit(table: TextTable, entry: ChannelColumn, row_units: Mapping[str, str]) -> tuple[Unit | None, str]:
    """Return the unit that command line, head and row of units give, and how they write it."""
    given = [(entry.unit, entry.unit_text)] if entry.unit is not None else []
    quantity = quantity_of(entry.channel)
    try:
        found = unit_in_head(entry.column, quantity, table.names) if table.head_row else None
        given += [found] if found is not None else []
        text = row_units.get(entry.column, "")
        if text:
            unit = unit_named(text, quantity)
            if unit is None:
                raise OddUnit(f"the row below the head names {text[:20]!r}, which is no unit of a {quantity}")
            given.append((unit, text))
    except OddUnit as error:
        if entry.unit is None:
            raise _odd_unit(table, entry, str(error)) from error
    if len({unit for unit, _ in given}) > 1:
        raise _odd_unit(table, entry, f"it is {' and '.join(repr(text) for _, text in given)} at once")
    return given[0] if given else (None, "")


def _odd_unit(table: TextTable, entry: ChannelColumn, what: str) -> ImportFault:
    mend = f"Name the unit that the cells have, as in --channel {entry.channel}={entry.column}:{_own(entry)}."
    if entry.unit is not None:
        mend = "Leave the unit out of --channel, or mend the head."
    return ImportFault(what, where=f"{table.origin}, column {entry.column!r}", mend=mend)


def _own(entry: ChannelColumn) -> str:
    return unit_of(entry.channel)


def _value(table: TextTable, row: CsvRow, entry: ChannelColumn, cell: str, decimals: Decimals) -> tuple[float, str]:
    try:
        text, unit_text = split_number(cell)
        number = number_of(text, decimals)
    except OddNumber as error:
        raise ImportFault(
            str(error), where=table.place(row, entry.column), mend="Mend the cell; an empty one means no reading."
        ) from error
    unit = entry.unit
    if unit_text:
        unit = _unit_in_cell(table, row, entry, unit_text)
    return number if unit is None else number * unit.factor + unit.offset, unit_text


def _unit_in_cell(table: TextTable, row: CsvRow, entry: ChannelColumn, text: str) -> Unit:
    unit = unit_named(text, quantity_of(entry.channel))
    if unit is None or (entry.unit is not None and unit != entry.unit):
        raise ImportFault(
            f"{text[:20]!r} behind the number does not fit {entry.channel}, {fold_unit(unit_of(entry.channel))}",
            where=table.place(row, entry.column),
            mend="Name the unit that the cells have, as in --channel NAME=COLUMN:°F.",
        )
    return unit


def _check_share(table: TextTable, entry: ChannelColumn, values: FloatArray) -> None:
    """Refuse per cent taken for shares: 50 in place of 0.5 would pass through every figure unnoticed."""
    if quantity_of(entry.channel) != "share" or not np.any(values > _SHARE_AT_MOST):
        return
    raise ImportFault(
        f"{entry.channel} is a share from 0 to 1, and the column reaches {np.nanmax(values):g}",
        where=f"{table.origin}, column {entry.column!r}",
        mend=f"If it is in per cent, write --channel {entry.channel}={entry.column}:%.",
    )


def _check_usual(table: TextTable, entry: ChannelColumn, values: FloatArray) -> None:
    """Refuse readings that cannot be in the channel's own unit, where nothing gives their unit."""
    low, high, others = _USUAL.get(quantity_of(entry.channel), (-np.inf, np.inf, ""))
    read = values[np.isfinite(values)]
    moving = read[read != 0.0]  # a clock or fan that stands still is none of another unit
    if len(moving) == 0 or low <= (middle := float(np.median(moving))) <= high:
        return
    raise ImportFault(
        f"half of its readings lie around {middle:g}, which cannot be {_own(entry)}, and nothing gives their unit",
        where=f"{table.origin}, column {entry.column!r}",
        mend=f"Name it, as in --channel {entry.channel}={entry.column}:UNIT; it may be {others}.",
    )
