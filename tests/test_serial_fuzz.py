"""No stream of bytes makes the reader give a value that was not sent. 10 000 streams: benchmark `serial-fuzz`."""

from __future__ import annotations

import random

import pytest

from tests.serial_fuzz import (
    STYLES,
    Reader,
    Stream,
    at_another_speed,
    count_given,
    make_stream,
    values_of,
    wrong_values,
)
from verifyrig.bench.instruments import TextFormat
from verifyrig.core.errors import SensorError
from verifyrig.sensors.serial_decoder import TextDecoder

SEED = 4_100


@pytest.mark.parametrize("block", range(10))
def test_no_wrong_value_is_ever_ok(block: int) -> None:
    for seed in range(SEED + 30 * block, SEED + 30 * block + 30):
        assert wrong_values(make_stream(seed)) == [], f"seed {seed}"


def test_most_streams_still_give_most_of_their_readings() -> None:
    streams = [make_stream(seed) for seed in range(SEED, SEED + 30)]
    assert sum(count_given(stream) > len(stream.sent) / 2 for stream in streams) > 25


@pytest.mark.parametrize("style", sorted(STYLES))
def test_a_sound_stream_is_read_from_its_third_line_on(style: str) -> None:
    stream = Stream(style)
    for i in range(20):
        message = STYLES[style](22.0 + i / 10)
        stream.pieces.append((float(i), message))
    assert count_given(stream) >= 17


@pytest.mark.parametrize("style", sorted(STYLES))
def test_a_line_cut_at_any_byte_and_followed_by_another_gives_no_wrong_value(style: str) -> None:
    whole = [STYLES[style](c) for c in (22.0, 22.1, 22.2, 22.3)]
    said = [values_of(style, message)["t1"] for message in whole]
    for cut in range(1, len(whole[2])):
        reader = Reader(style)
        reader.take(1.0, b"x\n" + whole[0] + whole[1] + whole[2][:cut] + whole[3])
        values = [value for _, key, value in reader.sample(1.0) if key == "t1"]
        # With all but the last byte of its two-byte line end the cut line is whole.
        allowed = said if b"\r" in whole[2][:cut] else [said[0], said[1], said[3]]
        assert values and values[0] in allowed, f"cut at {cut}: {values}"


def test_bytes_at_another_speed_are_others() -> None:
    assert at_another_speed(b"25.5\n", 1.0) == b"25.5\n"
    assert at_another_speed(b"25.5\n", 2.0) != b"25.5\n"
    assert at_another_speed(b"25.5\n" * 20, 12.0).count(b"5") == 0


def test_random_bytes_never_crash_and_never_become_a_reading() -> None:
    dice = random.Random(SEED)
    decoder = TextDecoder(where="probe", format=TextFormat(channels={"t1": "plate_temp_c"}))
    decoder.opened(0.0)
    for i in range(2000):
        decoder.feed(dice.randbytes(dice.randint(0, 80)), i * 0.1)
        with pytest.raises(SensorError):
            decoder.reading("t1", i * 0.1)
