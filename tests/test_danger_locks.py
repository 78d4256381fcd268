"""A danger that a person noted locks the machine: no heat, no close as fit, no pickup but as not safe to use."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.fake_asker import FakeAsker
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.commands import Answer, Context
from verifyrig.commands import job as job_command
from verifyrig.commands.cli import run
from verifyrig.commands.parsers import command_parser
from verifyrig.jobs.store import open_job
from verifyrig.jobs.vocabulary import protective_steps

LIFT = ("--lifts", "pack", "--done", "pack taken out, a new one fitted", "--by", "N. Bench")


@pytest.fixture(autouse=True)
def no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    return tmp_path


def verifyrig(bench: Path, *words: str) -> int:
    return run([*words, "--bench", str(bench)])


def as_json(capsys: pytest.CaptureFixture[str], bench: Path, *words: str) -> tuple[int, Any]:
    capsys.readouterr()
    code = verifyrig(bench, *words, "--json")
    return code, json.loads(capsys.readouterr().out)


def by_keys(bench: Path, words: list[str], asker: FakeAsker) -> Answer:
    parser, _ = command_parser("job")
    return job_command.execute(parser.parse_args(words), Context(bench=find_bench(str(bench))), asker)


def taken_in(bench: Path, *words: str) -> None:
    assert verifyrig(bench, "job", "open", "--complaint", "hot", "--kind", "laptop", "--by", "N. Bench", *words) == 0


def tick_all(bench: Path) -> None:
    steps = [word for step in protective_steps("laptop") for word in ("--tick", step)]
    assert verifyrig(bench, "job", "finding", *steps) == 0


# ---- what may be written


@pytest.mark.parametrize("word", ["leak=dripping", "pack=bulging", "smell=odd", "connector=melted"])
def test_a_word_about_a_danger_must_be_one_that_is_known(
    bench: Path, capsys: pytest.CaptureFixture[str], word: str
) -> None:
    taken_in(bench)
    capsys.readouterr()
    assert verifyrig(bench, "job", "finding", word) == 2
    assert "note=" in capsys.readouterr().err
    assert verifyrig(bench, "job", "open", "--answer", word) == 2


def test_an_intake_file_may_name_a_danger(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = bench / "intake.toml"
    file.write_text('complaint = "bulges"\n[answers]\npack = "swollen"\n', encoding="utf-8")
    code, data = as_json(capsys, bench, "job", "open", "--file", str(file))
    assert code == 0 and [danger["code"] for danger in data["dangers"]] == ["pack"]
    assert "unplug" in data["next"]
    file.write_text('complaint = "bulges"\n[answers]\npack = "big"\n', encoding="utf-8")
    assert verifyrig(bench, "job", "open", "--file", str(file)) == 2


# ---- lifting


def test_a_signed_change_lifts_it_and_the_machine_runs_again(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    taken_in(bench)
    assert verifyrig(bench, "job", "finding", "pack=swollen") == 0
    code, data = as_json(capsys, bench, "job", "change", "part-replaced", "--part", "battery pack", *LIFT)
    assert code == 0 and data["dangers"] == []
    entry = data["entries"][-1]
    assert entry["by"] == "N. Bench" and entry["detail"]["lifts"] == ["pack"]
    assert entry["detail"]["done"] == "pack taken out, a new one fitted"


def test_a_signed_finding_lifts_it(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    taken_in(bench, "--answer", "leak=seen")
    lift = ["--lifts", "leak", "--done", "hose renewed, dry for an hour", "--by", "N. Bench"]
    code, data = as_json(capsys, bench, "job", "finding", "leak=none", *lift)
    assert code == 0 and data["dangers"] == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["finding", "pack=flat", "--lifts", "pack", "--done", "x"], "--by"),
        (["finding", "pack=flat", "--lifts", "pack", "--by", "N."], "--done"),
        (["finding", "pack=flat", "--lifts", "pack", "--by", " ", "--done", "x"], "--by"),
        (["finding", "pack=flat", "--lifts", "leak", "--by", "N.", "--done", "x"], "pack"),
        (["finding", "pack=swollen", "--lifts", "pack", "--by", "N.", "--done", "x"], "swollen"),
        (["finding", "leak=seen", "--lifts", "pack", "--by", "N.", "--done", "x"], "leak"),
        (["finding", "--lifts", "pack", "--by", "N.", "--done", "x"], "pack=flat"),
        (["change", "cleaned", "--lifts", "pack", "--done", "x"], "--by"),
        (["change", "cleaned", "--done", "x", "--by", "N."], "--lifts"),
    ],
)
def test_a_lift_without_a_name_or_without_what_was_done_is_refused(
    bench: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    (bench / "bench.toml").write_text('[shop]\noperator = "N. Bench"\n', encoding="utf-8")
    taken_in(bench)
    assert verifyrig(bench, "job", "finding", "pack=swollen") == 0
    capsys.readouterr()
    assert verifyrig(bench, "job", *words) == 2
    assert said in capsys.readouterr().err
    _, data = as_json(capsys, bench, "job", "show")
    assert [danger["code"] for danger in data["dangers"]] == ["pack"] and len(data["entries"]) == 1


def test_at_the_keys_a_change_asks_whether_the_danger_is_gone_and_who_signs(bench: Path) -> None:
    taken_in(bench)
    assert verifyrig(bench, "job", "finding", "pack=swollen") == 0
    kept = by_keys(bench, ["change"], FakeAsker("1", "", "", "", "n"))
    assert [danger["code"] for danger in kept.data["dangers"]] == ["pack"]
    asker = FakeAsker("5", "battery pack", "", "", "", "-", "n", "", "", "", "y", "old pack taken out", "N. Bench")
    gone = by_keys(bench, ["change"], asker)
    assert asker.answers == [] and gone.data["dangers"] == []
    assert (gone.data["entries"][-1]["by"], gone.data["entries"][-1]["detail"]["lifts"]) == ("N. Bench", ["pack"])


# ---- close and pickup


def test_it_is_not_closed_as_fit_not_even_with_a_reason(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    taken_in(bench)
    tick_all(bench)
    assert verifyrig(bench, "job", "finding", "pack=swollen") == 0
    capsys.readouterr()
    for words in ([], ["--override", "the customer wants it back"]):
        assert verifyrig(bench, "job", "close", "--cause", "unknown", *words) == 4
        assert "not safe to use: a battery pack is swollen" in capsys.readouterr().err.lower()
    _, data = as_json(capsys, bench, "job", "show")
    assert data["open"][0]["kind"] == "danger" and data["hand_over"]["yes"] is False
    assert data["state"] != "closed"


def test_it_leaves_only_as_not_safe_to_use(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    taken_in(bench)
    tick_all(bench)
    assert verifyrig(bench, "job", "finding", "pack=swollen") == 0
    assert verifyrig(bench, "job", "close", "--cause", "unknown", "--not-safe", "--override", "goes unrepaired") == 4
    assert verifyrig(bench, "job", "handover", "--to", "A. Customer") == 4
    assert verifyrig(bench, "job", "show") == 0
    assert "not handed over" in capsys.readouterr().out
    code, data = as_json(capsys, bench, "job", "handover", "--to", "A. Customer", "--not-safe")
    assert code == 4 and data["entries"][-1]["detail"]["not_safe"] == ["pack"]
    assert [danger["code"] for danger in data["dangers"]] == ["pack"]


def test_a_danger_that_comes_after_the_close_keeps_it_here_whatever_the_override(bench: Path) -> None:
    taken_in(bench)
    assert verifyrig(bench, "job", "close", "--cause", "unknown", "--override", "customer in a hurry") in (0, 4)
    assert verifyrig(bench, "job", "finding", "smell=burnt") == 0
    assert verifyrig(bench, "job", "handover", "--to", "A. Customer") == 4
    job = open_job(Bench(root=bench))
    assert job is not None and job.handover is None


def test_not_safe_is_said_only_where_a_danger_stands(bench: Path) -> None:
    taken_in(bench)
    tick_all(bench)
    assert verifyrig(bench, "job", "close", "--cause", "none", "--not-safe") == 2


def test_a_machine_that_left_unsafe_comes_back_locked(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    taken_in(bench)
    tick_all(bench)
    assert verifyrig(bench, "job", "finding", "pack=swollen") == 0
    assert verifyrig(bench, "job", "close", "--cause", "unknown", "--not-safe", "--override", "goes unrepaired") == 4
    _, old = as_json(capsys, bench, "job", "handover", "--to", "A. Customer", "--not-safe")
    code, data = as_json(capsys, bench, "job", "open", "--again", old["job"], "--complaint", "still bulges")
    assert code == 0 and [danger["code"] for danger in data["dangers"]] == ["pack"]


def test_the_screen_says_first_what_is_dangerous_and_what_to_do(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taken_in(bench)
    assert verifyrig(bench, "job", "finding", "pack=swollen", "--by", "O. Bench") == 0
    said = capsys.readouterr()
    assert "trained people" in said.out + said.err
    assert verifyrig(bench, "job", "show") == 0
    first = capsys.readouterr().out.splitlines()[:4]
    assert any(line.startswith("NOT SAFE TO USE: a battery pack is swollen") for line in first)
    assert any("O. Bench" in line for line in first) and any("trained people" in line for line in first)
