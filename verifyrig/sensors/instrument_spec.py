"""The `[[instrument]]` tables of bench.toml, read and checked; nothing is opened here."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from verifyrig.core.channels import is_channel
from verifyrig.core.errors import BenchError
from verifyrig.metrology.thermocouple import TYPES
from verifyrig.sensors.serial_decoder import TextFormat
from verifyrig.sensors.serial_port import PortAddress

PROTOCOLS = ("text", "modbus")
_UNITS = ("", "C", "F", "K", "mV", "V", "W", "kW", "mW", "rpm", "%")


@dataclass(frozen=True, slots=True, kw_only=True)
class Register:
    """One Modbus register: its address, kind, factor, and whether it is signed."""

    register: int
    kind: str = "input"
    scale: float = 1.0
    signed: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentSpec:
    """One instrument as bench.toml describes it.

    Attributes:
        id: Its name, unique on the bench.
        protocol: `text` or `modbus`.
        address: Where it is.
        format: How its values are read, and which channels they are.
        query: Sent before each answer; empty where it sends by itself.
        query_period_s: Time between queries or polls, s.
        unit_address: Modbus address.
        registers: Modbus register of each key.
    """

    id: str
    protocol: str
    address: PortAddress
    format: TextFormat
    query: str = ""
    query_period_s: float = 1.0
    unit_address: int = 1
    registers: Mapping[str, Register] = field(default_factory=dict)


def parse_instruments(config: Mapping[str, Any]) -> list[InstrumentSpec]:
    """Return the instruments of bench.toml; keys of others in the tables are left alone.

    Raises:
        BenchError: A table lacks something or holds something that cannot be.
    """
    tables = config.get("instrument", [])
    if not isinstance(tables, list):
        raise BenchError("it must be a list", where="bench.toml, instrument", mend="Write [[instrument]].")
    specs = [_Table(table, f"bench.toml, instrument[{i}]").spec() for i, table in enumerate(tables)]
    _refuse_twice([spec.id for spec in specs], "id", "Give each instrument an id of its own.")
    channels = [channel for spec in specs for channel in spec.format.channels.values()]
    _refuse_twice(channels, "channel", "Number the second one, as in plate_2_temp_c.")
    return specs


def _refuse_twice(names: Sequence[str], what: str, mend: str) -> None:
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise BenchError(f"the {what} {twice!r} is given twice", where="bench.toml, instrument", mend=mend)


class _Table:
    """Reads one table with its place in the messages."""

    def __init__(self, table: Any, where: str) -> None:
        if not isinstance(table, dict):
            raise BenchError("it must be a table", where=where, mend="Write [[instrument]].")
        self._table = table
        self._where = where

    def spec(self) -> InstrumentSpec:
        """Return the whole instrument."""
        protocol = self._text("protocol", "text")
        if protocol not in PROTOCOLS:
            raise self._wrong("protocol", f"{protocol!r} is not known", f"Use one of: {', '.join(PROTOCOLS)}.")
        channels = self._channels()
        return InstrumentSpec(
            id=self._text("id"),
            protocol=protocol,
            address=PortAddress(
                url=self._text("url"),
                baud=self._whole("baud", 9600, 50, 4_000_000),
                usb_serial=self._text("usb_serial", ""),
                parity=self._one_of("parity", ("N", "E", "O")),
            ),
            format=TextFormat(
                channels=channels,
                unit=self._one_of("unit", _UNITS),
                pattern=self._pattern(channels),
                thermocouple=self._one_of("thermocouple", ("", *TYPES)),
                reference_junction=self._reference(),
            ),
            query=self._text("query", ""),
            query_period_s=self._number("query_period_s", 1.0, 0.05, 3600.0),
            unit_address=self._whole("address", 1, 1, 247),
            registers=self._registers(channels) if protocol == "modbus" else {},
        )

    def _wrong(self, key: str, what: str, mend: str) -> BenchError:
        return BenchError(what, where=f"{self._where}.{key}", mend=mend)

    def _text(self, key: str, default: str | None = None) -> str:
        value = self._table.get(key, default)
        if value is None:
            raise self._wrong(key, "it is missing", "Write it as text; `verifyrig setup` can ask for it.")
        if not isinstance(value, str) or (default is None and not value):
            raise self._wrong(key, f"{value!r} is no text", "Write it in quotation marks.")
        return value

    def _one_of(self, key: str, allowed: Sequence[str]) -> str:
        value = self._text(key, allowed[0])
        if value not in allowed:
            raise self._wrong(key, f"{value!r} is not known", f"Use one of: {', '.join(filter(None, allowed))}.")
        return value

    def _number(self, key: str, default: float, low: float, high: float) -> float:
        value = self._table.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise self._wrong(key, f"{value!r} does not fit", f"Write a number from {low:g} to {high:g}.")
        return float(value)

    def _whole(self, key: str, default: int, low: int, high: int) -> int:
        value = self._number(key, default, low, high)
        if not value.is_integer():
            raise self._wrong(key, f"{value!r} is no whole number", f"Write a number from {low} to {high}.")
        return int(value)

    def _channels(self) -> dict[str, str]:
        table = self._table.get("channels")
        if not isinstance(table, dict) or not table:
            raise self._wrong("channels", "it is missing or empty", 'Write channels = { t1 = "plate_temp_c" }.')
        for key, channel in table.items():
            if not isinstance(channel, str) or not is_channel(channel):
                raise self._wrong(f"channels.{key}", f"{channel!r} is no channel name", "Use one such as plate_temp_c.")
        return dict(table)

    def _pattern(self, channels: Mapping[str, str]) -> re.Pattern[str] | None:
        text = self._text("pattern", "")
        if not text:
            return None
        try:
            pattern = re.compile(text)
        except re.error as error:
            raise self._wrong("pattern", f"it is no regular expression ({error})", "Mend the expression.") from error
        absent = [key for key in channels if key not in pattern.groupindex]
        if absent:
            mend = f"Name the number's place (?P<{absent[0]}>...)."
            raise self._wrong("pattern", f"it has no group {absent[0]!r}", mend)
        return pattern

    def _reference(self) -> float | str:
        value = self._table.get("reference_junction", 0.0)
        if isinstance(value, str):
            return value
        return self._number("reference_junction", 0.0, -40.0, 100.0)

    def _registers(self, channels: Mapping[str, str]) -> dict[str, Register]:
        table = self._table.get("registers")
        if not isinstance(table, dict):
            raise self._wrong("registers", "it is missing", "Write registers = { t1 = { register = 0, scale = 0.1 } }.")
        absent = next((key for key in channels if key not in table), None)
        if absent is not None:
            raise self._wrong(f"registers.{absent}", "it is missing", "Name the register of each key of channels.")
        return {key: _Table(table[key], f"{self._where}.registers.{key}").register() for key in channels}

    def register(self) -> Register:
        """Return one register."""
        signed = self._table.get("signed", True)
        if not isinstance(signed, bool):
            raise self._wrong("signed", f"{signed!r} is neither true nor false", "Write true or false.")
        return Register(
            register=self._whole("register", -1, 0, 65535),
            kind=self._one_of("kind", ("input", "holding")),
            scale=self._number("scale", 1.0, -1e6, 1e6),
            signed=signed,
        )
