"""A CSV of any logger as samples of channels: times in order, units converted, what was not measured left out."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from verifyrig.core.channels import BASE_CHANNELS, is_channel, quantity_of, unit_of
from verifyrig.core.errors import ImportFault, UsageError
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import FloatArray
from verifyrig.files.csv_cells import (
    Decimals,
    Moment,
    OddNumber,
    Unit,
    decimals_of,
    fold_unit,
    is_no_reading,
    is_unit,
    moment_of,
    number_of,
    split_number,
    unit_named,
    units_for,
)
from verifyrig.files.csv_table import CsvRow, TextTable

# More doubled times than this are several machines in one file, not a logger that stuttered.
_DOUBLED_SHARE = 0.25
_STAGE = re.compile(r"(?P<name>[a-z0-9][a-z0-9-]{0,63})(?::(?P<kind>[a-z]+))?=(?P<start>[^:]*):(?P<end>[^:]*)")
_KINDS = tuple(StageKind)
_SHARE_AT_MOST = 1.05
_TIME_UNITS_S = {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelColumn:
    """Which column holds a channel, and its unit where that was said."""

    channel: str
    column: str
    unit: Unit | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StagePart:
    """A stage of an import: from `start_s` to before `end_s`, s after the first kept row; `end_s` inf: to the end."""

    name: str
    kind: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """Samples as they were found.

    Attributes:
        t_s: Since the first kept row, s, shape (n,), rising.
        start_utc_s: Wall clock of the first kept row, or None where the file names no date.
        columns: Values by channel in its unit, each shape (n,), NaN where there was no reading.
        left_out: How many rows were left out, by reason.
    """

    t_s: FloatArray
    start_utc_s: float | None
    columns: Mapping[str, FloatArray]
    left_out: Mapping[str, int] = field(default_factory=dict)


def parse_time_word(word: str) -> tuple[str, float]:
    """Return the column of the time and how many seconds one of its units is: `t`, `t:ms`."""
    column, colon, unit = word.rpartition(":")
    if colon and unit.strip() in _TIME_UNITS_S:
        return column.strip(), _TIME_UNITS_S[unit.strip()]
    return word.strip(), 1.0


def parse_channel_word(word: str) -> ChannelColumn:
    """Return what `NAME=COLUMN[:UNIT]` means; what stands behind the last colon is a unit only if it names one.

    Raises:
        UsageError: NAME is no channel, or the unit is none of its quantity.
    """
    channel, sign, column = word.partition("=")
    channel, column = channel.strip(), column.strip()
    if not sign or not column:
        raise UsageError(f"{word!r} is no NAME=COLUMN", where="--channel", mend="Write --channel die_temp_c=temp:°F.")
    if not is_channel(channel):
        raise UsageError(f"{channel!r} is no channel", where="--channel", mend=f"Channels are: {_near(channel)}.")
    head, colon, unit_text = column.rpartition(":")
    if not colon or not is_unit(unit_text):
        return ChannelColumn(channel=channel, column=column)
    return ChannelColumn(channel=channel, column=head.strip(), unit=_unit(unit_text, channel, "--channel"))


def _near(channel: str) -> str:
    from difflib import get_close_matches

    return ", ".join(get_close_matches(channel, BASE_CHANNELS, n=4, cutoff=0.3) or BASE_CHANNELS[:6])


def _unit(text: str, channel: str, where: str) -> Unit:
    quantity = quantity_of(channel)
    unit = unit_named(text, quantity)
    if unit is None:
        names = ", ".join(units_for(quantity))
        raise UsageError(f"{text!r} is no unit of {channel}", where=where, mend=f"Units of a {quantity} are: {names}.")
    return unit


def parse_stage_words(words: Sequence[str]) -> list[StagePart]:
    """Return the stages that `NAME[:KIND]=START:END` words mean, in order of time.

    Raises:
        UsageError: A word does not fit, two stages overlap or have one name.
    """
    parts = sorted((_stage(word) for word in words), key=lambda part: part.start_s)
    if len({part.name for part in parts}) != len(parts):
        raise UsageError("two stages have one name", where="--stage", mend="Give each stage a name of its own.")
    for before, after in pairwise(parts):
        if after.start_s < before.end_s:
            raise UsageError(
                f"stages {before.name} and {after.name} overlap", where="--stage", mend="End one before the other."
            )
    return parts


def _stage(word: str) -> StagePart:
    found = _STAGE.fullmatch(word)
    if found is None:
        raise UsageError(
            f"{word!r} is no NAME[:KIND]=START:END", where="--stage", mend="Write it as in --stage load=60:360."
        )
    kind = found["kind"] or found["name"]
    if kind not in _KINDS:
        raise UsageError(
            f"{kind!r} is no kind of stage",
            where=f"--stage {word}",
            mend="Write NAME:KIND=...; kinds: idle, load, cooldown.",
        )
    start_s, end_s = _seconds(found["start"], word, 0.0), _seconds(found["end"], word, math.inf)
    if not 0 <= start_s < end_s:
        raise UsageError(
            "the end must lie after the start, and the start at 0 or later", where=f"--stage {word}", mend="In seconds."
        )
    return StagePart(name=found["name"], kind=kind, start_s=start_s, end_s=end_s)


def _seconds(text: str, word: str, empty_s: float) -> float:
    if not text.strip():
        return empty_s
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise UsageError(f"{text!r} is no number of seconds", where=f"--stage {word}", mend="Write seconds.") from None


def parse_where_words(words: Sequence[str]) -> list[tuple[str, str]]:
    """Return the column and value of each `COLUMN=VALUE`."""
    pairs = []
    for word in words:
        column, sign, value = word.partition("=")
        if not sign or not column.strip():
            raise UsageError(f"{word!r} is no COLUMN=VALUE", where="--where", mend="Write it as in --where core=0.")
        pairs.append((column.strip(), value))
    return pairs


def samples_of(
    table: TextTable, time_column: str, channels: Sequence[ChannelColumn], *, time_unit_s: float = 1.0
) -> Imported:
    """Return the table's rows as samples; `time_unit_s` is the length of the unit of times without a date.

    Rows without a time, and rows that repeat the time of the row before, are left out and counted; a time that goes
    back is refused, since nobody can know which clock was right.

    Raises:
        ImportFault: With row and column: a cell is no number or no time, a time goes back; or too many times double.
    """
    decimals = decimals_of(_number_texts(table), table.separator)
    rows, seconds, dated, left_out = _in_order(table, time_column, decimals)
    if dated and time_unit_s != 1.0:
        raise ImportFault("dates have no unit", where=f"--time, column {time_column!r}", mend="Leave the unit out.")
    t_s = (np.array(seconds) - seconds[0]) * time_unit_s
    columns = {entry.channel: _column(table, rows, entry, decimals) for entry in channels}
    return Imported(t_s=t_s, start_utc_s=seconds[0] if dated else None, columns=columns, left_out=left_out)


def _number_texts(table: TextTable) -> list[str]:
    texts = []
    for row in table.rows:
        for cell in row.cells:
            if ("," in cell or "." in cell) and not is_no_reading(cell):
                try:
                    texts.append(split_number(cell)[0])
                except OddNumber:
                    continue  # a time, or a fault that is named where the cell is used
    return texts


def _in_order(
    table: TextTable, time_column: str, decimals: Decimals
) -> tuple[list[CsvRow], list[float], bool, dict[str, int]]:
    at = table.columns.index(time_column)
    rows: list[CsvRow] = []
    seconds: list[float] = []
    dated: bool | None = None
    left_out = {"no time": 0, "time repeated": 0}
    for row in table.rows:
        moment = _moment(table, row, time_column, at, decimals)
        if moment is None:
            left_out["no time"] += 1
            continue
        if dated is not None and moment.dated != dated:
            raise ImportFault(
                "seconds and dates are mixed", where=table.place(row, time_column), mend="Use one of them."
            )
        dated = moment.dated
        if seconds and moment.seconds < seconds[-1]:
            raise _goes_back(table, row, rows[-1], time_column, seconds[-1] - moment.seconds)
        if seconds and moment.seconds == seconds[-1]:
            left_out["time repeated"] += 1
            continue
        rows.append(row)
        seconds.append(moment.seconds)
    if not rows:
        raise ImportFault("no row has a time", where=f"{table.origin}, column {time_column!r}", mend="Check --time.")
    _check_doubles(table, left_out["time repeated"], len(table.rows))
    return rows, seconds, bool(dated), {why: n for why, n in left_out.items() if n}


def _moment(table: TextTable, row: CsvRow, column: str, at: int, decimals: Decimals) -> Moment | None:
    try:
        return moment_of(row.cells[at], decimals)
    except OddNumber as error:
        raise ImportFault(str(error), where=table.place(row, column), mend="Mend the cell, or check --time.") from error


def _goes_back(table: TextTable, row: CsvRow, before: CsvRow, column: str, by_s: float) -> ImportFault:
    return ImportFault(
        f"the time goes back by {by_s:g} s from row {before.number}",
        where=table.place(row, column),
        mend="Sort the rows, choose one machine with --where, or cut the file where its clock was set.",
    )


def _check_doubles(table: TextTable, doubled: int, rows: int) -> None:
    if doubled > max(2, _DOUBLED_SHARE * rows):
        raise ImportFault(
            f"{doubled} of {rows} rows repeat the time of the row before",
            where=table.origin,
            mend="If it holds several machines or sensors below one another, choose one with --where COLUMN=VALUE.",
        )


def _column(table: TextTable, rows: Sequence[CsvRow], entry: ChannelColumn, decimals: Decimals) -> FloatArray:
    at = table.columns.index(entry.column)
    values = np.full(len(rows), np.nan)
    for i, row in enumerate(rows):
        cell = row.cells[at]
        if not is_no_reading(cell):
            values[i] = _value(table, row, entry, cell, decimals)
    _check_share(table, entry, values)
    return values


def _value(table: TextTable, row: CsvRow, entry: ChannelColumn, cell: str, decimals: Decimals) -> float:
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
    return number if unit is None else number * unit.factor + unit.offset


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
