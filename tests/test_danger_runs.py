"""A danger that a person noted: no run that heats the machine, and a running one ends."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from verifyrig.bench.folder import Bench
from verifyrig.commands.cli import run
from verifyrig.jobs.store import open_job

LIFT = ("--lifts", "pack", "--done", "pack taken out, a new one fitted", "--by", "N. Bench")
NOTED = [("pack=swollen", "pack"), ("leak=seen", "leak"), ("smell=burnt", "burnt"), ("connector=scorched", "burnt")]
# Quarter pulses only; blind; a load that a person runs on the machine.
GENTLE = """
name = "gentle"
title = "Two short pulses"
[sampling]
period_s = 1.0
[trip]
die_temp_c = { max = 95.0 }
[[stage]]
name = "pulses"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 1, off_s = 5, count = 2, workers = "quarter" }
"""
IDLE = """
name = "rest-only"
title = "Rest"
[sampling]
period_s = 1.0
[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 5
"""


@pytest.fixture(autouse=True)
def no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    (tmp_path / "profiles").mkdir()
    for name, text in (("gentle", GENTLE), ("rest-only", IDLE)):
        (tmp_path / "profiles" / f"{name}.toml").write_text(text, encoding="utf-8")
    return tmp_path


def verifyrig(bench: Path, *words: str) -> int:
    return run([*words, "--bench", str(bench)])


def as_json(capsys: pytest.CaptureFixture[str], bench: Path, *words: str) -> tuple[int, Any]:
    capsys.readouterr()
    code = verifyrig(bench, *words, "--json")
    return code, json.loads(capsys.readouterr().out)


def taken_in(bench: Path, *words: str) -> None:
    assert verifyrig(bench, "job", "open", "--complaint", "hot", "--kind", "laptop", "--by", "N. Bench", *words) == 0


def mock_run(bench: Path, profile: str, *words: str) -> int:
    return verifyrig(bench, "run", profile, "--mock", "healthy-air", "--ambient", "22", *words)


def records(bench: Path) -> list[Path]:
    return sorted(bench.rglob("*.sqlite"))


# ---- no heat


@pytest.mark.parametrize(("word", "code"), NOTED)
@pytest.mark.parametrize("how", ["finding", "intake"])
def test_no_run_heats_once_a_danger_is_noted(
    bench: Path, capsys: pytest.CaptureFixture[str], word: str, code: str, how: str
) -> None:
    taken_in(bench, *(["--answer", word] if how == "intake" else []))
    if how == "finding":
        assert verifyrig(bench, "job", "finding", word) == 0
    capsys.readouterr()
    assert mock_run(bench, "gentle", "--yes") == 3
    said = capsys.readouterr().err
    assert word in said and "nplug" in said and "witch off" in said and "--lifts " + code in said
    assert records(bench) == []


@pytest.mark.parametrize("profile", ["quick-look", "pulses-only", "outside-probe", "desktop-air"])
def test_no_profile_that_loads_is_let_through(bench: Path, profile: str) -> None:
    taken_in(bench)
    assert verifyrig(bench, "job", "finding", "leak=seen") == 0
    assert mock_run(bench, profile, "--yes") == 3
    assert records(bench) == []


def test_the_proof_of_channels_heats_too(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    taken_in(bench)
    assert verifyrig(bench, "job", "finding", "leak=seen") == 0
    capsys.readouterr()
    assert verifyrig(bench, "channels", "--prove") == 3
    assert "leak=seen" in capsys.readouterr().err
    assert verifyrig(bench, "channels") == 0


def test_idle_may_still_be_measured(bench: Path) -> None:
    taken_in(bench)
    assert verifyrig(bench, "job", "finding", "leak=seen") == 0
    assert mock_run(bench, "rest-only") == 4
    assert len(records(bench)) == 1


def test_a_state_of_the_run_is_a_note_too_and_locks_the_job(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    taken_in(bench)
    assert mock_run(bench, "gentle", "--state", "panel=on", "--state", "Smell=Burnt") == 3
    _, data = as_json(capsys, bench, "job", "show")
    assert [danger["code"] for danger in data["dangers"]] == ["burnt"] and records(bench) == []
    assert mock_run(bench, "gentle") == 3
    assert verifyrig(bench, "run", "gentle", "--mock", "healthy-air", "--job", data["job"]) == 3


def test_without_a_job_a_danger_refuses_the_run_at_hand(bench: Path) -> None:
    assert mock_run(bench, "gentle", "--state", "pack=swollen") == 3
    assert records(bench) == [] and mock_run(bench, "gentle") == 4


def test_an_answer_before_the_load_locks_the_job_for_later_runs(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taken_in(bench)
    file = bench / "answers.toml"
    until = datetime.now() + timedelta(hours=5)
    answers = {"leak": "no", "pack": "yes", "burnt": "no", "ground": "yes"}
    lines = ['by = "O. Bench"', 'present = "O. Bench"', f"until = {until:%Y-%m-%dT%H:%M:%S}"]
    file.write_text("\n".join([*lines, *(f'{key} = "{answer}"' for key, answer in answers.items())]))
    assert verifyrig(bench, "run", "gentle", "--attest", str(file), "--yes") == 3
    _, data = as_json(capsys, bench, "job", "show")
    (danger,) = data["dangers"]
    assert (danger["code"], danger["notes"][0]["by"]) == ("pack", "O. Bench")
    # The next file that says "no" lifts nothing.
    file.write_text(file.read_text().replace('pack = "yes"', 'pack = "no"'))
    assert verifyrig(bench, "run", "gentle", "--attest", str(file), "--yes") == 3
    assert records(bench) == []


def test_a_word_that_is_not_known_is_no_state_of_a_run(bench: Path) -> None:
    assert mock_run(bench, "rest-only", "--state", "leak=dripping") == 2


def test_once_a_person_signed_the_machine_runs_again(bench: Path) -> None:
    taken_in(bench)
    assert verifyrig(bench, "job", "finding", "pack=swollen") == 0
    assert mock_run(bench, "gentle") == 3
    assert verifyrig(bench, "job", "change", "part-replaced", "--part", "battery pack", *LIFT) == 0
    assert mock_run(bench, "gentle") == 4


def test_a_machine_that_left_unsafe_comes_back_and_does_not_run(bench: Path) -> None:
    taken_in(bench)
    assert verifyrig(bench, "job", "finding", "pack=swollen") == 0
    assert verifyrig(bench, "job", "close", "--cause", "unknown", "--not-safe", "--override", "taken home") == 4
    job = open_job(Bench(root=bench))
    assert job is not None
    assert verifyrig(bench, "job", "handover", "--to", "A. Customer", "--not-safe") == 4
    assert verifyrig(bench, "job", "open", "--again", job.job_id, "--complaint", "still bulges") == 0
    assert mock_run(bench, "gentle") == 3
