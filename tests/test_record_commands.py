"""`inspect` and `runs`: the objects of the contract, exit codes, and words for a person."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from verifyrig.commands import cli
from verifyrig.core.interfaces import Reading
from verifyrig.record import open_record
from verifyrig.runs.index_file import INDEX_NAME


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    for run, how in (("20260101-000000-aaaa", "close"), ("20260101-010000-bbbb", "abandon")):
        facts = {
            "run": run,
            "purpose": "baseline",
            "simulated": True,
            "profile_name": "old-one",
            "started_utc_s": 1.7e9,
        }
        path = tmp_path / "runs" / f"{run}.sqlite"
        writer = open_record(path, facts=facts, profile_text=None, channels=["die_temp_c"], live=False)
        writer.stage_started("load", "load", 0.0)
        for i in range(12):
            writer.sample(float(i), 1.7e9 + i, {"die_temp_c": Reading(value=50.0 + i)})
        if how == "close":
            writer.stage_ended("load", 12.0, "time")
            writer.fact("outcome", "completed")
            writer.close()
        else:
            writer.abandon()
    return tmp_path


def ask(bench: Path, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    code = cli.run([*words, "--json", "--bench", str(bench)])
    return code, json.loads(capsys.readouterr().out)


def test_runs_lists_what_the_contract_says(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, answer = ask(bench, capsys, "runs")
    assert code == 0 and answer["schema"] == 1
    first, second = answer["runs"]
    keys = {"run", "record", "job", "unit", "profile", "purpose", "outcome", "cause", "started", "verdict"}
    assert keys <= set(first)
    assert (first["outcome"], first["cause"], first["verdict"]) == ("completed", None, "not-measured")
    assert first["started"] == "2023-11-14T22:13:20+00:00" and first["profile"] == "old-one"
    assert (second["outcome"], second["cause"]["class"]) == ("interrupted", "power-off")


def test_the_index_can_be_thrown_away_and_never_outlives_a_change(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, before = ask(bench, capsys, "runs")
    assert (bench / INDEX_NAME).is_file()
    assert ask(bench, capsys, "runs")[1] == before
    (bench / INDEX_NAME).write_text("{broken")
    assert ask(bench, capsys, "runs")[1] == before
    for file in (bench / "runs").glob("20260101-000000-aaaa*"):
        file.unlink()
    assert len(ask(bench, capsys, "runs")[1]["runs"]) == 1


@pytest.mark.parametrize(
    ("word", "sealed", "outcome"),
    [("20260101-000000-aaaa", True, "completed"), ("first", True, "completed"), ("last", False, "interrupted")],
)
def test_inspect_says_what_the_contract_says(
    bench: Path, word: str, sealed: bool, outcome: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, answer = ask(bench, capsys, "inspect", word)
    assert code == 0
    keys = {"run", "whole", "sealed", "altered", "digest", "outcome", "cause", "last_sample_s", "largest_lag_s"}
    assert keys <= set(answer)
    assert (answer["whole"], answer["sealed"], answer["altered"]) == (True, sealed, None)
    assert (answer["outcome"], answer["last_sample_s"]) == (outcome, 11)


def test_inspect_says_what_it_makes_of_an_interrupted_run(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, answer = ask(bench, capsys, "inspect", "last")
    found = answer["post_mortem"]
    assert {"verdict", "sentence", "for", "against", "die_at_cut_c"} <= set(found)
    # The last reading was 61 °C and rose by 1 K/s; the next one would have come 1 s later.
    assert found["die_at_cut_c"]["low"] <= 61 < found["die_at_cut_c"]["high"]
    assert cli.run(["inspect", "last", "--bench", str(bench)]) == 0
    assert found["sentence"] in capsys.readouterr().out
    assert "post_mortem" not in ask(bench, capsys, "inspect", "first")[1]


def test_an_altered_record_gives_exit_code_1_and_its_row(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = bench / "runs" / "20260101-000000-aaaa.sqlite"
    connection = sqlite3.connect(path)
    connection.execute("UPDATE sample SET die_temp_c = 40 WHERE rowid = 5")
    connection.commit()
    connection.close()
    code, answer = ask(bench, capsys, "inspect", str(path))
    assert code == 1
    assert answer["altered"] == {"row": 5, "what": "sample 5 was altered"} and answer["whole"] is False
    assert cli.run(["inspect", str(path), "--bench", str(bench)]) == 1
    assert "ALTERED: sample 5 was altered." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "code"),
    # `metrics` and `export` give 0 when they did their work; the others 1 for an altered record (contract).
    [
        (["metrics", "first"], 0),
        (["export", "first"], 0),
        (["compare", "first", "last"], 1),
        (["diagnose", "first"], 1),
    ],
)
def test_no_command_draws_on_an_altered_record_silently(
    bench: Path, capsys: pytest.CaptureFixture[str], words: list[str], code: int
) -> None:
    assert cli.run([*words, "--bench", str(bench)]) in (0, 4)
    assert "ALTERED" not in capsys.readouterr().err
    with sqlite3.connect(bench / "runs" / "20260101-000000-aaaa.sqlite") as record:
        record.execute("UPDATE sample SET die_temp_c = 40 WHERE rowid = 5")
    record.close()
    assert cli.run([*words, "--bench", str(bench)]) == code
    told = capsys.readouterr().err
    assert "ALTERED: sample 5 was altered" in told and told.count("ALTERED") == 1


def test_a_seal_that_was_taken_out_is_named(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with sqlite3.connect(bench / "runs" / "20260101-000000-aaaa.sqlite") as record:
        record.execute("DELETE FROM seal")
    record.close()
    code, answer = ask(bench, capsys, "inspect", "first")
    assert code == 1 and answer["altered"] == {"row": None, "what": "seal: all digests were taken out"}


def test_a_damaged_record_gives_exit_code_1_and_says_so(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = bench / "runs" / "20260101-000000-aaaa.sqlite"
    path.write_bytes(path.read_bytes()[:5000])
    code, answer = ask(bench, capsys, "inspect", str(path))
    assert code == 1 and answer["whole"] is False and "damaged" in answer["damage"] and answer["digest"] is None


def test_a_record_whose_log_was_left_behind_is_not_proven(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (bench / "runs" / "20260101-010000-bbbb.sqlite-wal").unlink()
    code, answer = ask(bench, capsys, "inspect", "last")
    assert code == 4 and answer["whole"] is False and answer["altered"] is None and "-wal" in answer["notes"][0]
    assert "-wal" in ask(bench, capsys, "runs")[1]["runs"][1]["note"]


@pytest.mark.parametrize("word", ["no-such-run", "2026", "x/y.sqlite", ""])
def test_a_record_that_cannot_be_found_is_told_in_words(
    bench: Path, word: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, answer = ask(bench, capsys, "inspect", word)
    assert code == 2 and answer["error"]["mend"]


def test_names_from_outside_do_not_drive_the_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    facts = {"run": "r\x1b[2J", "job": "\x1b]0;x\x07", "profile_name": "a\nb"}
    path = tmp_path / "runs" / "20260101-000000-aaaa.sqlite"
    open_record(path, facts=facts, profile_text=None, channels=["die_temp_c"], live=False).close()
    assert cli.run(["runs", "--bench", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert "\x1b" not in out and "\x07" not in out and len(out.splitlines()) == 2
    # An id that could lead out of the bench folder is none: such a record is damaged, whatever its digests say.
    assert cli.run(["inspect", str(path), "--bench", str(tmp_path)]) == 1
    assert "\x1b" not in capsys.readouterr().out


def test_a_bench_without_records_has_no_runs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask(tmp_path, capsys, "runs") == (0, {"schema": 1, "runs": []})
