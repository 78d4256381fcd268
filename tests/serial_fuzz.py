"""Seeded streams of serial thermometers that go wrong in the ways of the field, and what the reader makes of them.

The truth of each stream is known: every value that was sent whole, with its time. A value that the reader
gives as `ok` must be one of them.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from verifyrig.bench.instruments import TextFormat
from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Taken
from verifyrig.sensors.quality import ChannelJudge
from verifyrig.sensors.serial_decoder import TextDecoder
from verifyrig.sensors.step_watch import StepWatch

STALE_AFTER_S = 3.0

# How instruments write a temperature (common practice, no source; the third is NR3 of IEEE 488.2): each takes °C.
STYLES: dict[str, Callable[[float], bytes]] = {
    "plain": lambda c: b"%.2f\r\n" % c,
    "named": lambda c: b"T1=%.1f C\n" % c,
    "scientific": lambda c: b"%+.6E\n" % c,
    "fahrenheit": lambda c: b"t1: %.1f F\r\n" % (c * 1.8 + 32),
    "two columns": lambda c: b"%.2f,%.2f\n" % (c, c - 11.0),
}
EVENTS = (
    "silence",
    "garbage",
    "wrong speed",
    "cut and pause",
    "cut and go on",
    "unplug",
    "two at once",
    "flood",
    "nul bytes",
    "not converted",
    "endless line",
    "no end of line",
)


@dataclass
class Stream:
    """What happens over time: (time, bytes) pieces, or ("unplug"/"plug", time); and what was sent whole."""

    style: str
    pieces: list[tuple[float, bytes | str]] = field(default_factory=list)
    sent: list[tuple[float, dict[str, float]]] = field(default_factory=list)


def at_another_speed(data: bytes, ratio: float) -> bytes:
    """Return the bytes that a receiver sees whose bit time is `1/ratio` of the sender's: 8 data bits, no parity."""
    levels = [bit for byte in data for bit in (0, *((byte >> k) & 1 for k in range(8)), 1)] + [1] * 4
    seen = bytearray()
    place = 0.0
    while int(place) < len(levels):
        if levels[int(place)]:
            place += 0.25 / max(ratio, 1.0)
            continue
        bits = [_level(levels, place + (k + 1.5) / ratio) for k in range(8)]
        seen.append(sum(bit << k for k, bit in enumerate(bits)))
        place += 9.5 / ratio
    return bytes(seen)


def _level(levels: list[int], place: float) -> int:
    return levels[int(place)] if int(place) < len(levels) else 1


def make_stream(seed: int) -> Stream:
    """Return one stream of a probe that warms up or rests, hit by one to three kinds of fault."""
    dice = random.Random(seed)
    stream = Stream(dice.choice(list(STYLES)))
    kinds = dice.sample(EVENTS, dice.randint(1, 3))
    period_s = dice.choice((0.05, 0.2, 0.5, 1.0))
    level_c, rise_k, tau_s = dice.uniform(14, 40), dice.uniform(0, 50), dice.uniform(5, 60)
    t_s = 0.0
    for _ in range(dice.randint(40, 160)):
        t_s += period_s
        temp_c = level_c + rise_k * (1 - math.exp(-t_s / tau_s)) + dice.gauss(0, 0.05)
        message = STYLES[stream.style](temp_c)
        if dice.random() < 0.15:
            t_s = _go_wrong(dice.choice(kinds), message, t_s, stream, dice)
        else:
            _send(stream, t_s, message, dice)
    return stream


def _send(stream: Stream, t_s: float, message: bytes, dice: random.Random) -> None:
    """Send a message whole, in one or two pieces within a few milliseconds."""
    stream.sent.append((t_s, values_of(stream.style, message)))
    cut = dice.randint(0, len(message)) if dice.random() < 0.3 else 0
    stream.pieces += [(t_s, message[:cut]), (t_s + 0.005, message[cut:])]


def values_of(style: str, message: bytes) -> dict[str, float]:
    """Return the °C of each key that a whole message says, with its rounding."""
    texts = [part.split("=")[-1].split(":")[-1].strip(" CF") for part in message.decode().strip().split(",")]
    numbers = [(float(text) - 32.0) / 1.8 if style == "fahrenheit" else float(text) for text in texts]
    return {f"t{n}": number for n, number in enumerate(numbers, start=1)}


def _go_wrong(kind: str, message: bytes, t_s: float, stream: Stream, dice: random.Random) -> float:
    put = stream.pieces.append
    cut = dice.randint(1, len(message) - 1)
    if b"\r" in message[:cut] and kind in ("cut and pause", "cut and go on", "unplug", "nul bytes"):
        stream.sent.append((t_s, values_of(stream.style, message)))  # all but the last byte of a line end: it is whole
    if kind == "silence":
        return t_s + dice.uniform(0.5, 8)
    if kind == "garbage":
        put((t_s, dice.randbytes(dice.randint(1, 60))))
    elif kind == "wrong speed":
        put((t_s, at_another_speed(message * 4, dice.choice((0.5, 2.0, 12.0, 1 / 12, 1.5)))))
    elif kind == "cut and pause":
        put((t_s, message[:cut]))
        return t_s + dice.uniform(0.3, 3)
    elif kind == "cut and go on":
        put((t_s, message[:cut]))
    elif kind == "unplug":
        put((t_s, message[:cut]))
        put((t_s + 0.01, "unplug"))
        t_s += dice.uniform(0.5, 5)
        put((t_s, "plug"))
        put((t_s + 0.01, message[cut:]))
    elif kind == "two at once":
        stream.sent.append((t_s, values_of(stream.style, message)))
        put((t_s, message * 2))
    elif kind == "flood":
        stream.sent.append((t_s, values_of(stream.style, message)))
        put((t_s, message * dice.randint(500, 3000)))
    elif kind == "nul bytes":
        put((t_s, message[:cut] + b"\0" * dice.randint(1, 4) + message[cut:]))
    elif kind == "not converted":
        # A code that the truth happens to be near is believed; it is then wrong by less than this.
        codes = [c for c in (0.0, 85.0, -127.0) if abs(c - values_of(stream.style, message)["t1"]) > 5.0]
        code = STYLES[stream.style](dice.choice(codes))
        stream.sent.append((t_s, {k: v for k, v in values_of(stream.style, code).items() if k != "t1"}))
        put((t_s, code * dice.randint(1, 6)))
    elif kind == "endless line":
        put((t_s, dice.choice((b"8", b"1.5", b"\xff")) * 5000))
    elif kind == "no end of line":
        put((t_s, message.rstrip()))
    return t_s


def format_of(style: str) -> TextFormat:
    """Return how a bench.toml would describe the instrument."""
    channels = {"t1": "plate_temp_c", "t2": "inlet_temp_c"} if style == "two columns" else {"t1": "plate_temp_c"}
    return TextFormat(channels=channels)


def _judge(channel: str) -> ChannelJudge:
    info = ChannelInfo(
        channel=channel,
        label="probe",
        device=f"text:probe:{channel}",
        source="x",
        quantity="temperature",
        unit="°C",
        driver="text",
    )
    return ChannelJudge(info, stale_after_s=STALE_AFTER_S)


class Reader:
    """The way of a reading from the bytes to the bank, on times of the stream's own."""

    def __init__(self, style: str) -> None:
        self.format = format_of(style)
        self.decoder = TextDecoder(where="probe", format=self.format)
        self.decoder.opened(0.0)
        self._judges = {key: _judge(channel) for key, channel in self.format.channels.items()}

    def take(self, t_s: float, piece: bytes | str) -> None:
        """Take bytes, or that the line was unplugged or plugged in."""
        if piece == "unplug":
            self.decoder.lost("unplugged")
        elif piece == "plug":
            self.decoder.opened(t_s)
        elif isinstance(piece, bytes):
            self.decoder.feed(piece, t_s)

    def sample(self, now_s: float) -> Iterator[tuple[float, str, float]]:
        """Yield time, key and value of each channel that is `ok` now."""
        for key, judge in self._judges.items():
            taken: Taken | SensorError
            try:
                taken = self.decoder.reading(key, now_s)
            except SensorError as error:
                taken = error
            reading = judge.judge(now_s, taken, StepWatch())
            if reading.ok and reading.value is not None:
                yield now_s, key, reading.value


def given(stream: Stream, *, every_s: float = 0.25) -> Iterator[tuple[float, str, float]]:
    """Yield time, key and value of every reading that sampling takes as `ok`."""
    reader, now_s = Reader(stream.style), 0.0
    for t_s, piece in stream.pieces:
        while now_s + every_s < t_s:
            now_s += every_s
            yield from reader.sample(now_s)
        reader.take(t_s, piece)
        now_s = max(now_s, t_s)
        yield from reader.sample(now_s)


def wrong_values(stream: Stream) -> list[tuple[float, str, float]]:
    """Return the `ok` readings that no whole message of the last seconds said."""
    return [reading for reading in given(stream) if not _was_said(stream, *reading)]


def _was_said(stream: Stream, now_s: float, key: str, value: float) -> bool:
    for t_s, said in reversed(stream.sent):
        if t_s < now_s - STALE_AFTER_S - 0.1:
            return False
        if t_s <= now_s + 0.01 and key in said and abs(value - said[key]) < 1e-6:
            return True
    return False


def count_given(stream: Stream) -> int:
    """Return how many times the first channel was `ok`: a reader that believes nothing would never be wrong."""
    return sum(1 for _, key, _ in given(stream) if key == "t1")
