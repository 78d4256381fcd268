"""The talk of a calibration, what it writes, and what the bench then reads. The fit itself: test_calibration.py."""

from __future__ import annotations

import json
import random
import tomllib
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from tests.sensor_tree import chip, lay
from tests.shape_of_json import misfits
from verifyrig.bench.folder import read_config
from verifyrig.commands import calibrate as calibrate_command
from verifyrig.commands.calibrate import BenchProbes
from verifyrig.commands.cli import run
from verifyrig.commands.contract import CalibrateObject
from verifyrig.core.errors import BenchError, SensorError
from verifyrig.dialogs.calibrate_flow import CalibrationOutcome, calibrate
from verifyrig.dialogs.prompt import Option
from verifyrig.sensors.bank import open_bank
from verifyrig.sensors.find import find_sensors
from verifyrig.sensors.roles import assign

TODAY = date(2026, 3, 1)


class Person:
    """Answers in order; moves the bath when told to, as a person does between two points."""

    def __init__(self, answers: Sequence[str], bench: Bench) -> None:
        self.answers = list(answers)
        self.bench = bench
        self.heard: list[str] = []

    def say(self, text: str = "") -> None:
        self.heard.append(text)

    def choose(self, question: str, options: Sequence[Option], default: str = "") -> str:
        self.heard.append(question)
        if question.startswith(("Is the probe", "Are both", "Do they")):
            self.bench.next_place()
            return "y"
        answer = self.answers.pop(0)
        assert answer in {option.key for option in options}, question
        return answer

    def row(self, question: str, rows: Sequence[str]) -> int:
        raise AssertionError(f"no list is expected: {question}")

    def line(self, question: str, default: str = "", typed: str = "") -> str:
        self.heard.append(question)
        if question.startswith("What does the reference"):
            return f"{self.bench.bath_c:.2f}".replace(".", ",")
        return self.answers.pop(0)


class Bench:
    """Probes with a known error in baths of known temperature, on a time of its own."""

    def __init__(self, baths_c: Sequence[float], *, drift_k_per_s: float = 0.0, second: float | None = None) -> None:
        self.baths_c = list(baths_c)
        self.bath_c = 24.0
        self.drift = drift_k_per_s
        self.second = second
        self.t_s = 0.0
        self.dice = random.Random(3)

    def next_place(self) -> None:
        self.bath_c = self.baths_c.pop(0)

    def channels(self) -> list[str]:
        return ["plate_temp_c"] if self.second is None else ["plate_temp_c", "ambient_temp_c"]

    def read(self, channel: str) -> float:
        true_c = self.bath_c + self.drift * self.t_s
        error_k = 0.5 + 0.01 * true_c if channel == "plate_temp_c" else self.second or 0.0
        return round(true_c + error_k + self.dice.gauss(0, 0.03), 2)

    def resolution_k(self, channel: str) -> float:
        return 0.01

    def now_s(self) -> float:
        return self.t_s

    def sleep(self, seconds: float) -> None:
        self.t_s += seconds


def talk(bench: Bench, *answers: str) -> tuple[CalibrationOutcome | None, Person]:
    person = Person(answers, bench)
    return calibrate(person, bench, TODAY), person


def correction_at(outcome: CalibrationOutcome, reading_c: float) -> float:
    values = outcome.values
    slope, at_c = float(values.get("correction_slope", 0.0)), float(values.get("correction_at", 0.0))
    return float(values["correction"]) + slope * (reading_c - at_c)


def test_ice_gives_the_offset_at_zero_and_an_honest_uncertainty_elsewhere() -> None:
    outcome, person = talk(Bench([0.0]), "i", "y")
    assert outcome is not None
    assert outcome.values["correction"] == pytest.approx(-0.5, abs=0.03)
    assert outcome.values["correction_slope"] == 0.0
    # The probe's gain error of 1 % is not seen in ice: at 60 °C it reads 1.1 K too high, and is corrected by 0.5 K.
    u95_k = outcome.values["expanded_uncertainty"]
    assert isinstance(u95_k, float)
    assert 0.6 < u95_k < 1.2
    assert (outcome.values["calibrated"], outcome.values["due"]) == (TODAY, date(2027, 3, 1))
    assert any("nothing of the gain" in text for text in person.heard)
    assert any("away from mains" in text for text in person.heard)


def test_three_temperatures_against_a_reference_give_the_line() -> None:
    outcome, _ = talk(Bench([5.0, 40.0, 70.0]), "r", "0.1", "y", "y", "n", "y")
    assert outcome is not None
    for true_c in (5.0, 40.0, 60.0):
        reading_c = 1.01 * true_c + 0.5
        u95_k = outcome.values["expanded_uncertainty"]
        assert isinstance(u95_k, float)
        assert abs(reading_c + correction_at(outcome, reading_c) - true_c) < u95_k
        assert u95_k < 0.25
    assert outcome.values["points_reference_c"] == [5.0, 40.0, 70.0]
    assert len(outcome.values["points_residual_k"]) == 3


def test_a_point_that_does_not_stand_still_is_left_out() -> None:
    outcome, person = talk(Bench([40.0], drift_k_per_s=0.01), "r", "0.1", "n")
    assert outcome is None
    assert any("did not stand still" in text for text in person.heard)


def test_nothing_is_written_where_the_person_says_no() -> None:
    assert talk(Bench([0.0]), "i", "n")[0] is None


def test_two_probes_in_the_same_air_are_matched() -> None:
    bench = Bench([20.0], second=0.1)
    outcome, person = talk(bench, "plate_temp_c", "m", "y")
    assert outcome is not None
    assert outcome.values["correction"] == pytest.approx(0.1 - 0.7, abs=0.02)
    assert outcome.values["matched_to"] == "ambient_temp_c"
    assert any("a difference" in text for text in person.heard)


def test_without_a_probe_there_is_nothing_to_calibrate() -> None:
    bench = Bench([])
    bench.channels = list  # type: ignore[method-assign]
    with pytest.raises(SensorError, match="no temperature can be read"):
        talk(bench)


BEFORE = """\
# the shop's own words
[shop]
name = "Invented Repairs"

[channel.plate_temp_c]  # the thin probe
source = "28-0000"
correction = 9.9
due = 2024-05-01

[report]
paper = "A4"
"""


def write(path: Path, values: Mapping[str, Any]) -> dict[str, Any]:
    """Write what a calibration found, as the command does; return the file's data."""
    calibrate_command._write(path, "plate_temp_c", values)
    return tomllib.loads(path.read_text(encoding="utf-8"))


def test_the_file_keeps_what_others_wrote_with_their_comments(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(BEFORE, encoding="utf-8")
    values: dict[str, Any] = {
        "correction": -0.5,
        "calibrated": TODAY,
        "points_reading_c": [0.5, 41.0],
        "reference": "ice bath",
    }
    data = write(path, values)
    text = path.read_text(encoding="utf-8")
    assert "# the shop's own words" in text
    assert "# the thin probe" in text
    assert data["report"] == {"paper": "A4"}
    # An older calibration's keys are replaced or go; the source stays.
    assert data["channel"]["plate_temp_c"] == {"source": "28-0000", **values}


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("", ""),
        ("[shop]\nname = 'x'", "[shop]"),
        ('channel.plate_temp_c = { source = "y", correction = 1 } # thin\n', "# thin"),
    ],
)
def test_a_table_that_is_new_or_written_inline_is_set_all_the_same(tmp_path: Path, text: str, kept: str) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    assert write(path, {"correction": -0.5})["channel"]["plate_temp_c"]["correction"] == -0.5
    assert kept in path.read_text(encoding="utf-8")


def test_a_file_that_is_no_toml_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text("[shop\n")
    with pytest.raises(BenchError, match="not valid TOML"):
        write(path, {"correction": 1.0})
    assert path.read_text() == "[shop\n"
    assert list(tmp_path.iterdir()) == [path]


def probe_tree(root: Path, temp_mc: int) -> Path:
    return lay(root, chip(0, "w1_slave_temp", "w1/28-01", temp1_input=temp_mc, temp1_label="plate"))


def test_the_bench_reads_along_the_line_that_was_written(tmp_path: Path) -> None:
    root = probe_tree(tmp_path / "m", 60_000)
    outcome, _ = talk(Bench([5.0, 40.0, 70.0]), "r", "0.1", "y", "y", "n", "y")
    assert outcome is not None
    path = tmp_path / "bench.toml"
    write(path, outcome.values)
    bank = open_bank(root, read_config(path))
    value = bank.sample(0.0, load_share=0.0)["plate_temp_c"].value
    assert value == pytest.approx((60.0 - 0.5) / 1.01, abs=0.1)
    assert bank.infos["plate_temp_c"].expanded_uncertainty == outcome.values["expanded_uncertainty"]
    bank.close()


def test_while_calibrating_the_old_correction_is_off(tmp_path: Path) -> None:
    root = probe_tree(tmp_path / "m", 60_000)
    config = {"channel": {"plate_temp_c": {"correction": -5.0, "source": "plate"}}}
    probes = BenchProbes(root, config)
    assert probes.channels() == ["plate_temp_c"]
    assert probes.read("plate_temp_c") == 60.0
    probes.close()


class TimedProbes(BenchProbes):
    """The probes of a tree, on a time of its own."""

    t_s = 0.0

    def now_s(self) -> float:
        return self.t_s

    def sleep(self, seconds: float) -> None:
        self.t_s += seconds


def test_a_probe_in_ice_is_believed_though_it_is_colder_than_the_room(tmp_path: Path) -> None:
    root = probe_tree(tmp_path / "m", 250)
    lay(root, chip(1, "w1_slave_temp", "w1/28-02", temp1_input=22_500, temp1_label="room"))
    probes = TimedProbes(root, {"channel": {"plate_temp_c": {"source": "plate"}}})
    assert "ambient_temp_c" in probes.channels()
    person = Person(["plate_temp_c", "i", "y"], Bench([0.0]))
    outcome = calibrate(person, probes, TODAY)
    probes.close()
    # Ice and water are at 0 °C: what the probe shows there is its error.
    assert outcome is not None and outcome.values["correction"] == pytest.approx(-0.25, abs=0.001)


@pytest.mark.parametrize(
    ("today", "u95_k", "says"),
    [(date(2027, 3, 1), 0.3, False), (date(2028, 3, 1), 0.6, True), (date(2030, 3, 2), 1.2, True)],
)
def test_an_overdue_calibration_is_worth_less_and_says_so(
    tmp_path: Path, today: date, u95_k: float, says: bool
) -> None:
    # Own rule: after each further whole interval the uncertainty grows by its own size.
    table = {"expanded_uncertainty": 0.3, "calibrated": TODAY, "due": date(2027, 3, 1)}
    infos = [sensor.info for sensor in find_sensors(probe_tree(tmp_path, 60_000))]
    (info,) = assign(infos, {"channel": {"plate_temp_c": table}}, today=today)
    assert info.expanded_uncertainty == pytest.approx(u95_k, rel=0.01)
    assert ("was due on 2027-03-01" in info.note) is says


def test_without_a_terminal_the_command_says_what_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["calibrate", "--json"]) == 2
    assert "nobody can be asked" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("baths_c", "second", "answers"), [([0.0], None, ("i", "y")), ([], 0.2, ("plate_temp_c", "m", "y"))]
)
def test_what_is_printed_is_what_its_type_says(
    tmp_path: Path, baths_c: list[float], second: float | None, answers: tuple[str, ...]
) -> None:
    outcome, _ = talk(Bench([*baths_c, 24.0], second=second), *answers)
    assert outcome is not None
    printed = json.loads(json.dumps(calibrate_command.object_of(tmp_path / "bench.toml", outcome)))
    assert list(misfits(printed, CalibrateObject)) == []
    assert printed["calibrated"] == TODAY.isoformat() and printed["correction"] == outcome.values["correction"]
    assert list(misfits(calibrate_command.object_of(None, None), CalibrateObject)) == []
