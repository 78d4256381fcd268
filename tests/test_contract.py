"""The contract of commands: JSON keys, exit codes, one sentence for bad input. Run as processes of their own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.forked import forked

REPO = Path(__file__).resolve().parent.parent
RUN_KEYS = {
    "schema", "run", "record", "profile", "recipe", "purpose", "job", "unit", "simulated", "outcome", "cause", "trip",
    "not_armed", "stages", "metrics", "thresholds", "verdict",
    # Added to the contract (docs/contract.md):
    "integrity", "not_watched", "advice", "climbs", "exposure", "contradictions",
}  # fmt: skip
UNITS = {"°C", "K", "K/s", "K/W", "W", "V", "rpm", "MHz", "s", "1/s", "1"}
VERDICTS = {"pass", "conditional-pass", "conditional-fail", "fail", "not-measured"}

SHORT = """
name = "short"
title = "Short enough for a test"

[trip]
die_temp_c = { max = 95.0, below_machine_limit_k = 3.0 }

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 30
gate = { channel = "die_temp_c", max = 50.0, max_rise_k = 25.0 }

[[stage]]
name = "pulses"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 10, count = 2, workers = "quarter" }

[[stage]]
name = "cooldown"
kind = "cooldown"
max_duration_s = 30

[[threshold]]
metric = "pulses.die_temp_c.peak"
max = 80.0
"""


def verifyrig(*words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run the command line as a user's shell would, without a terminal."""
    done = forked().run(list(words), cwd)
    return subprocess.CompletedProcess(words, done.returncode, done.stdout.decode(), done.stderr.decode())


def started(*words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run it so in a fresh interpreter."""
    return subprocess.run(
        [sys.executable, "-m", "verifyrig", *words],
        cwd=cwd, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=100,
        env={**os.environ, "PYTHONPATH": str(REPO)},
    )  # fmt: skip


def answer(*words: str, cwd: Path, code: int) -> dict[str, Any]:
    """Return the JSON object of a command that must end with `code`."""
    done = verifyrig(*words, "--json", cwd=cwd)
    assert done.returncode == code, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    assert found["schema"] == 1
    return found


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bench folder with a short profile and three runs: sound, closed gate, gone dark."""
    folder = tmp_path_factory.mktemp("bench")
    (folder / "bench.toml").write_text("")
    (folder / "profiles").mkdir()
    (folder / "profiles" / "short.toml").write_text(SHORT)
    answer("run", "short", "--mock", "healthy-air", cwd=folder, code=0)
    return folder


def test_a_run_has_all_keys_of_the_contract_and_no_others(bench: Path) -> None:
    found = answer("metrics", "last", cwd=bench, code=0)
    assert set(found) == RUN_KEYS
    assert all({"name", "kind", "start_s", "end_s", "ended"} == set(stage) for stage in found["stages"])
    for name, metric in found["metrics"].items():
        assert {"value", "unit", "u95"} <= set(metric) <= {"value", "unit", "u95", "note", "settled"}, name
        assert metric["unit"] in UNITS, name
        assert metric["value"] is not None or metric["note"], name
    for threshold in found["thresholds"]:
        allowed = {"metric", "min", "max", "value", "u95", "verdict", "note"}
        assert set(threshold) <= allowed and threshold["verdict"] in VERDICTS


def test_a_sound_machine_passes_with_exit_0(bench: Path) -> None:
    found = answer("run", "short", "--mock", "healthy-liquid", cwd=bench, code=0)
    assert (found["outcome"], found["verdict"], found["simulated"]) == ("completed", "pass", True)


def test_a_closed_gate_is_a_stop_for_safety_with_exit_3(bench: Path) -> None:
    found = answer("run", "short", "--mock", "coolant-stopped", cwd=bench, code=3)
    assert found["outcome"] == "stopped"
    assert {s["name"]: s["ended"] for s in found["stages"]}["idle"] == "gate"


def test_channels_answers_for_a_root(bench: Path, tmp_path: Path) -> None:
    from mock_hw.bench import SimulatedBench

    SimulatedBench("healthy-air", 0, tmp_path / "tree").close()
    found = answer("channels", "--root", str(tmp_path / "tree"), cwd=bench, code=0)
    assert {"channels", "can", "cannot"} <= set(found)
    keys = {"channel", "label", "device", "source", "quantity", "unit", "value", "quality", "limit"}
    assert all(keys <= set(channel) <= keys | {"note"} for channel in found["channels"])
    assert "die_temp_c" in {channel["channel"] for channel in found["channels"]}


def test_runs_and_inspect_and_compare_have_their_keys(bench: Path) -> None:
    listed = answer("runs", cwd=bench, code=0)["runs"]
    keys = {"run", "record", "job", "unit", "profile", "purpose", "outcome", "cause", "started", "verdict"}
    assert listed and all(keys <= set(run) for run in listed)
    seen = answer("inspect", "last", cwd=bench, code=0)
    assert {"run", "whole", "sealed", "altered", "digest", "outcome", "cause", "last_sample_s", "largest_lag_s"} <= set(
        seen
    )
    assert seen["whole"] and seen["sealed"] and seen["altered"] is None
    compared = verifyrig("compare", "first", "last", "--json", cwd=bench)
    assert {"schema", "before", "after", "stages", "comparable", "metrics"} <= set(json.loads(compared.stdout))


@pytest.mark.parametrize(
    ("words", "where"),
    [
        (["run", "no-such-profile"], "no-such-profile"),
        (["run", "short", "--mock", "no-such-case"], "--mock"),
        (["run", "short", "--job", "no-such-job"], "no-such-job"),
        (["run", "short", "--job", "../etc"], "job id"),
        (["run", "short", "--speed", "3"], "--speed"),
        (["run", "short", "--ambient", "warm"], "--ambient"),
        (["run", "short", "--state", "panel"], "--state"),
        (["run", "short", "--mock", "healthy-air", "--root", "/"], "verifyrig run"),
        (["run", "short", "--root", "/no/such/folder"], "--root"),
        (["metrics", "no-such-record"], "no-such-record"),
        (["inspect", "no-such.sqlite"], "no-such.sqlite"),
        (["compare", "first"], ""),
        (["report", "no-such-job"], "no-such-job"),
        (["demo", "--case", "no-such-case"], "--case"),
        (["nonsense"], "verifyrig"),
    ],
)
def test_bad_input_gets_one_sentence_and_exit_2(bench: Path, words: list[str], where: str) -> None:
    done = verifyrig(*words, "--json", cwd=bench)
    assert done.returncode == 2, done.stderr
    error = json.loads(done.stdout)["error"]
    assert set(error) == {"what", "where", "mend"} and all(error.values())
    assert where in error["where"]
    assert "Traceback" not in done.stderr and len(done.stderr.strip().splitlines()) == 1
    assert done.stderr.startswith("verifyrig") and not done.stderr.startswith("verifyrig: verifyrig")


def test_a_profile_with_a_typo_is_refused_by_file_and_key(bench: Path) -> None:
    (bench / "profiles" / "typo.toml").write_text(SHORT.replace("max_duration_s = 30", "max_duratoin_s = 30", 1))
    done = verifyrig("run", "typo", "--mock", "healthy-air", cwd=bench)
    assert done.returncode == 2
    assert "typo.toml" in done.stderr and "max_duratoin_s" in done.stderr
    (bench / "profiles" / "typo.toml").unlink()


def _laid(folder: Path) -> str:
    """Lay out a machine to which the bench's own sensors apply; a `--mock` run has none of them."""
    from mock_hw.bench import SimulatedBench

    SimulatedBench("healthy-air", 0, folder / "tree").close()
    return str(folder / "tree")


def test_a_bench_toml_that_names_a_channel_that_is_gone_is_refused(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text('[channel.plate_temp_c]\nsource = "no such device"\n')
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "short.toml").write_text(SHORT)
    done = verifyrig("run", "short", "--root", _laid(tmp_path), cwd=tmp_path)
    assert done.returncode == 2 and "plate_temp_c" in done.stderr
    assert not list(tmp_path.rglob("*.sqlite"))


def test_a_tree_that_no_simulated_machine_serves_is_refused_before_anything_is_measured(bench: Path) -> None:
    (bench / "bare" / "sys").mkdir(parents=True)
    done = verifyrig("run", "short", "--root", "bare", "--json", cwd=bench)
    assert done.returncode == 2 and "listed, not run" in json.loads(done.stdout)["error"]["what"]


def test_a_serial_port_that_is_not_there_is_named(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(
        '[[instrument]]\nid = "probe"\nurl = "/dev/no-such-port"\nprotocol = "text"\n'
        'channels = { t1 = "plate_temp_c" }\n'
    )
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "short.toml").write_text(SHORT)
    done = verifyrig("run", "short", "--root", _laid(tmp_path), cwd=tmp_path)
    assert done.returncode == 2 and "/dev/no-such-port" in done.stderr


def test_help_names_all_commands_and_exit_codes(tmp_path: Path) -> None:
    done = started("--help", cwd=tmp_path)
    assert done.returncode == 0
    for word in ("setup", "demo", "channels", "rig-check", "calibrate", "exit codes", "130"):
        assert word in done.stdout


def test_without_a_terminal_the_bare_program_shows_its_help(tmp_path: Path) -> None:
    done = started(cwd=tmp_path)
    assert done.returncode == 0 and "commands" in done.stdout
