"""Lines of serial instruments: which are believed, and which are not."""

from __future__ import annotations

import re

import pytest

from verifyrig.bench.instruments import TextFormat
from verifyrig.core.errors import FrameError, SensorError, SerialError
from verifyrig.sensors.quality import Implausible
from verifyrig.sensors.serial_decoder import TextDecoder
from verifyrig.sensors.serial_filter import SerialFault, ValueFilter, as_celsius
from verifyrig.sensors.serial_text import Field, LineSplitter, Said, parse_line, parse_pattern, select


def numbers(line: str) -> list[float] | None:
    parsed = parse_line(line)
    return [float(field.number) for field in parsed] if isinstance(parsed, list) else None


# IEEE 488.2-1992, 8.7.2 to 8.7.4: NR1, NR2 and NR3, as programming guides of instruments quote them.
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("146", 146.0),
        ("+146", 146.0),
        ("-12345", -12345.0),
        ("12.3", 12.3),
        ("+1.2345", 1.2345),
        ("-0.123", -0.123),
        ("+1.0E-2", 0.01),
        ("-2.3E+4", -23000.0),
        ("4.3E-3", 0.0043),
        ("-8.9456E8", -894560000.0),
        ("123E-5", 0.00123),
    ],
)
def test_numbers_are_read_in_the_forms_of_the_standard(text: str, value: float) -> None:
    assert numbers(text) == [value]


@pytest.mark.parametrize(
    ("line", "fields"),
    [
        ("22.83", [Field("", "22.83", "")]),
        ("22.83 C", [Field("", "22.83", "C")]),
        ("22.83°C", [Field("", "22.83", "C")]),
        ("22.83\ufffdC", [Field("", "22.83", "C")]),
        ("22.83\ufffd\ufffdC", [Field("", "22.83", "C")]),
        ("73.1 deg F", [Field("", "73.1", "F")]),
        ("T=295.98K", [Field("T", "295.98", "K")]),
        ("t1: 22.83 C, t2: 41.00 C", [Field("t1", "22.83", "C"), Field("t2", "41.00", "C")]),
        ("22.83;41.00", [Field("", "22.83", ""), Field("", "41.00", "")]),
        ("22.83 41.00", [Field("", "22.83", ""), Field("", "41.00", "")]),
        ("0.912 mV\t23.1 C", [Field("", "0.912", "mV"), Field("", "23.1", "C")]),
    ],
)
def test_the_whole_line_is_fields_of_name_number_and_unit(line: str, fields: list[Field]) -> None:
    assert parse_line(line) == fields


@pytest.mark.parametrize(
    "line",
    [
        *("22.", ".83", "22..83", "22.83.41", "2 2.8x", "22.83C41", "T=", "hello", "22,83 x", "1e", "--", "+"),
        *("22.83 C!", "\ufffd22.83", "9" * 30),
    ],
)
def test_what_a_cut_or_garbled_line_leaves_is_no_reading(line: str) -> None:
    assert numbers(line) is None


@pytest.mark.parametrize("line", ["OPEN", "Fault: short to GND", "T1 = nan", "ERR 3", "----", "OL", "no probe"])
def test_an_instrument_may_say_itself_that_it_has_no_reading(line: str) -> None:
    assert isinstance(parse_line(line), Said)


def test_garbage_that_holds_such_a_word_is_still_garbage() -> None:
    assert parse_line("\ufffd\ufffd OL \ufffd") is None


def test_a_line_with_a_checksum_counts_only_if_it_is_right() -> None:
    # NMEA 0183: exclusive-or of the characters between $ and *. The sum is worked out by hand: '1'^'2' = 0x03.
    assert numbers("12*03") == [12.0]
    assert numbers("13*03") is None
    assert numbers("$12*03") == [12.0]


def test_a_pattern_names_the_places_of_the_numbers() -> None:
    pattern = re.compile(r"#(?P<t1>[-+.\d]+)(?P<t1_unit>[CF])/(?P<t2>[-+.\d]+)")
    assert parse_pattern("#22.8C/41.0", pattern) == [Field("t1", "22.8", "C"), Field("t2", "41.0", "")]
    assert parse_pattern("#22.8C/41.0 tail", pattern) is None
    assert parse_pattern("#22.8C/4.1.0", pattern) is None


def test_fields_go_to_their_keys_by_name_and_else_by_order() -> None:
    named = [Field("hum", "40", ""), Field("T2", "41.0", ""), Field("t1", "22.8", "")]
    assert {k: f.number for k, f in select(named, ["t1", "t2"]).items()} == {"t1": "22.8", "t2": "41.0"}
    plain = [Field("", "22.8", ""), Field("", "41.0", "")]
    assert {k: f.number for k, f in select(plain, ["a", "b"]).items()} == {"a": "22.8", "b": "41.0"}
    assert select(plain, ["a", "b", "c"]) == {}


def test_a_decimal_comma_is_not_taken_for_two_readings() -> None:
    with pytest.raises(FrameError, match="no key of channels fits a line such as '22,83'"):
        decoder("x\n" + "22,83\n" * 6).reading("t1", 1.0)


@pytest.mark.parametrize("cut", range(1, 14))
def test_a_stream_in_any_two_pieces_gives_the_same_lines(cut: int) -> None:
    stream = b"x\r\n22.83\r\n22.91\r\n"
    splitter = LineSplitter()
    assert splitter.feed(stream[:cut]) + splitter.feed(stream[cut:]) == ["22.83", "22.91"]


@pytest.mark.parametrize("lost", range(1, 6))
def test_the_fragment_before_the_first_line_end_is_dropped(lost: int) -> None:
    assert LineSplitter().feed(b"22.83\n"[lost:] + b"22.91\n") == ["22.91"]


def test_a_line_without_an_end_is_dropped_with_its_rest() -> None:
    splitter = LineSplitter()
    splitter.feed(b"\n" + b"1" * 300)
    assert splitter.feed(b"1.5\n22.83\n") == ["22.83"]
    assert splitter.too_long == 1


def test_of_a_flood_only_the_newest_lines_count() -> None:
    lines = LineSplitter().feed(b"x\n" + b"".join(b"%d\n" % n for n in range(10_000)))
    assert lines[-1] == "9999"
    assert len(lines) == 32


# Fixed points of the scales: ice 0 °C = 32 °F = 273.15 K, steam 100 °C = 212 °F.
@pytest.mark.parametrize(
    ("value", "unit", "temp_c"), [(32.0, "F", 0.0), (212.0, "F", 100.0), (273.15, "K", 0.0), (41.5, "C", 41.5)]
)
def test_scales_are_converted(value: float, unit: str, temp_c: float) -> None:
    assert as_celsius(value, unit) == pytest.approx(temp_c, abs=1e-9)


def taken(values: list[float], quantity: str = "temperature") -> list[float | SerialFault]:
    follower = ValueFilter(quantity)
    return [follower.take(value) for value in values]


def test_the_first_value_waits_for_a_second_that_agrees() -> None:
    assert taken([22.8, 22.9]) == [SerialFault.LEAP, 22.9]
    assert taken([2.8, 22.9, 22.9]) == [SerialFault.LEAP, SerialFault.LEAP, 22.9]


def test_a_lost_leading_digit_is_held_back_and_a_true_leap_believed_at_the_third_line() -> None:
    assert taken([22.8, 22.9, 2.9, 22.9])[2:] == [SerialFault.LEAP, 22.9]
    assert taken([22.8, 22.9, 60.0, 61.0, 62.0])[2:] == [SerialFault.LEAP, SerialFault.LEAP, 62.0]


@pytest.mark.parametrize("code", [0.0, 85.0])
def test_a_code_for_not_converted_is_not_a_temperature(code: float) -> None:
    assert taken([22.8, 22.9] + [code] * 5)[2:] == [SerialFault.NOT_CONVERTED] * 5
    assert taken([code] * 5) == [SerialFault.NOT_CONVERTED] * 5


def test_a_probe_that_comes_near_in_steps_may_read_exactly_zero() -> None:
    assert taken([5.0, 5.0, 2.5, 0.0, 0.0])[2:] == [2.5, 0.0, 0.0]


# SCPI-1999, 7.2.1 (from memory): 9.91E37 is "not a number", ±9.9E37 infinity.
@pytest.mark.parametrize("code", [9.91e37, 9.9e37, -9.9e37, -127.0])
def test_a_code_for_no_reading_is_not_a_value(code: float) -> None:
    assert taken([22.8, 22.9, code])[2] is SerialFault.SAID


def decoder(text: str = "", **options: object) -> TextDecoder:
    channels = {"t1": "plate_temp_c"}
    made = TextDecoder(where="instrument probe", format=TextFormat(channels=channels, **options))  # type: ignore[arg-type]
    made.opened(0.0)
    made.feed(text.encode("utf-8"), 1.0)
    return made


def test_a_reading_comes_with_its_age() -> None:
    assert decoder("x\n22.83\n22.91\n").reading("t1", 3.5) == (22.91, 2.5)


def test_before_anything_came_the_silence_is_said() -> None:
    with pytest.raises(SerialError, match="sent nothing for 7 s"):
        decoder().reading("t1", 7.0)


def test_a_lost_port_gives_no_reading_however_young_the_last_is() -> None:
    device = decoder("x\n22.83\n22.91\n")
    device.lost("the connection broke off")
    with pytest.raises(SerialError, match="broke off"):
        device.reading("t1", 1.1)


def test_after_the_port_came_back_the_first_fragment_is_dropped_again() -> None:
    device = decoder("x\n22.83\n22.91\n")
    device.lost("gone")
    device.opened(5.0)
    device.feed(b"2.83\n22.95\n", 6.0)
    assert device.reading("t1", 6.0) == (22.95, 0.0)


def test_many_lines_without_sense_are_taken_for_a_wrong_speed() -> None:
    device = decoder("x\n22.83\n22.91\n")
    device.feed(b"\xfe\x98\xe6\n" * 5, 2.0)
    with pytest.raises(FrameError, match=r"speed \(baud\)"):
        device.reading("t1", 2.0)
    device.feed(b"22.95\n", 3.0)
    assert device.reading("t1", 3.0).value == 22.95


def test_what_the_instrument_says_of_itself_is_passed_on() -> None:
    device = decoder("x\n22.83\n22.91\nOPEN\n")
    with pytest.raises(SensorError, match="OPEN"):
        device.reading("t1", 1.0)


def test_exactly_zero_is_called_implausible() -> None:
    with pytest.raises(Implausible, match="did not convert"):
        decoder("x\n0.00\n0.00\n0.00\n").reading("t1", 1.0)


def test_a_line_written_another_way_waits_until_it_is_the_rule() -> None:
    device = decoder("x\n99.97\n99.98\n99.9\n")  # a trailing digit lost
    assert device.reading("t1", 1.0).value == 99.98
    device.feed(b"100.1\n100.2\n100.3\n", 2.0)  # the meter changed its range
    assert device.reading("t1", 2.0).value == 100.3


def test_the_rest_of_a_line_that_comes_much_later_is_not_added_to_it() -> None:
    device = decoder("x\n22.83\n22.91\n2")
    device.feed(b"4.10\n22.97\n", 9.0)
    assert device.reading("t1", 9.0).value == 22.97


# NIST Monograph 175, type K: 4.096 mV at 100 °C with the reference junction at 0 °C; 1.000 mV at 25 °C.
def test_millivolts_are_compensated_for_the_reference_junction() -> None:
    fixed = decoder("x\n4.096 mV\n4.096 mV\n", thermocouple="K")
    assert fixed.reading("t1", 1.0).value == pytest.approx(100.0, abs=0.05)
    measured = decoder("x\nt1=3.096 mV, cj=25.0 C\nt1=3.096 mV, cj=25.0 C\n", thermocouple="K", reference_junction="cj")
    assert measured.reading("t1", 1.0).value == pytest.approx(100.0, abs=0.05)


def test_an_instrument_may_send_a_line_for_each_of_its_sensors() -> None:
    device = decoder("x\nT2=41.0 C\nT1=22.8 C\nT2=41.0 C\nT1=22.9 C\nT2=41.1 C\n")
    assert device.reading("t1", 1.0).value == 22.9


def test_another_sensor_of_the_instrument_is_not_taken_for_the_one_asked_for() -> None:
    device = decoder("x\n" + "T2=41.0 C\n" * 6)
    with pytest.raises(FrameError, match=r"T2=41\.0 C"):
        device.reading("t1", 1.0)


def test_millivolts_without_a_type_fit_no_temperature() -> None:
    with pytest.raises(FrameError, match="thermocouple type"):
        decoder("x\n4.096 mV\n4.096 mV\n").reading("t1", 1.0)


def test_an_emf_that_no_thermocouple_gives_is_no_reading() -> None:
    with pytest.raises(SensorError, match="no reading"):
        decoder("x\n99.000 mV\n99.000 mV\n", thermocouple="K").reading("t1", 1.0)


def test_the_unit_of_the_instrument_holds_where_the_line_has_none() -> None:
    assert decoder("x\n212.0\n212.0\n", unit="F").reading("t1", 1.0).value == pytest.approx(100.0)
