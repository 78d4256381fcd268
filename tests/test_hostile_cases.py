"""Hostile input that once gave exit code 5, case by case; generated input is in `test_hostile`."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tests.small_records import PROFILE_TEXT, write_record
from verifyrig.bench.folder import Bench
from verifyrig.commands import cli
from verifyrig.jobs.model import Intake
from verifyrig.jobs.store import new_job

NOW = datetime(2031, 3, 14, 9, 0, tzinfo=UTC)
DIGITS = "1" * 5000
# TOML 1.0.0, "Integer": 64 bits; what cannot be kept without loss is an error. Nobody means the others.
BAD_TOML = {
    "digits": f"x = {DIGITS}\n",
    "hexadecimal": f"x = 0x{'f' * 5000}\n",
    "brackets": f"x = {'[' * 5000}{']' * 5000}\n",
    "dots": f"{'a.' * 400_000}a = 1\n",
    "inline": f"x = {'{a = ' * 3000}1{'}' * 3000}\n",
}


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.chdir(tmp_path)
    return Bench(root=tmp_path)


def ask(capsys: pytest.CaptureFixture[str], bench: Bench, *words: str) -> tuple[int, dict[str, Any]]:
    capsys.readouterr()
    code = cli.run([*words, "--json", "--bench", str(bench.root)])
    return code, json.loads(capsys.readouterr().out, parse_constant=pytest.fail)


@pytest.mark.parametrize("text", BAD_TOML.values(), ids=BAD_TOML)
@pytest.mark.parametrize("file", ["bench.toml", "plan.toml", "intake.toml", "jobs/a/job.toml"])
def test_toml_beyond_all_bounds_is_refused_in_words(
    bench: Bench, file: str, text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    new_job(bench, Intake(complaint="hot"), job_id="a", now=NOW)
    head = {"plan.toml": PROFILE_TEXT, "jobs/a/job.toml": (bench.root / "jobs/a/job.toml").read_text(encoding="utf-8")}
    (bench.root / file).write_text(text + head.get(file, ""), encoding="utf-8")
    words = {
        "bench.toml": ["runs"],
        "plan.toml": ["run", "plan.toml", "--mock", "healthy-air"],
        "intake.toml": ["job", "open", "--file", "intake.toml"],
        "jobs/a/job.toml": ["job", "show", "a"],
    }
    code, answer = ask(capsys, bench, *words[file])
    assert code == 2 and answer["error"]["mend"]


FACTS: dict[str, object] = {
    "run": "../../../x",
    "cause": "gone",
    "trip": [1],
    "ambient": {"value_c": "warm", "u95_k": None, "source": "typed"},
    "states": ["panel"],
    "machine": 7,
    "channels": {"die_temp_c": 1},
    "refusals": {"a": 1},
    "outcome": {"a": 1},
    "started_utc_s": 1e300,
    "period_s": "often",
    "keeper": {"pid": "one"},
}
CHANGES = {
    **{f"fact {key}": ("INSERT OR REPLACE INTO run VALUES (?, ?)", (key, json.dumps(v))) for key, v in FACTS.items()},
    "outcome of a table": ("INSERT OR REPLACE INTO run VALUES ('outcome', '{}')", ()),
    "broken JSON": ("UPDATE run SET value = '{' WHERE key = 'machine'", ()),
    "not a number": ("UPDATE run SET value = 'NaN' WHERE key = 'period_s'", ()),
    "digits": ("UPDATE run SET value = ? WHERE key = 'period_s'", (DIGITS,)),
    "deep": ("UPDATE run SET value = ? WHERE key = 'machine'", ("[" * 5000 + "]" * 5000,)),
    "stage order": ("UPDATE stage SET start_s = 900 - start_s", ()),
    "stage twice": ("INSERT INTO stage SELECT * FROM stage", ()),
    "stage kind": ("UPDATE stage SET kind = 'frying'", ()),
    "stage of bytes": ("UPDATE stage SET name = x'ff00'", ()),
    "endless stage": ("UPDATE stage SET end_s = 9e999", ()),
    "quality": ("INSERT INTO reading_quality VALUES ('die_temp_c', 'x', 3, 'fine', '')", ()),
    "event": ("INSERT INTO event VALUES (1, 'load', '{\"share\": \"all\"}')", ()),
    "sample of text": ("UPDATE sample SET die_temp_c = 'hot' WHERE rowid = 9", ()),
    "endless time": ("UPDATE sample SET t_s = 9e999 WHERE rowid = 9", ()),
    "no time": ("UPDATE sample SET utc_s = -9e300", ()),
    "no table": ("DROP TABLE event", ()),
    "seal of numbers": ("UPDATE seal SET marks = 5, digest = 6", ()),
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
def test_a_tampered_record_is_named_and_the_others_of_the_bench_are_worked_with(
    bench: Bench, change: tuple[str, tuple[Any, ...]], capsys: pytest.CaptureFixture[str]
) -> None:
    good = write_record(bench.runs_dir(None), 1)
    path = write_record(bench.runs_dir(None), 2)
    connection = sqlite3.connect(path)
    connection.execute(*change)
    connection.commit()
    connection.close()
    assert ask(capsys, bench, "inspect", path.stem)[0] == 1
    for words in (["metrics", path.stem], ["diagnose", path.stem], ["export", path.stem, "--out", "x.csv"]):
        assert ask(capsys, bench, *words)[0] in (0, 1, 2, 4)
    code, answer = ask(capsys, bench, "runs")
    assert code == 0 and [Path(row["record"]).stem for row in answer["runs"]] == [good.stem, path.stem]
    assert answer["runs"][0]["outcome"] == "completed" and "damage" not in answer["runs"][0]
    assert ask(capsys, bench, "metrics", good.stem)[0] in (0, 1, 4)
    (bench.root / "tiny-build.toml").write_text(PROFILE_TEXT, encoding="utf-8")
    code, answer = ask(capsys, bench, "qa", "--profile", "tiny-build.toml", "--cores", "1")
    assert code in (1, 4) and answer["units"] == 1


@pytest.mark.parametrize("watts", [0.0, -5.0, 9e300])
def test_a_power_that_cannot_be_is_no_reading(bench: Bench, watts: float, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_record(bench.runs_dir(None), 1)
    connection = sqlite3.connect(path)
    connection.execute("UPDATE sample SET package_power_w = ?", (watts,))
    connection.commit()
    connection.close()
    code, answer = ask(capsys, bench, "diagnose", path.stem)
    assert code in (1, 4) and answer["suspects"]
    assert ask(capsys, bench, "report", path.stem)[0] == 0


def test_a_deleted_working_folder_is_said(tmp_path: Path) -> None:
    folder = tmp_path / "gone"
    folder.mkdir()
    code = "import os, shutil, sys; shutil.rmtree(os.getcwd()); from verifyrig.commands.cli import run; "
    for words in (
        ["runs", "--json"],
        ["runs", "--json", "--bench", "here"],
        ["run", "--mock", "healthy-air", "--json"],
    ):
        folder.mkdir(exist_ok=True)
        done = subprocess.run(
            [sys.executable, "-c", f"{code}sys.exit(run({words!r}))"],
            cwd=folder, capture_output=True, text=True, timeout=60, check=False,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parent.parent)},
        )  # fmt: skip
        assert done.returncode == 2, done.stderr
        assert "working folder" in json.loads(done.stdout)["error"]["what"]
    shutil.rmtree(tmp_path)
    tmp_path.mkdir()


LONG = "n" * 300
OVERLONG = [
    ["inspect", f"{LONG}.sqlite"], ["metrics", f"./{LONG}"], ["export", f"{LONG}.sqlite"],
    ["compare", f"{LONG}.sqlite", "last"], ["diagnose", f"{LONG}.sqlite"], ["report", f"{LONG}.sqlite"],
    ["run", f"{LONG}.toml", "--mock", "healthy-air"], ["profile", "check", f"{LONG}.toml"], ["profile", "show", LONG],
    ["job", "open", "--file", LONG], ["job", "show", LONG], ["runs", "--collect", LONG], ["history", LONG],
    ["channels", "--root", LONG], ["demo", "--out", LONG], ["metrics", LONG],
    ["import", LONG, "--time", "t", "--channel", "die_temp_c=a", "--stage", "load=0:9"],
    ["runs", "--pair", LONG, LONG], ["report", "--out", LONG], ["qa", "--profile", f"{LONG}.toml"],
    ["setup", "--logo", LONG], ["rig-check", LONG], ["run", "--root", LONG],
    ["run", "quick-look", "--attest", LONG, "--root", "."], ["inspect", "/".join(["d" * 200] * 30)],
]  # fmt: skip


@pytest.mark.parametrize("words", OVERLONG, ids=lambda words: " ".join(words)[:30])
def test_a_path_that_no_system_takes_is_bad_input(
    bench: Bench, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    new_job(bench, Intake(complaint="hot"), job_id="a", now=NOW)
    write_record(bench.runs_dir("a"), 1)
    code, answer = ask(capsys, bench, *words)
    assert code in ((0, 2) if words[0] == "setup" else (2,)), answer


def test_a_bench_folder_whose_name_no_system_takes_is_bad_input(capsys: pytest.CaptureFixture[str]) -> None:
    for name in (LONG, "a\0b", "~nobody-of-that-name/x", "/".join(["d" * 200] * 30)):
        assert cli.run(["runs", "--json", "--bench", name]) == 2
        assert json.loads(capsys.readouterr().out)["error"]["mend"]
