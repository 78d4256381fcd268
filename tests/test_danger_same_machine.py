"""One machine in two jobs: a danger noted in one locks the other, too. The machine is told by its serial."""

from __future__ import annotations

from pathlib import Path

import pytest

from verifyrig.bench.folder import find_bench
from verifyrig.commands.cli import run
from verifyrig.jobs.dangers import standing_dangers
from verifyrig.jobs.store import read_job


@pytest.fixture(autouse=True)
def no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)


def job(bench: Path, *words: str) -> int:
    return run(["job", *words, "--bench", str(bench)])


def taken_in(bench: Path, job_id: str, serial: str, *words: str) -> None:
    assert job(bench, "open", "--id", job_id, "--complaint", "hot", "--serial", serial, *words) == 0


def locked(bench: Path, job_id: str) -> list[str]:
    return [f"{found.code} {found.noted}" for found in standing_dangers(read_job(find_bench(str(bench)), job_id))]


def lift(bench: Path, job_id: str, code: str = "pack") -> int:
    words = ("--lifts", code, "--done", "pack taken out", "--by", "N. Bench", "--job", job_id)
    return job(bench, "change", "cleaned", *words)


@pytest.mark.parametrize("serial", ["SN 100-7", "sn1007"])
def test_a_machine_that_is_locked_in_one_job_is_locked_in_the_next_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], serial: str
) -> None:
    taken_in(tmp_path, "first", "SN100-7")
    assert job(tmp_path, "finding", "pack=swollen", "--by", "N. Bench") == 0
    capsys.readouterr()
    taken_in(tmp_path, "second", serial)
    assert "NOT SAFE TO USE" in capsys.readouterr().out
    assert locked(tmp_path, "second") == ["pack pack=swollen"]
    words = ["run", "quick-look", "--mock", "healthy-air", "--yes", "--job", "second", "--bench", str(tmp_path)]
    assert run(words) == 3


@pytest.mark.parametrize("by", ["finding", "intake", "state"])
def test_a_danger_noted_later_locks_the_other_open_jobs_of_that_machine(tmp_path: Path, by: str) -> None:
    taken_in(tmp_path, "first", "SN1")
    taken_in(tmp_path, "other", "SN2")
    taken_in(tmp_path, "nameless", "")
    if by == "intake":
        taken_in(tmp_path, "second", "SN1", "--answer", "leak=seen")
    else:
        taken_in(tmp_path, "second", "SN1")
    if by == "finding":
        assert job(tmp_path, "finding", "leak=seen", "--job", "second") == 0
    if by == "state":
        words = ["--mock", "healthy-air", "--yes", "--job", "second", "--state", "leak=seen"]
        assert run(["run", "quick-look", *words, "--bench", str(tmp_path)]) == 3
    assert locked(tmp_path, "first") == ["leak leak=seen"] == locked(tmp_path, "second")
    assert locked(tmp_path, "other") == [] == locked(tmp_path, "nameless")


def test_what_a_person_signed_for_in_a_job_is_not_copied_into_it_again(tmp_path: Path) -> None:
    taken_in(tmp_path, "first", "SN1")
    assert job(tmp_path, "finding", "pack=swollen") == 0
    taken_in(tmp_path, "second", "SN1")
    assert lift(tmp_path, "second") == 0 and locked(tmp_path, "second") == []
    assert job(tmp_path, "finding", "dust=clogged", "--job", "first") == 0
    assert locked(tmp_path, "second") == [] and locked(tmp_path, "first") == ["pack pack=swollen"]
    assert job(tmp_path, "finding", "pack=swollen", "--job", "first") == 0  # seen once more: a note of its own
    assert locked(tmp_path, "second") == ["pack pack=swollen"]


def test_two_jobs_do_not_hand_a_note_to_and_fro(tmp_path: Path) -> None:
    taken_in(tmp_path, "first", "SN1")
    taken_in(tmp_path, "second", "SN1", "--answer", "pack=swollen")
    assert job(tmp_path, "finding", "leak=seen", "--job", "first") == 0
    assert job(tmp_path, "finding", "dust=some", "--job", "second") == 0
    for name in ("first", "second"):
        entries = read_job(find_bench(str(tmp_path)), name).entries
        assert sum(entry.what in ("pack", "leak") for entry in entries) == (2 if name == "first" else 1)
    assert lift(tmp_path, "first") == 0
    assert job(tmp_path, "finding", "dust=clogged", "--job", "second") == 0
    assert locked(tmp_path, "first") == ["leak leak=seen"]


def test_a_machine_that_was_mended_in_its_last_job_is_not_locked_by_an_older_one(tmp_path: Path) -> None:
    taken_in(tmp_path, "first", "SN1")
    assert job(tmp_path, "finding", "pack=swollen") == 0
    assert job(tmp_path, "close", "--cause", "unknown", "--not-safe", "--override", "goes unrepaired") == 4
    assert job(tmp_path, "handover", "--to", "A. Customer", "--not-safe") == 4
    taken_in(tmp_path, "second", "SN1")
    assert locked(tmp_path, "second") == ["pack pack=swollen"]
    assert lift(tmp_path, "second") == 0
    assert job(tmp_path, "close", "--cause", "none", "--override", "nothing measured") == 4
    assert job(tmp_path, "handover", "--to", "A. Customer") == 4
    taken_in(tmp_path, "third", "SN1")
    assert locked(tmp_path, "third") == []


def test_a_job_that_is_taken_over_from_another_bench_locks_the_one_here(tmp_path: Path) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    for folder in (here, there):
        folder.mkdir()
    taken_in(here, "ours", "SN1")
    assert job(here, "finding", "leak=seen") == 0
    taken_in(there, "theirs", "SN1")
    assert job(there, "finding", "pack=swollen") == 0
    for _ in range(2):
        assert run(["runs", "--collect", str(there), "--bench", str(here)]) == 0
        assert locked(here, "ours") == ["pack pack=swollen", "leak leak=seen"] == locked(here, "theirs")
    assert len(read_job(find_bench(str(here)), "ours").entries) == 2
