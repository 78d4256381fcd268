"""`verifyrig setup`: bench.toml keeps what others wrote; probes are found and told apart by a warm hand."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.fake_asker import FakeAsker
from verifyrig.bench.folder import find_bench
from verifyrig.bench.instruments import parse_instruments
from verifyrig.commands import Context
from verifyrig.commands import setup as setup_command
from verifyrig.commands.cli import run
from verifyrig.commands.parsers import command_parser
from verifyrig.commands.setup import changed_settings
from verifyrig.core.errors import SerialError
from verifyrig.files.time_zone import system_zone_name
from verifyrig.sensors.probe_finder import find_probe, listen_for, temperatures, warmed

FOREIGN = """\
# ours since 2019
other = "kept"   # by another tool

[shop]
name = "Old name"   # over the door
address = "Lane 1"

[till]
colour = "green"

[channel.plate_temp_c]
correction = -0.4
calibrated = 2026-03-01

[[instrument]]
id = "meter"
url = "/dev/ttyUSB7"
channels = { w = "wall_power_w" }
"""


@pytest.fixture(autouse=True)
def no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)


def by_keys(bench: Path, asker: FakeAsker) -> dict[str, Any]:
    parser, _ = command_parser("setup")
    answer = setup_command.execute(parser.parse_args([]), Context(bench=find_bench(str(bench))), asker)
    assert answer.code == 0
    return tomllib.loads((bench / "bench.toml").read_text(encoding="utf-8"))


# ---- the text of bench.toml


def test_what_others_wrote_stays_with_its_comments() -> None:
    text = changed_settings(FOREIGN, {("shop", "name"): 'The "New" Bench', ("report", "paper"): "Letter"})
    for line in (
        "# ours since 2019",
        'other = "kept"   # by another tool',
        'colour = "green"',
        "calibrated = 2026-03-01",
    ):
        assert line in text
    assert "   # over the door" in text
    data = tomllib.loads(text)
    assert data["shop"] == {"name": 'The "New" Bench', "address": "Lane 1"}
    assert data["report"] == {"paper": "Letter"}


def test_an_instrument_is_added_or_replaced_by_its_id() -> None:
    probe = {"id": "probe", "url": "/dev/ttyUSB0", "protocol": "text", "baud": 9600, "channels": {"t1": "plate_temp_c"}}
    first = changed_settings(FOREIGN, {}, [probe])
    assert "# ours since 2019" in first
    data = tomllib.loads(first)
    assert [one["id"] for one in data["instrument"]] == ["meter", "probe"]
    assert [spec.id for spec in parse_instruments(data)] == ["meter", "probe"]
    again = changed_settings(first, {}, [{**probe, "url": "COM3"}])
    assert [one["url"] for one in tomllib.loads(again)["instrument"]] == ["/dev/ttyUSB7", "COM3"]


# ---- the command


def test_settings_by_flags(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "bench.toml").write_text(FOREIGN, encoding="utf-8")
    words = ["setup", "--bench", str(tmp_path), "--shop", "Bench", "--operator", "N. Bench", "--temperature-unit", "°F"]
    assert run([*words, "--probe", "COM3", "--channel", "t1=plate_temp_c", "--json"]) == 0
    out = json.loads(capsys.readouterr().out)
    data = tomllib.loads((tmp_path / "bench.toml").read_text(encoding="utf-8"))
    assert out["schema"] == 1 and out["settings"]["shop"] == data["shop"]
    assert data["shop"] == {"name": "Bench", "operator": "N. Bench", "address": "Lane 1"}
    assert data["till"] == {"colour": "green"} and data["other"] == "kept"
    assert data["report"] == {"temperature_unit": "°F"} and data["channel"]["plate_temp_c"]["correction"] == -0.4
    assert data["instrument"][1]["channels"] == {"t1": "plate_temp_c"}


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["--language", "tlh"],
        ["--paper", "A0"],
        ["--time-zone", "Nowhere/At all"],
        ["--time-zone", "../../etc/passwd"],
        ["--channel", "t1=plate_temp_c"],
        ["--probe", "COM3"],
        ["--probe", "COM3", "--channel", "t1=plate"],
        ["--probe", "COM3", "--channel", "plate_temp_c"],
    ],
)
def test_wrong_words_end_with_2_and_write_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    assert run(["setup", "--bench", str(tmp_path), *words]) == 2
    assert capsys.readouterr().err.count("\n") == 1 and list(tmp_path.iterdir()) == []


def test_settings_that_would_clash_are_refused_and_the_file_stays(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "bench.toml").write_text(FOREIGN, encoding="utf-8")
    words = ["setup", "--bench", str(tmp_path), "--probe", "COM3", "--channel", "t1=wall_power_w"]
    assert run(words) == 2
    assert "the channel 'wall_power_w' is given twice" in capsys.readouterr().err
    assert (tmp_path / "bench.toml").read_text(encoding="utf-8") == FOREIGN


def test_a_bench_toml_that_is_no_toml_is_not_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "bench.toml").write_text("[shop\n", encoding="utf-8")
    assert run(["setup", "--bench", str(tmp_path), "--shop", "x"]) == 2
    assert "bench.toml" in capsys.readouterr().err
    assert (tmp_path / "bench.toml").read_text(encoding="utf-8") == "[shop\n"


def test_everything_is_asked_once_and_offered_the_second_time(tmp_path: Path) -> None:
    first = FakeAsker(
        "Bench", "N. Bench", "Lane 1", "01 23", "", "", "2", "", "Nowhere/At all", "Asia/Tokyo", "None.", "n", "n"
    )
    data = by_keys(tmp_path, first)
    assert first.answers == []
    assert data["shop"] == {"name": "Bench", "operator": "N. Bench", "address": "Lane 1", "phone": "01 23"}
    rest = {"time_zone": "Asia/Tokyo", "terms": "None."}
    assert data["report"] == {"language": "en", "paper": "Letter", "temperature_unit": "°C", **rest}
    again = by_keys(tmp_path, FakeAsker("", "", "Lane 2", "", "", "", "", "", "", "", "n", "n"))
    assert again["shop"]["name"] == "Bench" and again["shop"]["address"] == "Lane 2"
    assert again["report"] == data["report"]


def test_the_zone_offered_is_the_computers_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # tzset(3): TZ names a file of the zone database, perhaps behind a colon; localtime(5): /etc/localtime links to one.
    monkeypatch.setenv("TZ", ":Asia/Tokyo")
    assert system_zone_name() == "Asia/Tokyo"
    monkeypatch.delenv("TZ")
    link = tmp_path / "localtime"
    link.symlink_to("/usr/share/zoneinfo/Europe/Berlin")
    assert system_zone_name(link) == "Europe/Berlin"
    assert system_zone_name(tmp_path / "none") == "UTC"


# ---- probes


@pytest.mark.parametrize(
    ("line", "readings"),
    [
        ("T1=22.5 C T2=23.1 C", {"t1": 22.5, "t2": 23.1}),
        ("22.5,23.1", {"t1": 22.5, "t2": 23.1}),
        ("temp: 72.5 F", {"temp": 22.5}),
        ("300.15 K", {"t1": 27.0}),
        ("12.1 V", {}),
        ("T1=1370.0 C", {}),
        ("OPEN", {}),
        ("ready.", {}),
        ("\x1b[2J", {}),
    ],
)
def test_temperatures_of_a_line(line: str, readings: dict[str, float]) -> None:
    assert temperatures(line) == pytest.approx(readings)


def test_the_warm_hand_is_told_only_when_it_is_plain() -> None:
    rest = {"t1": 22.0, "t2": 22.0}
    assert warmed(rest, {"t1": 24.5, "t2": 22.1}) == "t1"
    assert warmed(rest, {"t1": 23.5, "t2": 22.0}) is None
    assert warmed(rest, {"t1": 26.0, "t2": 25.0}) is None
    assert warmed(rest, {"t2": 25.0}) == "t2"
    assert warmed(rest, {}) is None and warmed({}, rest) is None


@pytest.fixture
def thermometer(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """A simulated thermometer with two sensors on a pseudo-terminal, and the file that the second one shows."""
    if sys.platform == "win32":
        pytest.skip("no pseudo-terminals there")
    link, files = tmp_path / "port", [tmp_path / "a", tmp_path / "b"]
    for file in files:
        file.write_text("22000\n", encoding="ascii")
    words = [sys.executable, "-m", "mock_hw", "thermometer", "--url", f"pty:{link}", "--period", "0.1"]
    repo = Path(__file__).resolve().parent.parent
    server = subprocess.Popen(
        [*words, *(word for file in files for word in ("--follow", str(file)))],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, cwd=repo,
    )  # fmt: skip
    assert server.stdout is not None
    try:
        server.stdout.readline()
        yield str(link), files[1]
    finally:
        server.terminate()
        server.wait(timeout=20)
        server.stdout.close()


class WarmHand(FakeAsker):
    """Takes the second probe into its hand when told to."""

    def __init__(self, file: Path, *answers: str) -> None:
        super().__init__(*answers)
        self.file = file

    def say(self, text: str = "") -> None:
        super().say(text)
        if text.startswith("Warm this one"):
            # The first look is two seconds long; the hand is warm from the second on.
            import threading

            threading.Timer(2.5, self.file.write_text, ("27000\n",)).start()


def test_probes_are_found_and_the_warm_one_is_the_plate(thermometer: tuple[str, Path], tmp_path: Path) -> None:
    url, warm_file = thermometer
    bench = tmp_path / "bench"
    bench.mkdir()
    settings_only = ["Bench", "N.", "", "", "", "", "", "", "", "", "n"]
    asker = WarmHand(warm_file, *settings_only, "y", url, "1", "1")
    data = by_keys(bench, asker)
    assert asker.answers == []
    (instrument,) = data["instrument"]
    assert instrument["channels"] == {"t2": "plate_temp_c", "t1": "ambient_temp_c"}
    assert instrument["url"] == url and instrument["baud"] == 9600
    assert parse_instruments(data)[0].format.channels["t2"] == "plate_temp_c"


def test_a_port_without_a_thermometer_is_asked_again_and_the_rest_is_kept(tmp_path: Path) -> None:
    asker = FakeAsker("Bench", "N.", "", "", "", "", "", "", "", "", "n", "y", "/dev/no-such-port", "")
    data = by_keys(tmp_path, asker)
    assert "instrument" not in data and data["shop"]["name"] == "Bench"
    assert any("no such port" in text for text in asker.said)


def test_silence_at_every_speed_is_an_error_with_a_remedy() -> None:
    tried: list[int] = []

    def silent(url: str, baud: int, seconds: float) -> dict[str, float]:
        tried.append(baud)
        return {"t1": 22.0} if baud == 115200 and url == "/dev/b" else {}

    with pytest.raises(SerialError, match="no line with a temperature"):
        find_probe("/dev/a", silent)
    assert tried == [9600, 115200, 19200, 38400]
    assert find_probe("/dev/b", silent).baud == 115200
    with pytest.raises(SerialError):
        listen_for("/dev/no-such-port", 9600, 0.1)
