"""`verifyrig qa` and `rig-check` on small invented records: exit codes, outputs, bad input."""

from __future__ import annotations

import csv
import json
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from tests.small_records import PROFILE_TEXT, write_record
from verifyrig.analysis import Metric
from verifyrig.commands.cli import run
from verifyrig.core.trace import Trace
from verifyrig.plan.text import parse_profile
from verifyrig.qa.index import collect_runs

PEAK = "load.die_temp_c.peak"


@pytest.fixture(scope="module", autouse=True)
def quick_analysis() -> Iterator[None]:
    """Stand in for the thermal analysis, which is tested elsewhere and would take most of the time here."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("verifyrig.analysis.metrics_of", peak_and_errors)
        yield


def peak_and_errors(trace: Trace) -> dict[str, Metric]:
    load = trace.stage("load")
    assert load is not None
    during = trace.within(load)
    peak_c = float(np.max(trace.columns["die_temp_c"][during]))
    errors = float(np.max(trace.columns["compute_errors"][during]))
    return {
        PEAK: Metric(value=peak_c, unit="°C", u95=1.0),
        "load.compute_errors": Metric(value=errors, unit="1", u95=0.0),
    }


@pytest.fixture(scope="module")
def kept_bench(tmp_path_factory: pytest.TempPathFactory, quick_analysis: None) -> Path:
    """Return a bench folder with ten sound units of a tiny build profile, their figures kept."""
    folder = tmp_path_factory.mktemp("kept")
    (folder / "profiles").mkdir()
    (folder / "profiles" / "tiny-build.toml").write_text(PROFILE_TEXT, "utf-8")
    (folder / "bench.toml").write_text('[shop]\nname = "Invented shop"\n', "utf-8")
    paths = [write_record(folder / "runs", number) for number in range(10)]
    collect_runs(folder, paths, lambda name: True)
    return folder


@pytest.fixture
def bench(kept_bench: Path, tmp_path: Path) -> Path:
    """Return a copy of it to work on."""
    return Path(shutil.copytree(kept_bench, tmp_path / "bench"))


def answer(bench: Path, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    capsys.readouterr()
    code = run([*words, "--bench", str(bench), "--json"])
    return code, json.loads(capsys.readouterr().out)


def qa(bench: Path, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    return answer(bench, capsys, "qa", "--profile", "tiny-build", "--cores", "1", *words)


def test_sound_units_pass(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, data = qa(bench, capsys)
    assert (code, data["verdict"], data["units"], data["schema"]) == (0, "pass", 10, 1)
    peak = data["metrics"][PEAK]
    assert peak["n"] == 10
    assert peak["max"] == 75.0
    assert peak["mean"] < peak["tolerance_high"] < 75.0
    assert data["simulated"] is True


def test_a_unit_over_the_limit_fails_the_batch(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_record(bench / "runs", 10, k_per_w=0.60)
    code, data = qa(bench, capsys)
    assert (code, data["verdict"]) == (1, "fail")
    assert [a["verdict"] for a in data["attempts"]].count("fail") == 1


def test_a_warm_room_and_a_wrong_result_are_told_apart(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_record(bench / "runs", 10, ambient_c=34.0)
    write_record(bench / "runs", 11, errors=2)
    code, data = qa(bench, capsys)
    assert code == 1
    assert [item["unit"] for item in data["left_out"]] == ["unit-10"]
    assert "its room was 34" in data["left_out"][0]["why"]
    assert data["metrics"]["load.compute_errors"]["verdict"] == "fail"


def test_an_altered_record_is_named_and_the_rest_is_answered(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = sorted((bench / "runs").glob("*.sqlite"))[4]
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE sample SET die_temp_c = 30 WHERE rowid = 250")
    connection.close()
    code, data = qa(bench, capsys)
    assert code == 1  # an altered record, by the contract
    assert data["left_out"][0]["unit"] == "unit-04"
    assert "sample 250" in data["left_out"][0]["why"]
    assert data["metrics"][PEAK]["n"] == 9


def test_a_damaged_last_attempt_of_a_unit_leaves_it_without_a_verdict(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    second = write_record(bench / "runs", 40, unit="unit-04")
    with sqlite3.connect(second) as connection:
        connection.execute("UPDATE sample SET die_temp_c = 30 WHERE rowid = 250")
    connection.close()
    code, data = qa(bench, capsys)
    assert code == 1
    assert [item["unit"] for item in data["left_out"]] == ["unit-04", "unit-04"]
    assert "a later attempt" in data["left_out"][0]["why"]


def test_one_unit_and_no_unit_are_not_proven(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    first = sorted((bench / "runs").glob("*.sqlite"))[0].stem
    code, data = qa(bench, capsys, first)
    assert (code, data["verdict"], data["units"]) == (4, "conditional-pass", 1)
    empty = bench / "empty"
    (empty / "profiles").mkdir(parents=True)
    (empty / "profiles" / "tiny-build.toml").write_text(PROFILE_TEXT, "utf-8")
    code, data = qa(empty, capsys)
    assert (code, data["verdict"], data["units"]) == (4, "not-measured", 0)


def test_runs_of_another_recipe_are_left_out_only_where_they_were_named(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = PROFILE_TEXT.replace("tiny-build", "other-build").replace("max_duration_s = 240", "max_duration_s = 250")
    path = write_record(bench / "runs", 20, profile_text=other)
    assert qa(bench, capsys)[1]["left_out"] == []
    code, data = qa(bench, capsys, path.stem)
    assert code == 4
    assert "its recipe is not that of tiny-build" in data["left_out"][0]["why"]


def test_page_csv_and_junit_are_written_whole(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_record(bench / "runs", 10, unit='<script>alert(1)</script>=1+1 & "x"', k_per_w=0.60)
    files = [bench / "out" / f"qa.{ending}" for ending in ("html", "csv", "xml")]
    code, data = qa(bench, capsys, *(word for file in files for word in ("--out", str(file))))
    assert code == 1
    assert data["files"] == [str(file) for file in files]
    page = files[0].read_text("utf-8")
    html5lib = pytest.importorskip("html5lib", reason="html5lib is not installed")
    html5lib.HTMLParser(strict=True).parse(page)
    assert "<script" not in page
    assert "http:" not in page.replace("http://www.w3.org", "") and "https:" not in page
    assert "simulated hardware" in page
    rows = list(csv.reader(files[1].read_text("utf-8-sig").splitlines()))
    assert len(rows) == 12
    suite = ElementTree.parse(files[2]).find("testsuite")
    assert suite is not None
    assert (suite.get("tests"), suite.get("failures")) == ("12", "1")


def test_two_batches_are_compared(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for number in range(20, 28):
        write_record(bench / "runs", number, k_per_w=0.38, facts={"batch": "batch-2"})
    words = ("--batch", "batch-2", "--against", "batch-1", "--margin", f"{PEAK}=1.0")
    code, data = qa(bench, capsys, *words)
    assert code == 0
    assert data["units"] == 8
    peak = data["comparison"]["metrics"][PEAK]
    # 100 W times 0.03 K/W.
    assert peak["low"] <= 3.0 <= peak["high"]
    assert peak["significant"] is True
    assert peak["equivalent"] is False


def test_limits_from_golden_units_become_a_profile_that_can_be_run(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = bench / "profiles" / "tiny-golden.toml"
    code, data = qa(bench, capsys, "--propose", str(target))
    assert code == 0
    profile = parse_profile(target.read_text("utf-8"), origin="golden")
    assert profile.name == "tiny-golden"
    assert "simulated hardware" in profile.thresholds[0].why
    limit_c = profile.thresholds[0].maximum
    assert limit_c is not None
    assert limit_c == data["proposals"][0]["limit"]
    assert limit_c < 75.0
    code, data = qa(bench, capsys, "--propose", str(target))
    assert (code, data["error"]["what"]) == (2, "there is such a file already")


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (["--out", "qa.pdf"], "'qa.pdf' has none of the known endings"),
        (["--batch", "nobody"], "no run belongs to 'nobody'"),
        (["--margin", "x=1"], "--margin needs --against"),
        (["--against", "batch-1", "--margin", "x"], "'x' is no margin"),
        (["--against", "batch-1", "--margin", "x=-1"], "'x=-1' is no margin"),
        (["--cores", "0"], "0 is no number of cores"),
        (["--propose", "limits.txt"], "a profile ends in .toml"),
        (["no-such-run"], "no record of this bench begins with it"),
    ],
)
def test_bad_words_are_refused_in_a_sentence(
    bench: Path, capsys: pytest.CaptureFixture[str], words: list[str], what: str
) -> None:
    code, data = qa(bench, capsys, *words)
    assert code == 2
    assert data["error"]["what"] == what
    assert data["error"]["mend"]


def test_text_for_a_person_ends_in_word_and_shape(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["qa", "--profile", "tiny-build", "--cores", "1", "--bench", str(bench)]) == 0
    text = capsys.readouterr().out
    assert "QA of tiny-build: 10 units, simulated hardware" in text
    assert text.rstrip().endswith("● Passed.")


def test_rig_check_charts_the_golden_unit_named_in_bench_toml(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings = '[rig_check]\ngolden = ["gold-1"]\nprofile = "tiny-build"\n'
    (bench / "bench.toml").write_text(settings, "utf-8")
    code, data = answer(bench, capsys, "rig-check")
    assert (code, data["verdict"]) == (4, "not-measured")
    for number in range(100, 108):
        write_record(bench / "runs", number, unit="gold-1")
    code, data = answer(bench, capsys, "rig-check")
    assert (code, data["verdict"]) == (0, "pass")
    assert {chart["unit"] for chart in data["golden"]} == {"gold-1"}
    write_record(bench / "runs", 108, unit="gold-1", k_per_w=0.45)
    code, data = answer(bench, capsys, "rig-check")
    assert (code, data["verdict"]) == (1, "fail")


def test_rig_check_studies_the_gauge_and_knows_what_is_overdue(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings = (
        '[rig_check]\nprofile = "tiny-build"\n[channel.die_temp_c]\ncalibrated = 2020-01-01\ndue = 2021-01-01\n'
        '[channel.plate_temp_c]\ncorrection = -0.3\nexpanded_uncertainty = 0.1\nmatched_to = "ambient_temp_c"\n'
    )
    (bench / "bench.toml").write_text(settings, "utf-8")
    number = 200
    for unit in range(3):
        for mount in range(2):
            states = {"panel": "closed", "remount": str(mount)}
            write_record(
                bench / "runs", number, unit=f"study-{unit}", k_per_w=0.30 + 0.03 * unit, facts={"states": states}
            )
            number += 1
    code, data = answer(bench, capsys, "rig-check")
    assert data["gauge"][PEAK]["factor"] == "remount"
    assert data["gauge"][PEAK]["distinct_categories"] >= 2
    assert data["overdue"] == ["die_temp_c is overdue since 2021-01-01"]
    assert data["matches"] == {"plate_temp_c": "-0.30 ± 0.10 K to agree with ambient_temp_c"}
    assert code == 4


@pytest.mark.parametrize(
    ("toml", "where"),
    [
        ("", "rig-check"),
        ('[rig_check]\ngolden = "gold-1"', "bench.toml, rig_check"),
        ("[rig_check]\nprofile = 3", "bench.toml, rig_check"),
    ],
)
def test_rig_check_refuses_what_it_cannot_use(
    bench: Path, capsys: pytest.CaptureFixture[str], toml: str, where: str
) -> None:
    (bench / "bench.toml").write_text(toml, "utf-8")
    code, data = answer(bench, capsys, "rig-check")
    assert code == 2 and data["error"]["where"].endswith(where)
