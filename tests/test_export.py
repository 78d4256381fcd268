"""Export as CSV: what comes out can be read by anybody, goes back in unchanged, and runs nothing."""

from __future__ import annotations

import csv
import io
import json
import math
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from verifyrig.commands import cli
from verifyrig.core.interfaces import Quality, Reading
from verifyrig.core.plain_text import plain_cell
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import StageSpan
from verifyrig.record import open_record, read_trace
from verifyrig.runs.csv_export import head_of, write_csv

CHANNELS = ("die_temp_c", "package_power_w")


def make(path: Path, *, simulated: bool = False) -> Path:
    facts = {"run": path.stem, "simulated": simulated}
    writer = open_record(path, facts=facts, profile_text=None, channels=CHANNELS, live=False)
    writer.stage_started("idle", "idle", 0.0)
    for i in range(20):
        stuck = 5 <= i < 8
        die = Reading(value=40.1 + i / 3, quality=Quality.STUCK if stuck else Quality.OK)
        power = Reading(value=None if i == 3 else -0.0 if i == 4 else 20.25, quality=Quality.OK)
        writer.sample(i / 2, 1_700_000_000.0 + i / 2, {"die_temp_c": die, "package_power_w": power})
    writer.stage_ended("idle", 5.0, "time")
    writer.fact("outcome", "completed")
    writer.close()
    return path


def rows_of(path: Path) -> list[dict[str, str]]:
    text = io.StringIO()
    write_csv(read_trace(path), text)
    return list(csv.DictReader(io.StringIO(text.getvalue(), newline="")))


def test_units_stand_in_the_head_and_a_quality_beside_each_reading(tmp_path: Path) -> None:
    rows = rows_of(make(tmp_path / "r.sqlite"))
    assert list(rows[0]) == [
        "t_s [s]",
        "utc [ISO 8601]",
        "stage",
        "die_temp_c [°C]",
        "die_temp_c quality",
        "package_power_w [W]",
        "package_power_w quality",
    ]
    assert [row["die_temp_c quality"] for row in rows[4:9]] == ["ok", "stuck", "stuck", "stuck", "ok"]
    assert (rows[3]["package_power_w [W]"], rows[3]["package_power_w quality"]) == ("", "missing")
    # 1 700 000 000 s after 1970-01-01 UTC is 2023-11-14 22:13:20 (POSIX.1, seconds since the Epoch).
    assert rows[1]["utc [ISO 8601]"] == "2023-11-14T22:13:20.500Z"
    assert [row["stage"] for row in rows[9:12]] == ["idle", "idle", ""]


def test_what_was_exported_comes_back_unchanged(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = make(tmp_path / "r.sqlite")
    out = tmp_path / "r.csv"
    assert cli.run(["export", str(path), "--out", str(out), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer == {"schema": 1, "run": "r", "out": str(out), "rows": 20}
    words = ["--time", "t_s [s]", "--channel", "die_temp_c=die_temp_c [°C]", "--stage", "idle=0:", "--bench"]
    words += [str(tmp_path / "bench"), "--channel", "package_power_w=package_power_w [W]", "--json"]
    assert cli.run(["import", str(out), *words]) == 0
    back = read_trace(Path(json.loads(capsys.readouterr().out)["record"]))
    trace = read_trace(path)
    assert np.array_equal(back.t_s, trace.t_s)
    for channel in CHANNELS:
        assert np.array_equal(back.columns[channel], trace.columns[channel], equal_nan=True)


def test_stdout_carries_the_table_and_nothing_else(tmp_path: Path) -> None:
    path = make(tmp_path / "r.sqlite")
    words = [sys.executable, "-m", "verifyrig", "export", str(path)]
    done = subprocess.run(words, capture_output=True, check=True, cwd=Path(__file__).parent.parent)
    lines = done.stdout.decode("utf-8").split("\r\n")
    assert len(lines) == 22 and lines[0].startswith("t_s [s],") and lines[-1] == ""


def test_simulated_hardware_is_named_in_every_row(tmp_path: Path) -> None:
    assert {row["hardware"] for row in rows_of(make(tmp_path / "r.sqlite", simulated=True))} == {"simulated hardware"}


# The characters that start a formula in spreadsheets, and what is stripped before them (common practice, no source).
@pytest.mark.parametrize("text", ["=1+1", "+1", "-1+2", "@SUM(1)", "\t=1", "\r=1", " =1", "%x", "|calc"])
def test_no_text_becomes_a_formula(tmp_path: Path, text: str) -> None:
    assert plain_cell(text).startswith("'")
    trace = read_trace(make(tmp_path / "r.sqlite"))
    span = StageSpan(name=text, kind=StageKind.IDLE, start_s=0.0, end_s=99.0)
    out = io.StringIO()
    write_csv(replace(trace, stages=(span,)), out)
    for row in csv.reader(io.StringIO(out.getvalue(), newline="")):
        for cell in row:
            if cell[:1] in ("=", "+", "-", "@", "\t", "\r", "|", "%"):
                assert math.isfinite(float(cell))


def test_an_ordinary_text_stays_as_it_is() -> None:
    assert plain_cell("idle-2") == "idle-2"


def test_a_record_is_not_overwritten_by_its_own_export(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = make(tmp_path / "r.sqlite")
    before = path.read_bytes()
    assert cli.run(["export", str(path), "--out", str(path), "--json"]) == 2
    assert path.read_bytes() == before and "error" in json.loads(capsys.readouterr().out)


def test_a_folder_that_is_not_there_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = make(tmp_path / "r.sqlite")
    assert cli.run(["export", str(path), "--out", str(tmp_path / "no" / "x.csv"), "--json"]) == 2
    assert "cannot be written" in json.loads(capsys.readouterr().out)["error"]["what"]


def test_the_head_fits_the_rows(tmp_path: Path) -> None:
    trace = read_trace(make(tmp_path / "r.sqlite"))
    out = io.StringIO()
    assert write_csv(trace, out) == 20
    widths = {len(row) for row in csv.reader(io.StringIO(out.getvalue(), newline=""))}
    assert widths == {len(head_of(trace))}
