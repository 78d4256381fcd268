"""What the words of `verifyrig import` mean: columns, units, times, stages, rows to keep."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise

from verifyrig.core.channels import BASE_CHANNELS, is_channel, quantity_of
from verifyrig.core.errors import UsageError
from verifyrig.core.profile import StageKind
from verifyrig.files.csv_times import ColonCell, DateOrder
from verifyrig.files.units import TIME_UNITS_S, Unit, fold_unit, is_unit, unit_named, units_for

_STAGE = re.compile(r"(?P<name>[a-z0-9][a-z0-9-]{0,63})(?::(?P<kind>[a-z]+))?=(?P<start>[^:]*):(?P<end>[^:]*)")
_KINDS = tuple(StageKind)
_SHORTEST_PERIOD_S, _LONGEST_PERIOD_S = 1e-4, 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelColumn:
    """Which column holds a channel, and its unit where that was said, with its name."""

    channel: str
    column: str
    unit: Unit | None = None
    unit_text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeWords:
    """Where the times of a log are, and what was said of them.

    Attributes:
        unit_s: Length of the unit of plain numbers, s.
        clock: What two numbers with a colon between them are.
        order: In which order dates stand.
        period_s: From row to row, s, where no column holds the time.
        started_utc_s: When the first row was written, where the log names no date.
    """

    column: str | None = None
    unit_s: float | None = None
    clock: ColonCell | None = None
    date_column: str | None = None
    order: DateOrder | None = None
    period_s: float | None = None
    started_utc_s: float | None = None

    @property
    def columns(self) -> list[str]:
        """The columns that hold the time."""
        return [column for column in (self.column, self.date_column) if column is not None]


@dataclass(frozen=True, slots=True, kw_only=True)
class StagePart:
    """A stage of an import: from `start_s` to before `end_s`, s after the first kept row; `end_s` inf: to the end."""

    name: str
    kind: str
    start_s: float
    end_s: float


def parse_time_words(
    time: str | None, date: str | None, order: str | None, period: str | None, started: str | None
) -> TimeWords:
    """Return what `--time`, `--date`, `--date-order`, `--period` and `--started` say together.

    Raises:
        UsageError: Neither column nor period is named, or both, or a word does not fit.
    """
    if (time is None) == (period is None):
        what = "neither a column of times nor a period is named" if time is None else "column and period are both named"
        raise UsageError(
            what, where="--time", mend="Write --time COLUMN, or --period SECONDS where no column holds the time."
        )
    if date is not None and time is None:
        raise UsageError("a date alone gives no moment", where="--date", mend="Name the column of the time, too.")
    column, unit_s, clock = _time_column(time)
    return TimeWords(
        column=column,
        unit_s=unit_s,
        clock=clock,
        date_column=None if date is None else date.strip(),
        order=None if order is None else DateOrder(order),
        period_s=None if period is None else _period_s(period),
        started_utc_s=None if started is None else _started_utc_s(started),
    )


def _time_column(word: str | None) -> tuple[str | None, float | None, ColonCell | None]:
    """Return the column, the unit of its numbers in s, and what its clock shows: `t`, `t:ms`, `t:mm:ss`."""
    if word is None:
        return None, None, None
    for clock in ColonCell:
        if word.endswith(f":{clock}"):
            return word[: -len(clock) - 1].strip(), None, clock
    column, colon, unit = word.rpartition(":")
    if colon and fold_unit(unit) in TIME_UNITS_S:
        return column.strip(), TIME_UNITS_S[fold_unit(unit)], None
    return word.strip(), None, None


def _period_s(text: str) -> float:
    try:
        value = float(text.replace(",", ".").removesuffix("s"))
    except ValueError:
        value = math.nan
    if not _SHORTEST_PERIOD_S <= value <= _LONGEST_PERIOD_S:
        raise UsageError(f"{text!r} is no period", where="--period", mend="Write the seconds from row to row, as 0.5.")
    return value


def _started_utc_s(text: str) -> float:
    try:
        when = datetime.fromisoformat(text)
        return (when if when.tzinfo is not None else when.replace(tzinfo=UTC)).timestamp()
    except (ValueError, OverflowError):
        raise UsageError(
            f"{text!r} is no time", where="--started", mend="Write it as 2026-03-01T14:05:00+01:00 (UTC without zone)."
        ) from None


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
    return ChannelColumn(
        channel=channel, column=head.strip(), unit=_unit(unit_text, channel, "--channel"), unit_text=unit_text.strip()
    )


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
