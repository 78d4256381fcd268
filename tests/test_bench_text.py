"""bench.toml is checked as a whole: every fault at once, with file, key path and what was expected."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from verifyrig.bench.folder import find_bench
from verifyrig.commands.cli import run
from verifyrig.core.errors import BenchError

# The example of the contract, with every key that it and the README show.
GOOD = """
house = "another tool's own key"

[shop]
name = "Bench"
operator = "N. Bench"
address = "Lane 1"
logo = ""

[report]
language = "de"
paper = "a4"
temperature_unit = "°F"
time_zone = "Asia/Tokyo"
terms = ""
templates = "paper"

[[instrument]]
id = "probe"
url = "/dev/ttyUSB0"
protocol = "text"
baud = 9600
query = ""
channels = { t1 = "plate_temp_c" }

[[instrument]]
id = "bus"
url = "/dev/ttyUSB1"
protocol = "modbus"
address = 3
channels = { a = "ambient_temp_c" }
registers = { a = { register = 0, scale = 0.1, signed = false } }

[channel.plate_temp_c]
source = "text:probe:t1"
correction = -0.4
expanded_uncertainty = 0.3
calibrated = 2026-03-01
due = "2027-03-01"

[board."Invented Boards IB-1"]
case_fan_speed_rpm = "nct6775:devices/platform/nct.656:fan1"

[gpu]
card = "0"

[autostart]
profile = "build"
wait_s = 0

[rig_check]
golden = ["gold-1"]

[training]
before = "fan-stopped"

[repairs]
colour = "another tool's own table"
"""


def bench_error(tmp_path: Path, toml: str) -> BenchError:
    (tmp_path / "bench.toml").write_text(toml, encoding="utf-8")
    with pytest.raises(BenchError) as caught:
        find_bench(str(tmp_path))
    return caught.value


def test_all_that_the_contract_shows_is_taken_and_other_tools_tables_are_left_alone(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(GOOD, encoding="utf-8")
    config = find_bench(str(tmp_path)).config
    assert config["repairs"] == {"colour": "another tool's own table"}
    assert config["house"] == "another tool's own key"
    assert config["instrument"][1]["registers"]["a"]["scale"] == 0.1


def test_every_fault_is_told_at_once_in_a_line_of_its_own(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    toml = """
[shop]
operater = "N. Bench"
[report]
paper = "A9"
[[instrument]]
url = "/dev/ttyUSB0"
channels = { t1 = "plate" }
[channel.plate_temp_c]
correction = "one"
[autostart]
wait_s = -1
"""
    (tmp_path / "bench.toml").write_text(toml, encoding="utf-8")
    assert run(["runs", "--bench", str(tmp_path)]) == 2
    lines = capsys.readouterr().err.splitlines()
    file = str(tmp_path / "bench.toml")
    expected = (
        ("shop", "'operater' is not a key known here", "Did you mean operator?"),
        ("report", "paper is 'A9', and must be one of A4, Letter", ""),
        ("instrument[1].channels", "t1 is 'plate', which is no channel name", ""),
        ("instrument[1]", "id is missing", ""),
        ("channel.plate_temp_c", "correction is 'one', and must be a number", ""),
        ("autostart", "profile is missing", ""),
        ("autostart", "wait_s is -1, and must be at least 0", ""),
    )
    for path, what, mend in expected:
        assert any(line.startswith(f"{file}, {path}: {what}") and mend in line for line in lines), (path, what)
    assert len(lines) == 1 + len(expected)


def test_json_tells_them_all_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "bench.toml").write_text('[shop]\ncolour = "x"\n[gpu]\ncard = 3\n', encoding="utf-8")
    assert run(["runs", "--bench", str(tmp_path), "--json"]) == 2
    error = json.loads(capsys.readouterr().out)["error"]
    assert set(error) == {"what", "where", "mend"}
    told = " ".join(error.values())
    assert "'colour' is not a key known here" in told and "card is 3, and must be a text" in told


@pytest.mark.parametrize(
    ("toml", "says"),
    [
        ("shop = 3", "shop is 3, and must be a table"),
        ("instrument = {}", "instrument is {}, and must be an array of tables"),
        ("[channel]\nplate_temp_c = 3", "plate_temp_c is 3, and must be a table"),
        ("[channel.plate_temp]\nsource = 'x'", r"channel.plate_temp: this is no channel name"),
        ("[channel.plate_temp_c]\ncalibrated = 2026-03-01\ndue = 2026-02-01", "due 2026-02-01 is not after"),
        ("[channel.plate_temp_c]\ncalibrated = 'soon'", "calibrated is 'soon', and must be a date"),
        ("[channel.plate_temp_c]\nexpanded_uncertainty = nan", "must be a number"),
        ('[board."B"]\nfan = "x"', "'fan' is no channel name"),
        ("[autostart]\nprofile = '--yes'", "must not begin with '-'"),
        ("[rig_check]\ngolden = 'gold-1'", "golden is 'gold-1', and must be a list of texts"),
        ("[report]\ntemperature_unit = 'K'", "temperature_unit is 'K', and must be one of °C, °F"),
    ],
)
def test_what_cannot_be_is_named_with_what_was_expected(tmp_path: Path, toml: str, says: str) -> None:
    assert says in str(bench_error(tmp_path, toml))


@pytest.mark.parametrize(
    ("name", "near"), [("shops", "shop"), ("Report", "report"), ("instruments", "instrument"), ("chanel", "channel")]
)
def test_a_table_that_is_nearly_one_of_ours_is_taken_for_a_slip(tmp_path: Path, name: str, near: str) -> None:
    assert f"'{name}' is not a table known here. Did you mean {near}?" in str(bench_error(tmp_path, f"[{name}]\n"))


@pytest.mark.parametrize("name", ["till", "repairs", "stock", "x-note", "printer", "tool"])
def test_a_table_of_another_tool_is_no_fault(tmp_path: Path, name: str) -> None:
    (tmp_path / "bench.toml").write_text(f"[{name}]\nany = 1\n", encoding="utf-8")
    assert find_bench(str(tmp_path)).config == {name: {"any": 1}}


@pytest.mark.parametrize("text", ["[shop", "a = " + "[" * 5000, "\ufeff\ufeff=", "a = 1\na = 2"])
def test_what_is_no_toml_is_one_fault(tmp_path: Path, text: str) -> None:
    error = bench_error(tmp_path, text)
    assert "not valid TOML" in str(error) or "nested too deep" in str(error)
    assert "\n" not in str(error)
