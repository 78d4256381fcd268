"""The serial instruments of bench.toml: `[[instrument]]` tables to sensors."""

from __future__ import annotations

import re
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from verifyrig.core.channels import is_channel, quantity_of, unit_of
from verifyrig.core.errors import BenchError, SensorError, SerialError
from verifyrig.core.interfaces import ChannelInfo, Taken
from verifyrig.metrology.thermocouple import TYPES
from verifyrig.sensors.ages import boot_time_s
from verifyrig.sensors.serial_decoder import NOT_OPENED, TextDecoder, TextFormat
from verifyrig.sensors.serial_port import PortAddress, PortThread, TextConversation

# An instrument that sends once a second has its second whole line after three.
FIRST_VALUE_S = 4.0
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


class Instrument(Protocol):
    """A running instrument."""

    @property
    def may_answer(self) -> bool: ...

    def start(self, *, strict: bool) -> None: ...

    def reading(self, key: str) -> Taken: ...

    def close(self) -> None: ...


class TextInstrument:
    """An instrument that sends text lines, by itself or when asked."""

    def __init__(self, spec: InstrumentSpec) -> None:
        self._decoder = TextDecoder(where=f"instrument {spec.id}", format=spec.format)
        talk = TextConversation(self._decoder, query=spec.query, query_period_s=spec.query_period_s)
        self._thread = PortThread(spec.address, talk)

    @property
    def may_answer(self) -> bool:
        """Whether the port is open, or about to be for the first time."""
        return self._decoder.link_down in ("", NOT_OPENED)

    def start(self, *, strict: bool) -> None:
        """Begin to read; raise `SerialError` where the port cannot be opened and `strict` is set."""
        self._thread.start(strict=strict)

    def reading(self, key: str) -> Taken:
        """Return the newest believed value of a key; raise `SensorError` where there is none."""
        return self._decoder.reading(key, boot_time_s())

    def close(self) -> None:
        """Stop reading and let go of the port."""
        self._thread.close()


class InstrumentSensor:
    """One channel of an instrument. The instrument is let go with its last channel."""

    __slots__ = ("_instrument", "_key", "_users", "info")

    def __init__(self, info: ChannelInfo, instrument: Instrument, key: str, users: set[str]) -> None:
        self.info = info
        self._instrument = instrument
        self._key = key
        self._users = users
        users.add(key)

    def read(self) -> Taken:
        """Return the newest value and its age, without waiting; raise `SensorError` if there is none."""
        return self._instrument.reading(self._key)

    def is_worth_waiting_for(self) -> bool:
        """Return whether there is no value yet, and one may come."""
        try:
            self.read()
        except SensorError:
            return self._instrument.may_answer
        return False

    def close(self) -> None:
        """Let go; the last channel closes the port."""
        if self._key in self._users:
            self._users.discard(self._key)
            if not self._users:
                self._instrument.close()


def open_instruments(config: Mapping[str, Any], *, strict: bool = True) -> list[InstrumentSensor]:
    """Return the channels of all instruments of bench.toml, with their ports open.

    Args:
        config: bench.toml.
        strict: A port that cannot be opened now is an error; else it is waited for.

    Raises:
        BenchError: A table is wrong.
        SerialError: `strict`, and a port is absent, taken or not allowed.
    """
    sensors: list[InstrumentSensor] = []
    for spec in parse_instruments(config):
        instrument = _make(spec)
        try:
            instrument.start(strict=strict)
        except SerialError:
            for sensor in sensors:
                sensor.close()
            raise
        users: set[str] = set()
        sensors += [InstrumentSensor(_info(spec, key), instrument, key, users) for key in spec.format.channels]
    return sensors


def wait_for_first(sensors: Sequence[InstrumentSensor], up_to_s: float = FIRST_VALUE_S) -> None:
    """Return when every channel gave a value, or after some seconds: the first lines after opening never count."""
    end_s = boot_time_s() + up_to_s
    waiting = list(sensors)
    while waiting and boot_time_s() < end_s:
        waiting = [sensor for sensor in waiting if sensor.is_worth_waiting_for()]
        time.sleep(0.05 if waiting else 0.0)


def _make(spec: InstrumentSpec) -> Instrument:
    if spec.protocol == "modbus":
        from verifyrig.sensors.serial_modbus import ModbusInstrument

        return ModbusInstrument(spec)
    return TextInstrument(spec)


def _info(spec: InstrumentSpec, key: str) -> ChannelInfo:
    channel = spec.format.channels[key]
    return ChannelInfo(
        channel=channel,
        label=f"{spec.id} {key}",
        device=f"{spec.protocol}:{spec.id}:{key}",
        source=spec.address.url,
        quantity=quantity_of(channel),
        unit=unit_of(channel),
        driver=spec.protocol,
    )


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
