"""Finds serial probes and which of them is which: listens to a port, and finds the one that was warmed in a hand."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from verifyrig.bench.instruments import PortAddress
from verifyrig.core.errors import SerialError
from verifyrig.sensors.serial_port import listed_adapters, open_port
from verifyrig.sensors.serial_text import Field, LineSplitter, parse_line

BAUDS = (9600, 115200, 19200, 38400)
LISTEN_S = 3.0
WARMED_K = 2.0
_LOWEST_C, _HIGHEST_C = -55.0, 400.0
_TO_CELSIUS: dict[str, Callable[[float], float]] = {
    "": lambda value: value,
    "C": lambda value: value,
    "F": lambda value: (value - 32) / 1.8,
    "K": lambda value: value - 273.15,
}

Listen = Callable[[str, int, float], dict[str, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundProbe:
    """An instrument that sends temperatures as lines of text.

    Attributes:
        readings: Newest temperature, °C, by the key of its field.
    """

    url: str
    baud: int
    readings: Mapping[str, float]


def ports() -> list[str]:
    """Return the serial adapters that the system lists now."""
    return sorted(adapter.device for adapter in listed_adapters())


def find_probe(url: str, listen: Listen | None = None) -> FoundProbe:
    """Return the instrument at a port, tried at the usual speeds.

    Raises:
        SerialError: The port cannot be opened, or no line with a temperature comes from it.
    """
    hear = listen or listen_for
    for baud in BAUDS:
        readings = hear(url, baud, LISTEN_S)
        if readings:
            return FoundProbe(url=url, baud=baud, readings=readings)
        if "://" in url:
            break
    raise SerialError(
        "no line with a temperature comes from it",
        where=url,
        mend="Switch the instrument on; one that answers only when asked needs `query` in bench.toml.",
    )


def listen_for(url: str, baud: int, seconds: float) -> dict[str, float]:
    """Return the newest temperature of each key, °C, that came within some seconds; empty where none did.

    Raises:
        SerialError: The port cannot be opened, or is lost.
    """
    newest: dict[str, float] = {}
    splitter = LineSplitter()
    end_s = time.monotonic() + seconds
    with contextlib.closing(open_port(PortAddress(url=url, baud=baud), url)) as port:
        while time.monotonic() < end_s:
            try:
                data = port.read(4096 if "://" in url else max(1, port.in_waiting))
            except OSError as error:
                raise SerialError(f"the connection was lost ({error})", where=url, mend="Plug it in again.") from error
            for line in splitter.feed(data):
                newest |= temperatures(line)
    return newest


def temperatures(line: str) -> dict[str, float]:
    """Return the temperatures of one line by key, °C; fields without a name are t1, t2, ... in their order."""
    fields = parse_line(line)
    if not isinstance(fields, list):
        return {}
    found = {}
    for n, field in enumerate(fields, start=1):
        value = _celsius(field)
        if value is not None:
            found[field.name.lower() or f"t{n}"] = value
    return found


def _celsius(field: Field) -> float | None:
    convert = _TO_CELSIUS.get(field.unit)
    value = convert(float(field.number)) if convert is not None else None
    return value if value is not None and _LOWEST_C <= value <= _HIGHEST_C else None


def warmed(before: Mapping[str, float], now: Mapping[str, float]) -> str | None:
    """Return the key of the one probe that was warmed, None while that is not clear.

    It must have risen by 2 K, and by twice as much as any other.
    """
    rises = sorted(((now[key] - before[key], key) for key in before if key in now), reverse=True)
    if not rises or rises[0][0] < WARMED_K:
        return None
    if len(rises) > 1 and rises[0][0] < 2 * rises[1][0]:
        return None
    return rises[0][1]
