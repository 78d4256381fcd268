"""The `[[instrument]]` tables of bench.toml: from TOML to what the serial edge needs. Opens nothing."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from verifyrig.core.channels import is_channel
from verifyrig.core.errors import BenchError
from verifyrig.files.toml_table import Faults, TomlTable, raise_all, shown
from verifyrig.metrology.thermocouple import TYPES

PROTOCOLS = ("text", "modbus")
_UNITS = ("C", "F", "K", "mV", "V", "W", "kW", "mW", "rpm", "%")
_CHANNELS_MEND = 'Write channels = { t1 = "plate_temp_c" }.'
_REGISTERS_MEND = "Write registers = { t1 = { register = 0, scale = 0.1 } }."


@dataclass(frozen=True, slots=True, kw_only=True)
class PortAddress:
    """Where an instrument is found.

    Attributes:
        url: Device, `COM3`, `socket://host:port`.
        baud: Speed, 1/s.
        usb_serial: Serial number of the adapter, where it has one and bench.toml names it.
        parity: `N`, `E` or `O`.
    """

    url: str
    baud: int = 9600
    usb_serial: str = ""
    parity: str = "N"


@dataclass(frozen=True, slots=True, kw_only=True)
class TextFormat:
    """How the lines of an instrument are read.

    Attributes:
        channels: Key of the line's field (`t1`) to channel of the contract.
        unit: Unit of fields that name none: `C`, `F`, `K`, `mV`, or that of the channel.
        pattern: Pattern for the whole line in place of the default grammar.
        thermocouple: Type letter, for fields in millivolts.
        reference_junction: °C, or the key of the field that measures it.
    """

    channels: Mapping[str, str]
    unit: str = ""
    pattern: re.Pattern[str] | None = None
    thermocouple: str = ""
    reference_junction: float | str = 0.0


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


def read_instruments(table: TomlTable) -> list[InstrumentSpec]:
    """Return the instruments of bench.toml; what is wrong with them is among the table's faults."""
    parts = table.tables("instrument", mend="Write [[instrument]].")
    specs = [_instrument(part) for part in parts]
    _note_twice(table, [spec.id for spec in specs], "id", "Give each instrument an id of its own.")
    channels = [channel for spec in specs for channel in spec.format.channels.values()]
    _note_twice(table, channels, "channel", "Number the second one, as in plate_2_temp_c.")
    return specs


def _note_twice(table: TomlTable, names: Sequence[str], what: str, mend: str) -> None:
    for name in dict.fromkeys(name for name in names if name and names.count(name) > 1):
        table.faults.add("instrument", f"the {what} {shown(name)} is given twice", mend)


def _instrument(part: TomlTable) -> InstrumentSpec:
    protocol = part.choice("protocol", PROTOCOLS) or "text"
    channels = _channels(part)
    spec = InstrumentSpec(
        id=_required(part, "id"),
        protocol=protocol,
        address=PortAddress(
            url=_required(part, "url"),
            baud=part.whole("baud", mend="Write the instrument's speed.", minimum=50, maximum=4_000_000) or 9600,
            usb_serial=_line(part, "usb_serial"),
            parity=part.choice("parity", ("N", "E", "O")) or "N",
        ),
        format=TextFormat(
            channels=channels,
            unit=_choice_or_blank(part, "unit", _UNITS),
            pattern=_pattern(part, channels),
            thermocouple=_choice_or_blank(part, "thermocouple", tuple(TYPES)),
            reference_junction=_reference(part),
        ),
        query=_line(part, "query"),
        query_period_s=part.number("query_period_s", mend="Write seconds.", minimum=0.05, maximum=3600) or 1.0,
        unit_address=part.whole("address", mend="Write the Modbus address.", maximum=247) or 1,
        registers=_registers(part, channels) if protocol == "modbus" else _unread_registers(part),
    )
    part.done()
    return spec


def _required(part: TomlTable, key: str) -> str:
    if not part.has(key):
        part.fault(f"{key} is missing", "Write it as text; `verifyrig setup` can ask for it.")
    return part.text(key, mend="Write it in quotation marks.") or ""


def _line(part: TomlTable, key: str) -> str:
    return part.text(key, mend="Write it in quotation marks.", shortest=0) or ""


def _choice_or_blank(part: TomlTable, key: str, allowed: Sequence[str]) -> str:
    if part.values.get(key) == "":
        return _line(part, key)
    return part.choice(key, allowed) or ""


def _channels(part: TomlTable) -> dict[str, str]:
    table = part.table("channels", mend=_CHANNELS_MEND)
    if table is None or not table.values:
        if table is not None or not part.has("channels"):
            part.fault("channels is missing or empty", _CHANNELS_MEND)
        return {}
    found = {}
    for key in table.values:
        channel = table.take(key)
        if isinstance(channel, str) and is_channel(channel):
            found[key] = channel
        else:
            table.fault(f"{key} is {shown(channel)}, which is no channel name", "Use one such as plate_temp_c.")
    return found


def _pattern(part: TomlTable, channels: Mapping[str, str]) -> re.Pattern[str] | None:
    text = _line(part, "pattern")
    if not text:
        return None
    try:
        pattern = re.compile(text)
    except (re.error, RecursionError, OverflowError) as error:
        part.fault(f"pattern is no regular expression ({error})", "Mend the expression.")
        return None
    absent = [key for key in channels if key not in pattern.groupindex]
    if absent:
        part.fault(f"pattern has no group {shown(absent[0])}", f"Name the number's place (?P<{absent[0]}>...).")
        return None
    return pattern


def _reference(part: TomlTable) -> float | str:
    if isinstance(part.values.get("reference_junction"), str):
        return _line(part, "reference_junction")
    mend = "Write its temperature in °C, or the key of the field that measures it."
    return part.number("reference_junction", mend=mend, minimum=-40, maximum=100) or 0.0


def _registers(part: TomlTable, channels: Mapping[str, str]) -> dict[str, Register]:
    table = part.table("registers", mend=_REGISTERS_MEND)
    if table is None:
        if not part.has("registers"):
            part.fault("registers is missing", _REGISTERS_MEND)
        return {}
    for key in channels:
        if not table.has(key):
            table.fault(f"{key} is missing", "Name the register of each key of channels.")
    registers = {}
    for key in table.values:
        one = table.table(key, mend="Write it like { register = 0, scale = 0.1 }.")
        if one is not None:
            registers[key] = _register(one)
    return registers


def _unread_registers(part: TomlTable) -> dict[str, Register]:
    """An instrument that was moved to lines of text may keep its registers for the way back."""
    part.take("registers")
    return {}


def _register(one: TomlTable) -> Register:
    if not one.has("register"):
        one.fault("register is missing", "Write its address, 0 to 65535.")
    number = one.whole("register", mend="Write its address.", minimum=0, maximum=65535)
    signed = one.flag("signed", mend="Write true or false.") if one.has("signed") else True
    register = Register(
        register=number or 0,
        kind=one.choice("kind", ("input", "holding")) or "input",
        scale=_scale(one),
        signed=signed,
    )
    one.done()
    return register


def _scale(one: TomlTable) -> float:
    scale = one.number("scale", mend="Write the factor from count to unit.", minimum=-1e6, maximum=1e6)
    return 1.0 if scale is None else scale


def parse_instruments(config: Mapping[str, Any]) -> list[InstrumentSpec]:
    """Return the instruments of bench.toml, given as nested dictionaries.

    Raises:
        BenchError: A table lacks something or holds something that cannot be.
    """
    faults = Faults(origin="bench.toml")
    specs = read_instruments(TomlTable(values=dict(config), path="", faults=faults))
    raise_all(faults, BenchError)
    return specs
