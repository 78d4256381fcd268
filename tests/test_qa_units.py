"""Who a unit is, why it was measured again, and on which bench: identity, attempts, yields, benches as a factor."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from scipy import stats

from tests.batches import PROFILE, batch
from verifyrig.capability import ToleranceInterval, Unanswered, grouped_interval, nested_components
from verifyrig.commands.cli import run as main
from verifyrig.core.outcome import Outcome
from verifyrig.metrology.verdict import Verdict
from verifyrig.qa import UnitFigure, UnitRun, as_csv, as_json, as_junit, find, lines_of
from verifyrig.system.board_serial import bench_key, board_digest, board_serial

RISE = "load.die_temp_c.rise"


def once_more(run: UnitRun, at: int = 1, *, rework: str = "", rise_k: float | None = None) -> UnitRun:
    metrics = dict(run.metrics)
    if rise_k is not None:
        metrics[RISE] = UnitFigure(value=rise_k, u95=1.0, unit="K")
    started = run.started_utc_s + 100_000.0 * at
    return replace(run, run=f"{run.run}-{at}", started_utc_s=started, rework=rework, metrics=metrics)


def test_the_same_name_in_another_batch_is_another_machine() -> None:
    first = [replace(run, batch="week-13") for run in batch(12)]
    second = [once_more(replace(run, batch="week-14")) for run in first]
    second[6] = once_more(second[6], 2, rise_k=75.0)
    found = find([*first, *second], PROFILE)
    assert len(found.unit_verdicts) == 24
    assert found.unit_verdicts["week-14/unit-06"] is Verdict.FAIL
    assert found.unit_verdicts["week-13/unit-06"] is Verdict.PASS


def test_a_second_attempt_needs_a_reason_and_the_first_pass_yield_stays() -> None:
    runs = batch(12)
    bad = once_more(runs[3], rise_k=75.0)
    runs[3] = bad
    silent = find([*runs, once_more(bad, 2, rise_k=40.0)], PROFILE)
    assert silent.unit_verdicts[bad.unit] is Verdict.FAIL
    assert [item.why for item in silent.sorted.left_out] == [
        "measured again without a reason: `run --rework CODE` says one"
    ]
    mended = find([*runs, once_more(bad, 2, rework="paste", rise_k=40.0)], PROFILE)
    assert mended.unit_verdicts[bad.unit] is Verdict.PASS
    data = as_json(mended)
    assert (data["first_pass"]["passed"], data["final"]["passed"], data["final"]["of"]) == (11, 12, 12)
    # SciPy's exact interval of a proportion (Clopper and Pearson).
    exact = stats.binomtest(11, 12).proportion_ci(method="exact")
    assert (data["first_pass"]["low"], data["first_pass"]["high"]) == pytest.approx((exact.low, exact.high), rel=1e-6)
    assert any("First pass 11 of 12" in line for line in lines_of(mended))
    suite = ElementTree.fromstring(as_junit(mended)).find("testsuite")
    assert suite is not None and suite.get("failures") == "0"
    first = next(case for case in suite if "attempt 1 of 2" in case.get("name", ""))
    skipped = first.find("skipped")
    assert skipped is not None and "superseded by a later attempt" in skipped.get("message", "")


def test_a_run_that_was_cut_short_is_followed_by_another_without_a_reason() -> None:
    runs = batch(12)
    runs[3] = replace(runs[3], outcome=Outcome.TRIPPED, stopped_by="the die reached its trip limit")
    suite = ElementTree.fromstring(as_junit(find(runs, PROFILE))).find("testsuite")
    assert suite is not None
    text = "".join(failure.text or "" for case in suite for failure in case.findall("failure"))
    assert "outcome: tripped: the die reached its trip limit" in text
    found = find([*runs, once_more(replace(runs[3], outcome=Outcome.COMPLETED, stopped_by=""))], PROFILE)
    assert not found.sorted.left_out and found.unit_verdicts[runs[3].unit] is Verdict.PASS


def test_a_name_on_two_boards_and_a_board_under_two_names_are_asked() -> None:
    runs = [replace(run, board=f"{at:020x}") for at, run in enumerate(batch(12))]
    assert find(runs, PROFILE).verdict is Verdict.PASS
    swapped = once_more(replace(runs[2], board="f" * 20, outcome=Outcome.COMPLETED), rework="")
    cut = [*runs[:2], replace(runs[2], outcome=Outcome.TRIPPED), *runs[3:]]
    asked = find([*cut, swapped], PROFILE)
    assert [q.why.code for q in asked.sorted.questions] == ["unit-on-two-boards"]
    renamed = find([*runs, once_more(replace(runs[5], unit="unit-99"))], PROFILE)
    assert [q.why.code for q in renamed.sorted.questions] == ["board-under-two-names"]
    assert renamed.verdict is Verdict.CONDITIONAL_PASS
    assert find([*runs, once_more(replace(runs[5], unit="unit-99"), rework="label")], PROFILE).sorted.questions == ()
    # One serial under three names and more is a maker's placeholder, and no identity.
    alike = [replace(run, board="a" * 20) for run in batch(12)]
    assert find(alike, PROFILE).sorted.questions == ()


@pytest.mark.parametrize("serial", ["To Be Filled By O.E.M.", "Default string", "0000000000", "None", "123456789", ""])
def test_placeholders_are_no_serials(tmp_path: Path, serial: str) -> None:
    folder = tmp_path / "sys/class/dmi/id"
    folder.mkdir(parents=True)
    (folder / "board_serial").write_text(serial + "\n", "utf-8")
    assert board_serial(tmp_path) is None
    (folder / "product_serial").write_text("INV-0042-77\n", "utf-8")
    assert board_serial(tmp_path) == "INV-0042-77"
    key = bench_key(tmp_path / "bench")
    assert key is not None and bench_key(tmp_path / "bench") == key
    digest = board_digest(tmp_path, key)
    assert digest is not None and digest == board_digest(tmp_path, key) != board_digest(tmp_path, b"another key")
    assert "0042" not in digest
    assert ((tmp_path / "bench" / "identity.key").stat().st_mode & 0o777) == 0o600


def spread_over_benches(seed: int, benches: int, each: int) -> tuple[list[float], list[int]]:
    rng = np.random.default_rng(seed)
    levels = rng.normal(0, 1, benches)
    values = [float(levels[at] + rng.normal(0, 1)) for at in range(benches) for _ in range(each)]
    return values, [at for at in range(benches) for _ in range(each)]


def test_a_claim_across_benches_holds_for_units_of_any_bench() -> None:
    # Bench spread equal to unit spread: 95 % of all units lie below 1.645 sqrt(2). One bench's own: 46 %.
    true = 1.6448536 * math.sqrt(2)
    covered = 0
    for seed in range(100):
        values, benches = spread_over_benches(seed, 4, 8)
        interval = grouped_interval(values, benches, side="upper")
        assert isinstance(interval, ToleranceInterval) and interval.high is not None
        covered += interval.high >= true
    assert covered / 100 >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / 100)
    two = grouped_interval(*spread_over_benches(1, 2, 8), side="upper")
    assert isinstance(two, Unanswered)


def test_components_of_variance_agree_with_the_balanced_analysis_by_hand() -> None:
    # Balanced nested design: mean squares by their definition give the components directly (Searle et al., chapter 4).
    rng = np.random.default_rng(4)
    y = rng.normal(0, 2, (6, 1, 1)) + rng.normal(0, 1, (6, 3, 1)) + rng.normal(0, 0.5, (6, 3, 4))
    benches, days = np.meshgrid(range(6), range(3), indexing="ij")
    found = nested_components(
        y.ravel(),
        [("bench", np.repeat(benches.ravel(), 4).tolist()), ("day", np.repeat(days.ravel(), 4).tolist())],
        "unit",
    )
    assert not isinstance(found, Unanswered)
    ms_unit = y.var(axis=2, ddof=1).mean()
    ms_day = 4 * y.mean(axis=2).var(axis=1, ddof=1).mean()
    ms_bench = 12 * y.mean(axis=(1, 2)).var(ddof=1)
    expected = [(ms_bench - ms_day) / 12, (ms_day - ms_unit) / 4, ms_unit]
    assert [one.sd**2 for one in found] == pytest.approx(expected)
    assert [one.dof for one in found] == [5, 12, 54]


def test_qa_says_of_which_benches_it_speaks_and_which_lies_apart() -> None:
    runs = [replace(run, bench="A") for run in batch(24)]
    alone = find(runs, PROFILE).metrics[RISE]
    assert "measured on bench A alone, so it holds of that bench" in alone.notes
    names = "ABC"
    several = [replace(run, bench=names[at % 3]) for at, run in enumerate(batch(45))]
    off = [
        replace(run, metrics={**run.metrics, RISE: run.metrics[RISE]._replace(value=v + 4.0)})
        if run.bench == "C" and (v := run.metrics[RISE].value) is not None
        else run
        for run in several
    ]
    found = find(off, PROFILE)
    metric = as_json(found)["metrics"][RISE]
    assert metric["benches"]["C"]["apart"] and metric["components"][0]["name"] == "bench"
    assert metric["ppk_low"] is None
    assert "of units on any bench like these 3" in metric["notes"]
    assert not metric["order"]  # a bench's own level is no drift
    table = list(csv.reader(io.StringIO(as_csv(found))))
    assert {row[table[0].index("bench")] for row in table[1:]} == set(names)


def test_a_run_of_a_line_carries_bench_board_and_rework(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "bench.toml").write_text('[bench]\nid = "north-2"\n', "utf-8")
    words = ["run", "quick-look", "--mock", "healthy-air:3", "--speed", "max", "--unit", "u1", "--batch", "b1"]
    main([*words, "--rework", "paste", "--yes", "--json", "--bench", str(tmp_path)])
    run = json.loads(capsys.readouterr().out)["run"]
    main(["qa", "--profile", "quick-look", "--json", "--bench", str(tmp_path)])
    attempt = json.loads(capsys.readouterr().out)["attempts"][0]
    assert (attempt["run"], attempt["bench"], attempt["rework"]) == (run, "north-2", "paste")
