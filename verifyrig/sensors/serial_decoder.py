"""From the bytes of a text instrument to the newest believed value of each key, with its time. Opens nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from verifyrig.bench.instruments import TextFormat
from verifyrig.core.channels import quantity_of
from verifyrig.core.errors import FrameError, SensorError, SerialError
from verifyrig.core.interfaces import Taken
from verifyrig.metrology.thermocouple import OutOfRangeError, temperature_c
from verifyrig.sensors.quality import Implausible
from verifyrig.sensors.serial_filter import (
    GARBAGE_LINES,
    MILLIVOLTS,
    LineFilter,
    SerialFault,
    ValueFilter,
    in_channel_unit,
)
from verifyrig.sensors.serial_text import Field, LineSplitter, parse_line, parse_pattern, select

# No instrument pauses so long within a line: what comes later belongs to another one.
MIDWAY_S = 0.25
NOT_OPENED = "it has not been opened yet"


@dataclass(slots=True)
class _Key:
    """What is known of one key."""

    filter: ValueFilter
    taken: tuple[float, float] | None = None  # value, time
    fault: SerialFault | None = None
    faults: int = 0


@dataclass(slots=True)
class TextDecoder:
    """Follows one instrument; the port's thread feeds it, sampling asks it.

    Attributes:
        where: What the instrument is called in messages.
    """

    where: str
    format: TextFormat
    link_down: str = NOT_OPENED
    _splitter: LineSplitter = field(default_factory=LineSplitter)
    _lines: LineFilter = field(default_factory=LineFilter)
    _keys: dict[str, _Key] = field(default_factory=dict)
    _unfit: int = 0
    _unfit_line: str = ""
    _last_bytes_s: float | None = None
    _opened_s: float = 0.0

    def __post_init__(self) -> None:
        for key, channel in self.format.channels.items():
            self._keys[key] = _Key(ValueFilter(quantity_of(channel)))

    def opened(self, now_s: float) -> None:
        """Note that the port is open; the first fragment after it is dropped."""
        self._splitter = LineSplitter()
        self._lines.garbage = self._unfit = 0
        self._last_bytes_s = None
        self._opened_s = now_s
        self.link_down = ""

    def lost(self, why: str) -> None:
        """Note that the port is gone, and why."""
        self.link_down = why

    def feed(self, data: bytes, now_s: float) -> int:
        """Take bytes that arrived at `now_s` and return how many complete lines they held."""
        if not data:
            return 0
        if self._last_bytes_s is not None and now_s - self._last_bytes_s > MIDWAY_S and self._splitter.is_midway:
            self._splitter.forget()
        self._last_bytes_s = now_s
        too_long = self._splitter.too_long
        lines = self._splitter.feed(data)
        self._lines.garbage += self._splitter.too_long - too_long
        for line in lines:
            self._take_line(line, now_s)
        return len(lines)

    def _take_line(self, line: str, now_s: float) -> None:
        parsed = parse_line(line) if self.format.pattern is None else parse_pattern(line, self.format.pattern)
        fields = self._lines.take(parsed)
        if isinstance(fields, SerialFault):
            return
        chosen = select(fields, [*self.format.channels, *self._reference_keys()])
        chosen = chosen or select(fields, list(self.format.channels))
        if not any(key in chosen for key in self._keys):
            self._unfit += 1
            self._unfit_line = line[:40]
            return
        self._unfit = 0
        for key, state in self._keys.items():
            if key in chosen:
                self._take_value(state, self._convert(chosen[key], chosen, state.filter.quantity), now_s)

    def _reference_keys(self) -> Sequence[str]:
        reference = self.format.reference_junction
        return [reference] if isinstance(reference, str) and reference not in self.format.channels else []

    def _convert(self, sent: Field, chosen: Mapping[str, Field], quantity: str) -> float | SerialFault:
        unit = sent.unit or self.format.unit or ("C" if quantity == "temperature" else "")
        value = float(sent.number)
        if quantity == "temperature" and unit in MILLIVOLTS and self.format.thermocouple:
            return self._from_emf(value * MILLIVOLTS[unit], chosen)
        if abs(value) >= 9.8e37:
            return value
        converted = in_channel_unit(value, unit, quantity)
        return SerialFault.GARBAGE if converted is None else converted

    def _from_emf(self, emf_mv: float, chosen: Mapping[str, Field]) -> float | SerialFault:
        reference = self.format.reference_junction
        junction_c = (
            float(chosen[reference].number) if isinstance(reference, str) and reference in chosen else reference
        )
        if isinstance(junction_c, str):
            return SerialFault.GARBAGE
        try:
            return float(temperature_c(self.format.thermocouple, emf_mv, junction_c))
        except (OutOfRangeError, ValueError):
            return SerialFault.SAID

    def _take_value(self, state: _Key, value: float | SerialFault, now_s: float) -> None:
        result = value if isinstance(value, SerialFault) else state.filter.take(value)
        if isinstance(result, SerialFault):
            state.faults = state.faults + 1 if result is state.fault else 1
            state.fault = result
            return
        state.fault, state.faults = None, 0
        state.taken = (result, now_s)

    def reading(self, key: str, now_s: float) -> Taken:
        """Return the newest believed value of a key with its age.

        Raises:
            SerialError: The port is gone, or nothing complete has come yet.
            FrameError: What comes makes no sense.
            Implausible: Exactly what converters send that did not convert.
            SensorError: The instrument itself says that it has no reading.
        """
        self._raise_state(self._keys[key])
        taken = self._keys[key].taken
        if taken is None:
            raise self._nothing_yet(now_s)
        return Taken(taken[0], max(0.0, now_s - taken[1]))

    def _raise_state(self, state: _Key) -> None:
        if self.link_down:
            raise SerialError(self.link_down, where=self.where, mend="It is opened again as soon as it is back.")
        if self._lines.garbage >= GARBAGE_LINES:
            raise FrameError(
                f"{self._lines.garbage} lines in a row make no sense",
                where=self.where,
                mend="Check the speed (baud) and the line format in bench.toml.",
            )
        if self._unfit >= GARBAGE_LINES and state.taken is None:
            raise FrameError(
                f"no key of channels fits a line such as {self._unfit_line!r}",
                where=self.where,
                mend="Name the keys as the line does, or in its order, or give a pattern in bench.toml.",
            )
        if self._lines.said:
            raise SensorError(
                f"the instrument itself reports {self._lines.said!r}",
                where=self.where,
                mend="Check the probe and its connector.",
            )
        if state.fault is SerialFault.SAID:
            raise SensorError(
                "the instrument sends its code for no reading",
                where=self.where,
                mend="Check the probe and its connector.",
            )
        if state.fault is SerialFault.GARBAGE:
            raise FrameError(
                "the unit of the line does not fit the channel",
                where=self.where,
                mend="Set unit, and the thermocouple type for millivolts, in bench.toml.",
            )
        if state.fault is SerialFault.NOT_CONVERTED:
            raise Implausible(
                "exactly 0 or 85 °C, as converters say when they did not convert",
                where=self.where,
                mend="Check the probe's connection; a true value would come near it in steps.",
            )

    def _nothing_yet(self, now_s: float) -> SerialError:
        if self._last_bytes_s is None:
            silent_s = now_s - self._opened_s
            return SerialError(
                f"it has sent nothing for {silent_s:.0f} s",
                where=self.where,
                mend="Check that it is on, the cable, and whether it answers only to a query.",
            )
        return SerialError(
            "no two complete lines that agree have come yet", where=self.where, mend="Wait a few lines longer."
        )
