"""Units that a log names in its head, below it or behind its numbers are converted, or the log is refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.test_unit_heads import read
from verifyrig.commands import cli
from verifyrig.core.errors import ImportFault, UsageError
from verifyrig.files.units import unit_in_head
from verifyrig.runs.import_words import parse_channel_word


def test_a_unit_of_another_quantity_on_the_command_line_is_told_with_those_that_fit() -> None:
    with pytest.raises(UsageError) as caught:
        parse_channel_word("die_temp_c=x:rpm")
    assert "celsius" in caught.value.mend and "rpm" not in caught.value.mend


def test_a_row_of_units_below_the_head_counts() -> None:
    samples = read("Temp", "212", "32", below="s;°F\n")
    assert samples.columns["die_temp_c"].tolist() == pytest.approx([100.0, 0.0], abs=1e-9)
    assert samples.t_s.tolist() == [0, 1] and samples.units == {"die_temp_c": "°F"} and samples.left_out == ()
    with pytest.raises(ImportFault, match="row below the head names 'hPa'"):
        read("Temp", "50", below="s;hPa\n")
    with pytest.raises(ImportFault, match=r"'°C' and '°F' at once"):
        read("Temp [°C]", "50", below="s;°F\n")


def test_command_line_and_head_must_agree() -> None:
    assert read("Temp [°F]", "212", unit=":F").columns["die_temp_c"][0] == pytest.approx(100.0)
    with pytest.raises(ImportFault, match=r"'°C' and '°F' at once.*Leave the unit out of --channel, or mend the head"):
        read("Temp [°F]", "50", unit=":°C")
    # What somebody says decides where the head names something that is no unit of the channel.
    assert read("Temp [A]", "50", unit=":°C").columns["die_temp_c"][0] == 50
    with pytest.raises(ImportFault, match="behind the number"):
        read("Temp [°F]", "50 °C")


@pytest.mark.parametrize(
    ("channel", "cells", "others"),
    [
        ("die_temp_c", ("45250", "46000", "45"), "m°C"),
        ("die_temp_c", ("318.15", "319.2"), "K"),
        ("package_power_w", ("65250", "66000"), "mW"),
        ("rail_12v_v", ("11975", "12010"), "mV"),
        ("core_clock_mhz", ("4.2", "3.9", "0"), "GHz"),
        ("core_clock_mhz", ("4200000", "800000"), "kHz"),
    ],
)
def test_readings_that_cannot_be_in_the_unit_that_nobody_told_are_refused(
    channel: str, cells: tuple[str, ...], others: str
) -> None:
    with pytest.raises(ImportFault) as caught:
        read("reading", *cells, channel=channel)
    assert "nothing gives their unit" in caught.value.what and others in caught.value.mend


def test_single_odd_readings_refuse_nothing() -> None:
    assert len(read("reading", "45", "46", "-273.15", "47").t_s) == 4


NUMBER = st.floats(-50.0, 140.0).map(lambda value: round(value, 3))


@given(values=st.lists(NUMBER, min_size=1, max_size=20))
def test_a_series_written_in_any_unit_of_temperature_is_read_back_the_same(values: list[float]) -> None:
    written = {
        "T [°C]": [f"{value:.6f}" for value in values],
        "T [°F]": [f"{value * 1.8 + 32:.6f}" for value in values],
        "T [K]": [f"{value + 273.15:.6f}" for value in values],
        "T [m°C]": [f"{value * 1000:.3f}" for value in values],
        "T [0.1 K]": [f"{(value + 273.15) * 10:.5f}" for value in values],
    }
    for head, cells in written.items():
        assert read(head, *cells).columns["die_temp_c"].tolist() == pytest.approx(values, abs=1e-5)
        if head == "T [0.1 K]":
            continue  # nobody writes that behind a number
        with_units = [f"{cell} {head[3:-1]}" for cell in cells]
        assert read("T", *with_units).columns["die_temp_c"].tolist() == pytest.approx(values, abs=1e-5)


@given(name=st.text(max_size=30), others=st.lists(st.text(max_size=10), max_size=3))
def test_no_head_breaks_it(name: str, others: list[str]) -> None:
    try:
        unit_in_head(name, "temperature", tuple(others))
    except ValueError as odd:
        assert str(odd)


def test_the_answer_names_units_and_what_was_assumed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Seen as it came: `Temp [°F]` was read as °C, `Power (mW)` as W."""
    rows = "".join(f"{at},{100 + at},{6308 + at},{900}\n" for at in range(30))
    (tmp_path / "log.csv").write_text("t,Temp [°F],Power (mW),fan\n" + rows, encoding="utf-8")
    words = ["--channel", "die_temp_c=Temp [°F]", "--channel", "package_power_w=Power (mW)"]
    words += ["--channel", "cpu_fan_speed_rpm=fan", "--stage", "load=0:", "--bench", str(tmp_path), "--json"]
    assert cli.run(["import", str(tmp_path / "log.csv"), "--time", "t", *words]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["imported"]["units"] == {"die_temp_c": "°F", "package_power_w": "mW"}
    assert answer["imported"]["units_assumed"] == ["cpu_fan_speed_rpm"]
    assert answer["metrics"]["load.die_temp_c.peak"]["value"] == pytest.approx((129 - 32) / 1.8, abs=1e-4)
    assert answer["metrics"]["load.package_power_w.mean"]["value"] == pytest.approx(6.3225, abs=1e-6)
