"""Thermal zones of Windows, from output composed here by the documented fields of the two CIM classes.

No recording of a real Windows machine was at hand; what PowerShell writes for one, several and no objects
(object, list, null) is from memory of ConvertTo-Json.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import pytest

from verifyrig.core.errors import SensorError
from verifyrig.sensors import psutil_sensors, windows_zones
from verifyrig.sensors.windows_zones import Zone, parse_line

COUNTER = {
    "Name": "\\_TZ.TZ00",
    "Temperature": 301,
    "HighPrecisionTemperature": 3012,
    "PercentPassiveLimit": 100,
    "ThrottleReasons": 0,
}
ACPI = {"InstanceName": "ACPI\\ThermalZone\\TZ00_0", "CurrentTemperature": 3012, "CriticalTripPoint": 3932}


def line(counters: object, acpi: object) -> str:
    return json.dumps({"counters": counters, "acpi": acpi})


def test_both_classes_are_read_in_kelvin() -> None:
    # 301.2 K = 28.05 °C; 393.2 K = 120.05 °C (0 °C = 273.15 K).
    counter, acpi = parse_line(line(COUNTER, ACPI)) or []
    assert (counter.kind, counter.name, counter.temp_c, counter.passive_share) == ("counter", "\\_TZ.TZ00", 28.05, 1.0)
    assert (acpi.kind, acpi.temp_c, acpi.limit_c) == ("acpi", 28.05, 120.05)


@pytest.mark.parametrize(
    ("counters", "acpi", "count"),
    [(None, None, 0), ([], None, 0), (COUNTER, None, 1), ([COUNTER, COUNTER | {"Name": "b"}], ACPI, 3), ("x", 3, 0)],
)
def test_one_several_and_no_zones_are_told_apart(counters: object, acpi: object, count: int) -> None:
    assert len(parse_line(line(counters, acpi)) or []) == count


@pytest.mark.parametrize(
    ("change", "temp_c"),
    [
        ({"HighPrecisionTemperature": 0}, 27.85),
        ({"HighPrecisionTemperature": None}, 27.85),
        ({"HighPrecisionTemperature": 0, "Temperature": 0}, None),
        ({"HighPrecisionTemperature": "3012"}, 28.05),
        ({"HighPrecisionTemperature": "n/a", "Temperature": None}, None),
        ({"HighPrecisionTemperature": True, "Temperature": 301}, 27.85),
    ],
)
def test_an_empty_field_is_no_temperature(change: dict[str, object], temp_c: float | None) -> None:
    (zone,) = parse_line(line(COUNTER | change, None)) or []
    assert zone.temp_c == temp_c


@pytest.mark.parametrize("text", ["", "Get-CimInstance : Access denied", "[1, 2]", "{", "\ufeff"])
def test_what_is_no_answer_is_passed_over(text: str) -> None:
    assert parse_line(text) is None


def test_a_mark_of_byte_order_before_the_answer_does_no_harm() -> None:
    assert parse_line("\ufeff" + line(COUNTER, None)) == [
        Zone(kind="counter", name="\\_TZ.TZ00", temp_c=28.05, passive_share=1.0)
    ]


def test_a_limit_that_was_never_set_is_none() -> None:
    (zone,) = parse_line(line(None, ACPI | {"CriticalTripPoint": 65535})) or []
    assert zone.limit_c is None


def speaker(*lines: str, then: str = "time.sleep(60)") -> list[str]:
    """Return a command that says these lines as PowerShell would, then waits."""
    code = f"import time\nfor line in {list(lines)!r}:\n    print(line, flush=True)\n{then}\n"
    return [sys.executable, "-c", code]


def test_a_following_thread_gives_the_last_value_with_its_age() -> None:
    words = [line(COUNTER, None), line(COUNTER | {"HighPrecisionTemperature": 3112}, None)]
    (sensor,) = windows_zones.find(speaker("noise", *words), platform="win32")
    end_s = time.monotonic() + 20
    while sensor.read().value != 38.05:
        assert time.monotonic() < end_s
        time.sleep(0.01)
    assert sensor.read().age_s < 20
    assert sensor.info.channel is None
    assert "not the die" in sensor.info.note
    sensor.close()
    sensor.close()


def test_once_the_process_ended_there_is_no_reading() -> None:
    (sensor,) = windows_zones.find(speaker(line(COUNTER, None), then=""), platform="win32")
    end_s = time.monotonic() + 20
    with pytest.raises(SensorError, match="no longer reports"):
        while time.monotonic() < end_s:
            sensor.read()
            time.sleep(0.01)
    sensor.close()


def test_nothing_is_asked_where_there_is_nothing_to_ask() -> None:
    assert windows_zones.find(platform="linux") == []
    assert windows_zones.find(["no-such-program-here"], platform="win32") == []
    assert windows_zones.find(speaker(line(None, None)), platform="win32") == []


def test_what_psutil_gives_is_taken_only_where_nothing_better_is_there() -> None:
    here = Path("/")
    labels = {sensor.info.label for sensor in psutil_sensors.find(here, have=())}
    assert "all processors" in labels
    labels = {sensor.info.label for sensor in psutil_sensors.find(here, have=("procstat", "cpufreq"))}
    assert labels == {"memory in use"}


def test_psutil_says_nothing_of_another_root(tmp_path: Path) -> None:
    assert psutil_sensors.find(tmp_path, have=()) == []


def test_a_figure_that_the_system_refuses_is_a_missing_reading() -> None:
    sensor = next(s for s in psutil_sensors.find(Path("/"), have=()) if s.info.label == "memory in use")
    assert 0.0 < sensor.read().value <= 1.0

    def refuse() -> float:
        raise NotImplementedError("not here")

    with pytest.raises(SensorError, match="not here"):
        psutil_sensors.PsutilSensor(sensor.info, refuse).read()
