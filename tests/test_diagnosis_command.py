"""`verifyrig diagnose` as it is called: the contract's object, exit codes, what it takes without names."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.small_records import write_record
from verifyrig.commands.cli import run
from verifyrig.commands.diagnose import lines_of
from verifyrig.core.contract import CauseObject
from verifyrig.core.outcome import CauseClass
from verifyrig.diagnosis import diagnose
from verifyrig.diagnosis.suspects import CAUSES


def answer(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    code = run([*words, "--json"])
    return code, json.loads(capsys.readouterr().out)


@pytest.fixture
def record(tmp_path: Path) -> Path:
    (tmp_path / "runs").mkdir()
    return write_record(tmp_path / "runs", 1)


def test_the_object_is_the_contracts(tmp_path: Path, record: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, data = answer(capsys, "diagnose", record.stem, "--bench", str(tmp_path))
    assert data["schema"] == 1
    assert code in (0, 4)
    probabilities = [s["probability"] for s in data["suspects"]]
    assert probabilities == sorted(probabilities, reverse=True)
    assert sum(probabilities) == pytest.approx(1.0, abs=0.05)  # suspects below half a per cent are left out
    for suspect in data["suspects"]:
        assert set(suspect) == {"cause", "probability", "for", "against"}
        assert suspect["cause"] in CAUSES
    if data["next_test"] is not None:
        assert set(data["next_test"]) == {"do", "separates", "gain_bits", "minutes", "tools", "outcomes"}
        assert set(data["next_test"]["separates"]) <= set(CAUSES)


def test_the_code_says_whether_a_suspect_is_clear(
    tmp_path: Path, record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, data = answer(capsys, "diagnose", str(record), "--bench", str(tmp_path))
    lead = data["suspects"][0]
    clear = lead["probability"] >= 0.8 and lead["cause"] != "unknown"
    assert code == (0 if clear else 4)


def test_without_names_and_without_a_job_it_says_how_to_mend_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, data = answer(capsys, "diagnose", "--bench", str(tmp_path))
    assert code == 2
    assert data["error"]["mend"]


def test_a_record_that_does_not_exist_is_bad_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, data = answer(capsys, "diagnose", "no-such-run", "--bench", str(tmp_path))
    assert code == 2
    assert "no-such-run" in data["error"]["where"]


def test_the_open_jobs_intake_counts_without_any_record(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from datetime import UTC, datetime

    from verifyrig.bench.folder import find_bench
    from verifyrig.jobs.model import Intake, Machine
    from verifyrig.jobs.store import new_job

    answers = {"what": "switches-off", "restart": "after-mains-switch", "when": "at-a-load-step"}
    intake = Intake(complaint="It goes dark.", machine=Machine(kind="desktop-air"), answers=answers)
    new_job(find_bench(str(tmp_path)), intake, now=datetime(2031, 3, 14, 9, tzinfo=UTC))
    _, data = answer(capsys, "diagnose", "--bench", str(tmp_path))
    assert data["suspects"][0]["cause"] == "supply"
    assert data["not_measured"]


def test_people_read_sentences_and_a_caution(tmp_path: Path, record: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(["diagnose", str(record), "--bench", str(tmp_path)])
    text = capsys.readouterr().out
    assert "For the customer:" in text
    assert "Never open a power supply" in text


def test_what_the_system_remembers_of_an_interrupted_run_counts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from verifyrig.record.restart_note import Aftermath, aftermath_path, write_aftermath
    from verifyrig.system.history.entries import LogEntry

    (tmp_path / "runs").mkdir()
    path = write_record(tmp_path / "runs", 2, close=False)

    def reasons(*remembered: LogEntry) -> list[str]:
        cause: CauseObject = {"class": CauseClass.POWER_OFF, "why": ["another boot"]}
        note = Aftermath(run=path.stem, seen_utc_s=1.77e9, outcome="interrupted", cause=cause, remembered=remembered)
        aftermath_path(path).unlink(missing_ok=True)
        assert write_aftermath(path, note)
        _, data = answer(capsys, "diagnose", str(path), "--bench", str(tmp_path))
        return [reason for suspect in data["suspects"] for reason in suspect["for"]]

    # Bit 0: the processor's thermal pin (kernel document "arch/x86/amd-debugging").
    assert any("thermal pin" in reason for reason in reasons(LogEntry(utc_s=None, id="reset-reason", code="bits=0")))
    assert not any("thermal pin" in reason for reason in reasons())


def test_the_picture_is_drawn_where_it_is_asked_for(
    tmp_path: Path, record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from xml.etree import ElementTree

    picture = tmp_path / "chain.svg"
    _, data = answer(capsys, "diagnose", str(record), "--out", str(picture), "--bench", str(tmp_path))
    assert data["picture"] == str(picture)
    texts = [element.text for element in ElementTree.parse(picture).iter("{http://www.w3.org/2000/svg}text")]
    assert "die → plate" in texts and "die → room" in texts


def test_a_picture_of_another_kind_is_refused(tmp_path: Path, record: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, data = answer(capsys, "diagnose", str(record), "--out", "chain.png", "--bench", str(tmp_path))
    assert code == 2
    assert data["error"]["where"] == "--out"


def test_a_damaged_record_of_the_job_is_left_out_and_said_and_a_named_one_is_bad_input(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from datetime import UTC, datetime

    from verifyrig.bench.folder import find_bench
    from verifyrig.jobs.model import Intake, Machine
    from verifyrig.jobs.store import new_job

    bench = find_bench(str(tmp_path))
    intake = Intake(complaint="It runs hot.", machine=Machine(kind="desktop-air"))
    job = new_job(bench, intake, now=datetime(2026, 2, 2, 7, tzinfo=UTC))
    folder = bench.jobs_dir / job.job_id / "runs"
    folder.mkdir(parents=True, exist_ok=True)
    write_record(folder, 1)
    damaged = folder / "20260202-090000-dead.sqlite"
    damaged.write_bytes(b"no database at all")
    code, data = answer(capsys, "diagnose", "--bench", str(tmp_path))
    # Contract: 1 for a record that was altered or damaged, before what the figures say.
    assert code == 1
    assert [one["run"] for one in data["left_out"]] == [damaged.stem]
    assert any("K/W" in reason for suspect in data["suspects"] for reason in suspect["for"])
    code, data = answer(capsys, "diagnose", str(damaged), "--bench", str(tmp_path))
    assert code == 2


@pytest.mark.parametrize(("probability", "said"), [(0.99999, ">99.9%"), (0.9987, " 99.9%"), (0.25, " 25.0%")])
def test_nothing_is_called_wholly_certain(probability: float, said: str) -> None:
    found = diagnose([])
    first = replace(found.suspects[0], probability=probability)
    assert lines_of(replace(found, suspects=(first,)))[0].startswith(said)
