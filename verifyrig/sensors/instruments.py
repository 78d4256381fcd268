"""The serial instruments of bench.toml as running sensors."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from verifyrig.bench.instruments import InstrumentSpec, parse_instruments
from verifyrig.core.channels import quantity_of, unit_of
from verifyrig.core.errors import SensorError, SerialError
from verifyrig.core.interfaces import ChannelInfo, Taken
from verifyrig.sensors.ages import boot_time_s
from verifyrig.sensors.serial_decoder import NOT_OPENED, TextDecoder
from verifyrig.sensors.serial_port import PortThread, TextConversation

# An instrument that sends once a second has its second whole line after three.
FIRST_VALUE_S = 4.0


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
        """Stop reading and close the port."""
        self._thread.close()


class InstrumentSensor:
    """One channel of an instrument. The instrument is released with its last channel."""

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
        """Release the channel; the last one closes the port."""
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
