"""Sensors of a board's management controller: the specification's formula, and records fetched in pieces."""

from __future__ import annotations

import math
from typing import Any

import pytest

from verifyrig.sensors.ipmi import ControllerSensor, info_of, records
from verifyrig.sensors.ipmi_records import parse_record, reading_byte


def record(
    *,
    unit: int = 1,
    m: int = 1,
    b: int = 0,
    r: int = 0,
    k: int = 0,
    form: int = 0,
    function: int = 0,
    name: str = "CPU Temp",
) -> bytes:
    """Return a full sensor record, laid out as IPMI v2.0 table 43-1 has it (from memory)."""
    body = bytearray(48)
    body[0:5] = (0x01, 0x00, 0x51, 0x01, 48 + len(name) - 5)
    body[7], body[8] = 0x30, 0x03
    body[18] = 0x10  # the upper critical limit is readable
    body[20], body[21], body[23] = form << 6, unit, function
    body[24], body[25] = m & 0xFF, (m & 0x300) >> 2
    body[26], body[27] = b & 0xFF, (b & 0x300) >> 2
    body[29] = (r & 0xF) << 4 | (k & 0xF)
    body[37] = 95
    body[47] = 0xC0 | len(name)
    return bytes(body) + name.encode()


# IPMI v2.0, section 36.3: y = L[(M x + B 10^K1) 10^K2]; the right-hand sides are that formula by hand.
@pytest.mark.parametrize(
    ("settings", "raw", "expected"),
    [
        ({}, 42, 42.0),
        ({"m": 63, "r": -3, "unit": 4}, 190, 11.97),  # a 12 V rail in steps of 63 mV
        ({"m": 75, "unit": 18}, 20, 1500.0),
        ({"m": 1, "b": -64}, 100, 36.0),  # B is a 10-bit two's complement
        ({"m": -1, "b": 2, "k": 2}, 50, 150.0),  # (-50 + 2 x 100) x 1
        ({"m": 5, "b": 3, "k": -1, "r": 1}, 7, 353.0),  # (35 + 0.3) x 10
        ({"form": 2}, 0xF6, -10.0),  # the reading itself in two's complement
        ({"form": 1}, 0xF5, -10.0),  # in one's complement
        ({"function": 7, "m": 2}, 50, 0.01),
        ({"function": 8}, 9, 81.0),
        ({"function": 11}, 27, 3.0),
        ({"function": 2, "m": 10}, 10, 2.0),
    ],
)
def test_a_reading_is_converted_by_the_specifications_formula(
    settings: dict[str, Any], raw: int, expected: float
) -> None:
    found = parse_record(record(**settings))
    assert found is not None
    assert found.value(raw) == pytest.approx(expected, rel=1e-12)


def test_where_the_function_has_no_value_there_is_none() -> None:
    found = parse_record(record(function=1))
    assert found is not None and found.value(0) is None  # the logarithm of nothing
    assert found.value(1) == pytest.approx(math.log(1))


@pytest.mark.parametrize(
    "data",
    [record()[:40], record(form=3), record(unit=0), record(function=0x70), bytes([*record()[:3], 0x02, *record()[4:]])],
    ids=["cut short", "no analog reading", "no unit", "a maker's own function", "a compact record"],
)
def test_what_is_no_sensor_with_a_quantity_is_left_alone(data: bytes) -> None:
    assert parse_record(data) is None


def test_a_reading_that_the_controller_calls_unavailable_is_none() -> None:
    # Section 35.14, byte 3 of the answer: bit 6 scanning enabled, bit 5 reading unavailable.
    assert reading_byte(bytes([42, 0xC0])) == 42
    assert reading_byte(bytes([42, 0xE0])) is None
    assert reading_byte(bytes([42, 0x00])) is None
    assert reading_byte(b"\x2a") is None


class FakeController:
    """Answers the three commands; whatever else is asked fails the test."""

    def __init__(self, *held: bytes) -> None:
        self.held = held
        self.closed = 0

    def ask(self, netfn: int, command: int, data: bytes = b"", lun: int = 0) -> bytes:
        if (netfn, command) == (0x0A, 0x22):
            return b"\x34\x12"
        if (netfn, command) == (0x0A, 0x23):
            number, offset, wanted = int.from_bytes(data[2:4], "little"), data[4], data[5]
            assert data[:2] == b"\x34\x12"
            following = number + 1 if number + 1 < len(self.held) else 0xFFFF
            return following.to_bytes(2, "little") + self.held[number][offset : offset + wanted]
        assert (netfn, command) == (0x04, 0x2D) and data == b"\x30", "a command that may change something"
        return bytes([57, 0xC0, 0x00])

    def share(self) -> FakeController:
        return self

    def close(self) -> None:
        self.closed += 1


def test_records_are_fetched_in_pieces_and_only_reading_commands_are_sent() -> None:
    controller: Any = FakeController(record(), bytes([0, 0, 0x51, 0x12, 3, 1, 2, 3]), record(unit=18, name="FAN1"))
    found = records(controller)
    assert [(one.name, one.unit) for one in found] == [("CPU Temp", "°C"), ("FAN1", "rpm")]
    sensor = ControllerSensor(controller, found[0])
    assert sensor.read().value == 57.0
    assert (sensor.info.limit, sensor.info.driver, sensor.info.quantity) == (95.0, "ipmi", "temperature")
    assert info_of(found[1]).limit is None
