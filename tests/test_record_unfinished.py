"""Interrupted runs are named at the next start, once, with what was made of them."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.killing import wait_for_acks, wait_until_dead
from verifyrig.bench.folder import Bench
from verifyrig.commands import cli
from verifyrig.core.interfaces import Reading
from verifyrig.record import open_record, read_trace
from verifyrig.record.outcome_of import host_facts
from verifyrig.record.restart_note import read_aftermath
from verifyrig.runs.unfinished import note_unfinished
from verifyrig.system.history.memory import SystemMemory


def record(path: Path, how: str) -> None:
    writer = open_record(
        path, facts={"run": path.stem, "job": None}, profile_text=None, channels=["die_temp_c"], live=True
    )
    writer.stage_started("load", "load", 0.0)
    writer.sample(0.0, 1.7e9, {"die_temp_c": Reading(value=60.0)})
    if how == "close":
        writer.fact("outcome", "completed")
        writer.close()
    else:
        writer.abandon(how)


@pytest.mark.parametrize("how", ["power-off", "hang"])
def test_an_interrupted_run_is_announced_once_and_noted_beside_its_record(
    tmp_path: Path, how: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "runs" / "20260101-000000-aaaa.sqlite"
    record(path, how)
    before = path.read_bytes()
    assert cli.run(["runs", "--json", "--bench", str(tmp_path)]) == 0
    out = capsys.readouterr()
    assert f"20260101-000000-aaaa was interrupted: {how}" in out.err
    (row,) = json.loads(out.out)["runs"]
    assert row["outcome"] == "interrupted" and row["cause"]["class"] == how and row["sealed"] is False
    note = read_aftermath(path)
    assert note is not None and note.cause is not None and note.cause["class"] == how
    assert path.read_bytes() == before
    assert cli.run(["runs", "--json", "--bench", str(tmp_path)]) == 0
    assert capsys.readouterr().err == ""


def test_after_a_restart_without_a_log_the_sentence_names_a_crash_beside_lost_power(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As after a kernel panic on a system that runs from memory: nothing of it is left."""
    monkeypatch.setattr("verifyrig.system.history.memory.remember", SystemMemory)
    path = tmp_path / "runs" / "20260101-000000-cccc.sqlite"
    writer = open_record(path, facts={"run": path.stem}, profile_text=None, channels=["die_temp_c"], live=True)
    writer.fact("keeper", {**host_facts(), "boot_id": "before"})
    writer.stage_started("load", "load", 0.0)
    writer.sample(0.0, 1.7e9, {"die_temp_c": Reading(value=60.0)})
    writer.abandon("")
    (told,) = note_unfinished(Bench(root=tmp_path))
    assert told.kind == "power-off" and "a crash" in told.sentence
    assert "does not separate heat, power and crash" in told.sentence and "Most likely" not in told.sentence


def test_a_closed_run_is_not_told(tmp_path: Path) -> None:
    record(tmp_path / "runs" / "20260101-000000-bbbb.sqlite", "close")
    assert note_unfinished(Bench(root=tmp_path)) == []


def test_a_run_in_progress_is_not_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "runs" / "20260101-000000-cccc.sqlite"
    writer = open_record(path, facts={"run": path.stem}, profile_text=None, channels=["die_temp_c"], live=False)
    writer.sample(0.0, 0.0, {"die_temp_c": Reading(value=60.0)})
    assert note_unfinished(Bench(root=tmp_path)) == []
    assert cli.run(["inspect", "20260101-000000-cccc", "--bench", str(tmp_path)]) == 0
    assert "still being written" in capsys.readouterr().out
    writer.close()


def test_a_run_of_another_computer_is_left_to_that_computer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "runs" / "20260101-000000-dddd.sqlite"
    with monkeypatch.context() as elsewhere:
        elsewhere.setattr("verifyrig.record.outcome_of.host_id", lambda root=Path("/"): "another-computer")
        record(path, "power-off")
    assert note_unfinished(Bench(root=tmp_path)) == [] and read_aftermath(path) is None


def test_a_damaged_file_in_the_folder_stops_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    runs = tmp_path / "runs"
    runs.mkdir()
    (runs / "20260101-000000-eeee.sqlite").write_bytes(b"SQLite format 3\x00" + b"\x10\x00\x02\x02" + bytes(80))
    (runs / "20260101-000000-ffff.sqlite").write_bytes(b"")
    assert cli.run(["runs", "--json", "--bench", str(tmp_path)]) == 0
    rows = json.loads(capsys.readouterr().out)["runs"]
    assert len(rows) == 2 and all("damage" in row and row["outcome"] == "interrupted" for row in rows)


def test_a_killed_recorder_is_found_killed(tmp_path: Path) -> None:
    words = [sys.executable, str(Path(__file__).with_name("recorder_child.py")), "nursery"]
    path = tmp_path / "runs" / "20260101-000000-kkkk.sqlite"
    path.parent.mkdir()
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as nursery:
        assert nursery.stdin is not None and nursery.stdout is not None
        nursery.stdin.write(f"{path}\n")
        nursery.stdin.flush()
        pid = int(nursery.stdout.readline())
        wait_for_acks(path, 3)
        os.kill(pid, signal.SIGKILL)
        wait_until_dead(pid)
        (found,) = note_unfinished(Bench(root=tmp_path))
        nursery.stdin.close()
    assert found.kind == "killed" and "is gone" in found.sentence
    trace = read_trace(found.record)
    assert len(trace.t_s) >= 3 and trace.stages[0].ended == "interrupted"
