"""Units as the head of a column names them: each name means what it says, or the head is refused."""

from __future__ import annotations

import pytest

from verifyrig.core.channels import quantity_of
from verifyrig.core.errors import ImportFault
from verifyrig.files import units
from verifyrig.files.csv_table import read_table
from verifyrig.files.units import TIME_UNITS_S, fold_unit, time_unit_in_head, unit_in_head, units_for
from verifyrig.runs.csv_import import Imported, samples_of
from verifyrig.runs.import_words import TimeWords, parse_channel_word


def read(
    head: str, *cells: str, channel: str = "die_temp_c", unit: str = "", more: str = "", below: str = ""
) -> Imported:
    word = parse_channel_word(f"{channel}={head}{unit}")
    rows = "".join(f"{at};{cell}\n" for at, cell in enumerate(cells))
    text = f't;"{head}"{more}\n{below}{rows}'
    return samples_of(read_table(text, ["t", word.column], [], "log.csv"), TimeWords(column="t"), [word])


# °F from the ice and steam points 32 and 212, K by definition (SI brochure, 9th edition: 0 °C = 273.15 K); the others
# are decimal prefixes of the SI, per cent, and minutes of 60 s. All cells but the last mean one value in °C, W, V, ...
HEADS = [
    ("die_temp_c", 100.0, ["Temp [°F]", "Temp (F)", "Temp, °F", "cpu_temp_f", "TempF", "T/°F"], "212"),
    ("die_temp_c", 100.0, ["Temp (?F)", "Temp deg F"], "212"),
    ("die_temp_c", 100.0, ["Temp [K]", "temp_K", "Temp in Kelvin"], "373.15"),
    ("die_temp_c", 45.25, ["temp_mC", "Temp [m°C]", "temp1_input (millidegree C)"], "45250"),
    ("die_temp_c", 26.85, ["zone [0.1 K]", "zone (dK)"], "3000"),
    ("die_temp_c", 45.25, ["Temp [°C]", "temperature_C", "Tctl (°C, max)", "temp"], "45.25"),
    ("die_temp_c", 45.25, ["Temp (CPU)", "Core 1", "temp.max"], "45.25"),
    ("package_power_w", 6.308, ["Power (mW)", "power_mw", "Power [milliwatts]"], "6308"),
    ("package_power_w", 1200.0, ["Power/kW", "power [kW]"], "1.2"),
    ("package_power_w", 73.41, ["power.draw [W]", "power_W", "CPU Package Power", "Power 1"], "73.41"),
    ("rail_12v_v", 11.975, ["+12V [mV]", "rail_mv"], "11975"),
    ("rail_12v_v", 11.975, ["+12V", "12V rail (V)"], "11.975"),
    ("core_clock_mhz", 4200.0, ["Clock [GHz]", "clock_ghz", "clock GHZ"], "4.2"),
    ("core_clock_mhz", 4200.0, ["cur_freq (kHz)"], "4200000"),
    ("core_clock_mhz", 4200.0, ["Clock [MHz]", "clocks.sm [mhz]", "Core #1 Clock"], "4200"),
    ("cpu_fan_speed_rpm", 1200.0, ["Fan [1/s]", "fan (Hz)"], "20"),
    ("cpu_fan_speed_rpm", 1200.0, ["Fan [1/min]", "fan_rpm", "Lüfter (U/min)", "fan1/rpm"], "1200"),
    ("busy_share", 0.5, ["utilization [%]", "CPU %", "usage_percent"], "50"),
]  # fmt: skip
CASES = [(channel, head, cell, value) for channel, value, heads, cell in HEADS for head in heads]


@pytest.mark.parametrize(("channel", "head", "cell", "value"), CASES, ids=[case[1] for case in CASES])
def test_a_unit_in_the_head_is_converted(channel: str, head: str, cell: str, value: float) -> None:
    samples = read(head, cell, cell, channel=channel)
    assert samples.columns[channel].tolist() == pytest.approx([value, value], abs=1e-9)


@pytest.mark.parametrize(
    ("channel", "head", "what"),
    [
        ("die_temp_c", "Temp [°R]", "names '°R', which is no unit of a temperature"),
        ("die_temp_c", "Power [W]", "names 'W'"),
        ("die_temp_c", "fan_rpm", "names 'rpm'"),
        ("package_power_w", "Power (dBm)", "names 'dBm'"),
        ("package_power_w", "Energy [Wh]", "names 'Wh'"),
        ("package_power_w", "Power [MW]", "names 'MW'"),
        ("package_power_w", "Current (A)", "names 'A'"),
        ("cpu_fan_speed_rpm", "fan_speed_percent", "names 'percent'"),
        ("die_temp_c", "Temp °F [°C]", "two units"),
    ],
)
def test_a_unit_that_does_not_fit_is_refused_in_one_sentence(channel: str, head: str, what: str) -> None:
    with pytest.raises(ImportFault) as caught:
        read(head, "50", "51", channel=channel)
    assert what in caught.value.what and repr(head) in caught.value.where
    assert caught.value.mend.startswith(f"Name the unit that the cells have, as in --channel {channel}={head}:")


def test_a_letter_at_the_end_that_may_number_a_part_is_no_unit() -> None:
    with pytest.raises(ImportFault, match="may be a unit or a letter of a part"):
        read("temp_f", "50", more=";temp_a;temp_e")
    assert read("temp_f", "212", more=";temp_c").columns["die_temp_c"][0] == pytest.approx(100.0)
    assert read("temp_f", "50", unit=":°C", more=";temp_a").columns["die_temp_c"][0] == 50


def test_a_letter_of_a_part_is_no_unit() -> None:
    assert read("Temp (DIMM F)", "45").columns["die_temp_c"][0] == 45
    assert read("Current limit temp (rail A)", "45").columns["die_temp_c"][0] == 45
    assert read("Temp (in F)", "212").columns["die_temp_c"][0] == pytest.approx(100.0)
    assert read("Temp (deg F, mean)", "212").columns["die_temp_c"][0] == pytest.approx(100.0)
    with pytest.raises(ImportFault, match="may be a unit or a letter of a part"):
        read("DIMM F", "45")
    assert read("DIMM C", "45").columns["die_temp_c"][0] == 45


# Every name with a reading in it and the same in the channel's own unit: prefixes of the SI, per cent, the minute of
# 60 s; kelvin and Fahrenheit by definition (SI brochure, 9th edition).
NAMES = [
    ("die_temp_c", "25", 25.0, "c degc cel celsius degreec degreesc degreescelsius gradc"),
    ("die_temp_c", "25500", 25.5, "mc mdegc millicelsius millidegreec"),
    ("die_temp_c", "255", 25.5, "0.1c 1/10c dc c/10"),
    ("die_temp_c", "77", 25.0, "f degf fahrenheit degreef degreesf degreesfahrenheit"),
    ("die_temp_c", "298.15", 25.0, "k degk kelvin"),
    ("die_temp_c", "298150", 25.0, "mk millikelvin"),
    ("die_temp_c", "2981.5", 25.0, "0.1k 1/10k dk k/10"),
    ("package_power_w", "65.5", 65.5, "w watt watts"),
    ("package_power_w", "65500", 65.5, "mw milliwatt milliwatts"),
    ("package_power_w", "65500000", 65.5, "uw microwatt microwatts µw"),
    ("package_power_w", "0.0655", 65.5, "kw kilowatt kilowatts"),
    ("rail_12v_v", "11.5", 11.5, "v volt volts vdc"),
    ("rail_12v_v", "11500", 11.5, "mv millivolt millivolts"),
    ("rail_12v_v", "11500000", 11.5, "uv microvolt microvolts"),
    ("cpu_fan_speed_rpm", "1200", 1200.0, "rpm 1/min r/min u/min rev/min tr/min min-1 min^-1 revolutions/min"),
    ("cpu_fan_speed_rpm", "1.2", 1200.0, "krpm"),
    ("cpu_fan_speed_rpm", "20", 1200.0, "hz 1/s r/s rps"),
    ("core_clock_mhz", "4200000000", 4200.0, "hz"),
    ("core_clock_mhz", "4200000", 4200.0, "khz"),
    ("core_clock_mhz", "4200", 4200.0, "mhz"),
    ("core_clock_mhz", "4.2", 4200.0, "ghz"),
    ("busy_share", "50", 0.5, "% percent pct prozent"),
    ("busy_share", "500", 0.5, "‰ permille"),
    ("busy_share", "0.5", 0.5, "1"),
    ("work_rate_per_s", "7", 7.0, "1 1/s"),
]


def test_every_name_of_a_unit_means_what_it_says() -> None:
    told: dict[str, set[str]] = {}
    for channel, cell, value, names in NAMES:
        for name in names.split():
            got = read("reading", cell, channel=channel, unit=f":{name}").columns[channel][0]
            assert got == pytest.approx(value, rel=1e-9), name
            told.setdefault(quantity_of(channel), set()).add(fold_unit(name))
    for quantity, names_told in told.items():
        assert set(units_for(quantity)) == names_told  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("names", "length_s"),
    [
        ("s sec secs second seconds sekunden", 1.0),
        ("ms msec millis millisecond milliseconds", 1e-3),
        ("us microseconds", 1e-6),
        ("ns nanoseconds", 1e-9),
        ("min mins minute minutes minuten", 60.0),
        ("h hour hours stunden", 3600.0),
    ],
)
def test_every_name_of_a_unit_of_time_means_what_it_says(names: str, length_s: float) -> None:
    for name in names.split():
        assert TIME_UNITS_S[name] == length_s
        assert time_unit_in_head(f"elapsed [{name}]") == time_unit_in_head(f"elapsed_{name}") == length_s
    assert time_unit_in_head("Time") is None and time_unit_in_head("Time of day") is None


@pytest.mark.parametrize(
    ("plain", "found"),
    [
        ("TF", []),  # two letters may be a part's name
        ("TaF", ["F"]),
        ("milli watts", ["watts"]),
        ("Power milli watts", ["milliwatts"]),
        ("Power of milli watts", ["milliwatts"]),
        ("Power k W", ["W"]),  # one letter before may be a part's
    ],
)
def test_a_unit_at_the_end_may_be_of_two_words(plain: str, found: list[str]) -> None:
    assert units._at_the_end(plain) == found


def test_in_brackets_a_word_of_two_letters_may_be_a_unit_and_a_letter_is_one_after_a_word_of_degrees() -> None:
    assert units._in_brackets("Power [avg mW]") == ["avg", "mW"]
    assert units._in_brackets("Temp [core a, deg F]") == ["core", "deg", "F"]


def test_a_letter_at_the_end_that_is_a_unit_of_something_else_is_a_letter() -> None:
    assert unit_in_head("Core W", "temperature") is None
    with pytest.raises(units.OddUnit, match="mW"):
        unit_in_head("Core mW", "temperature")
