"""QA of a batch of invented units: what is named, what is left in peace, and what is said where data are bad."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest

from tests.batches import (
    MOUNTING_FAULT,
    OVER_LIMIT,
    PROFILE,
    WARM_ROOM,
    again,
    batch,
    batch_with_three_faults,
    unit_run,
)
from verifyrig.capability import k_one_sided
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.profile import Threshold
from verifyrig.metrology.verdict import Verdict
from verifyrig.qa import UnitFigure, UnitRun, as_csv, as_json, as_junit, find, find_shapes, lines_of

RISE = "load.die_temp_c.rise"


def named(runs: list[UnitRun]) -> set[str]:
    """Return every unit that QA points at: not passed, outlier, odd fingerprint, or left out."""
    found = find(runs, PROFILE)
    units = {run.run: run.unit for run in runs}
    outliers = {units[run] for metric in found.metrics.values() for run in metric.outliers}
    failing = {unit for unit, verdict in found.unit_verdicts.items() if verdict is not Verdict.PASS}
    return outliers | failing | {s.unit for s in found.shapes} | {item.unit for item in found.sorted.left_out}


def with_figure(run: UnitRun, name: str, figure: UnitFigure) -> UnitRun:
    return replace(run, metrics={**run.metrics, name: figure})


@pytest.mark.parametrize("seed", range(1, 11))
def test_three_planted_faults_are_named_and_nobody_else(seed: int) -> None:
    expected = {f"unit-{number:02d}" for number in (OVER_LIMIT, MOUNTING_FAULT, WARM_ROOM)}
    assert named(batch_with_three_faults(seed)) == expected


def test_each_planted_fault_is_named_for_what_it_is() -> None:
    found = find(batch_with_three_faults(), PROFILE)
    assert found.unit_verdicts[f"unit-{OVER_LIMIT:02d}"] is Verdict.FAIL
    assert found.unit_verdicts[f"unit-{MOUNTING_FAULT:02d}"] is Verdict.PASS
    contact = [shape for shape in found.shapes if shape.unit == f"unit-{MOUNTING_FAULT:02d}"]
    assert [shape.window for shape in contact] == [1]
    assert contact[0].ratio == pytest.approx(1.4, abs=0.1)
    assert contact[0].what.startswith("first window 4") or contact[0].what.startswith("first window 3")
    assert "die to plate" in contact[0].what
    assert [item.unit for item in found.sorted.left_out] == [f"unit-{WARM_ROOM:02d}"]
    assert "its room was 34.0 °C" in found.sorted.left_out[0].why
    assert found.verdict is Verdict.FAIL


def test_a_sound_batch_is_left_in_peace() -> None:
    # The false-alarm level is 0.1 % of batches for outliers, less for fingerprints: of 100 batches 0.1, 3 sigma of it.
    alarms = sum(bool(named(batch(30, seed))) for seed in range(100, 200))
    assert alarms <= 0.1 + 3 * math.sqrt(0.1)


def test_an_outlier_far_inside_the_limit_is_found_from_seven_standard_deviations_on() -> None:
    found = 0
    for seed in range(50):
        runs = batch(30, seed)
        rises = [run.metrics[RISE].value for run in runs]
        odd = float(np.mean(rises) - 7 * np.std(rises, ddof=1))  # type: ignore[arg-type]
        runs[9] = with_figure(runs[9], RISE, UnitFigure(value=odd, u95=1.2, unit="K"))
        found += find(runs, PROFILE).metrics[RISE].outliers == (runs[9].run,)
    assert found >= 48


def test_a_sound_batch_of_thirty_passes_with_its_claim() -> None:
    found = find(batch(30), PROFILE)
    assert found.verdict is Verdict.PASS
    rise = found.metrics[RISE]
    assert rise.mean is not None
    assert rise.sd is not None
    assert rise.tolerance_low is None
    assert rise.tolerance_high == pytest.approx(rise.mean + k_one_sided(30) * rise.sd)
    assert rise.ppk == pytest.approx((60 - rise.mean) / (3 * rise.sd))
    assert rise.ppk_low is not None
    assert rise.ppk is not None
    assert rise.ppk_low < rise.ppk
    errors = found.metrics["load.compute_errors"]
    # No event in 30: at most 9.5 % (exact bound); 59 clean units prove 5 %.
    assert any("at most 9.5 %" in note or "at most 9.5%" in note for note in errors.notes)
    assert any("29 more such units" in note for note in errors.notes)


def test_few_units_pass_only_provisionally() -> None:
    found = find(batch(7), PROFILE)
    assert set(found.unit_verdicts.values()) == {Verdict.PASS}
    assert found.verdict is Verdict.CONDITIONAL_PASS
    assert "provisional: 7 units" in found.metrics[RISE].notes


def test_the_interval_decides_on_further_units_and_not_the_largest_value() -> None:
    rng = np.random.default_rng(33)
    runs = [with_figure(run, RISE, UnitFigure(value=float(rng.normal(55, 2)), u95=0.5, unit="K")) for run in batch(10)]
    found = find(runs, PROFILE)
    assert all(verdict is Verdict.PASS for verdict in found.unit_verdicts.values())
    rise = found.metrics[RISE]
    assert rise.tolerance_high is not None
    assert rise.tolerance_high > 60
    assert rise.verdict is Verdict.CONDITIONAL_PASS
    assert any("more units like these" in note for note in rise.notes)


def test_a_retest_until_it_passes_stays_visible() -> None:
    runs = batch(12)
    bad = with_figure(runs[3], RISE, UnitFigure(value=61.0, u95=1.2, unit="K"))
    second = again(bad, {RISE: UnitFigure(value=60.5, u95=1.2, unit="K")})
    third = again(second, {RISE: UnitFigure(value=58.0, u95=1.2, unit="K")})
    third = replace(third, run="20260202-180000-more")
    found = find([*runs[:3], bad, second, third, *runs[4:]], PROFILE)
    own = [attempt for attempt in found.attempts if attempt.run.unit == bad.unit]
    assert [(attempt.number, attempt.of) for attempt in own] == [(1, 3), (2, 3), (3, 3)]
    assert [attempt.counted for attempt in own] == [True, False, False]
    assert found.unit_verdicts[bad.unit] is Verdict.PASS
    assert any("measured more than once: unit-03" in note for note in found.notes)
    assert sum("of 3" in line for line in lines_of(found)) == 3
    data = as_json(found)
    assert [a["verdict"] for a in data["attempts"] if a["unit"] == bad.unit] == [
        "conditional-fail",
        "conditional-fail",
        "pass",
    ]
    assert data["units"] == 12


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"recipe": "recipe-2"}, "its recipe is not that of build-air"),
        ({"recipe": None}, "its recipe is unknown"),
        ({"version": "0"}, "computed with analysis version 0, the others with 1"),
        ({"refused": "sample 12 was altered"}, "sample 12 was altered"),
        ({"outcome": "running"}, "the run is not over"),
        ({"outcome": "interrupted", "cause": "operator"}, "the operator ended the run"),
        ({"states": {"panel": "open"}}, "panel is open, of the others closed"),
        ({"ambient_c": 14.0}, "its room was 14.0 °C"),
    ],
)
def test_runs_that_cannot_be_compared_are_left_out_with_the_reason(change: dict[str, object], why: str) -> None:
    runs = batch(12)
    runs[5] = replace(runs[5], **change)  # type: ignore[arg-type]
    found = find(runs, PROFILE)
    assert [item.run for item in found.sorted.left_out] == [runs[5].run]
    assert why in found.sorted.left_out[0].why
    assert found.metrics[RISE].n == 11
    # A run of another recipe, or one that still goes on, says nothing of this batch; others leave a unit unmeasured.
    foreign = "recipe" in change or change.get("outcome") == "running"
    assert found.verdict is (Verdict.PASS if foreign else Verdict.NOT_MEASURED)
    assert ("no comparable run of unit-05" in found.notes) is not foreign


def test_a_unit_left_out_once_and_measured_well_later_is_judged() -> None:
    runs = batch(12)
    runs.append(replace(again(runs[5], {}), run="20260202-190000-more"))
    runs[5] = replace(runs[5], refused="sample 12 was altered")
    found = find(runs, PROFILE)
    assert found.verdict is Verdict.PASS
    assert len(found.sorted.left_out) == 1


def test_a_damaged_last_attempt_does_not_bring_back_an_earlier_pass() -> None:
    runs = batch(20)
    last = replace(again(runs[5], {}), refused="sample 12 was altered", broken=True)
    found = find([*runs, last], PROFILE)
    assert runs[5].unit in found.sorted.without_run and runs[5].unit not in found.unit_verdicts
    assert {item.run for item in found.sorted.left_out} == {runs[5].run, last.run}
    of_no_time = replace(last, started_utc_s=0.0)
    assert runs[5].unit in find([*runs, of_no_time], PROFILE).sorted.without_run
    earlier = replace(last, started_utc_s=runs[5].started_utc_s - 3600)
    assert runs[5].unit in find([*runs, earlier], PROFILE).unit_verdicts


def test_a_machine_that_died_under_load_is_evidence_and_fails() -> None:
    runs = batch(12)
    runs[5] = replace(runs[5], outcome=Outcome.INTERRUPTED, cause=CauseClass.POWER_OFF, lost_power=True, metrics={})
    found = find(runs, PROFILE)
    assert found.sorted.left_out == ()
    assert found.unit_verdicts["unit-05"] is Verdict.FAIL
    assert found.verdict is Verdict.FAIL


def test_a_tripped_run_never_passes() -> None:
    runs = batch(12)
    runs[5] = replace(runs[5], outcome=Outcome.TRIPPED)
    found = find(runs, PROFILE)
    assert found.unit_verdicts["unit-05"] is Verdict.NOT_MEASURED


def test_temperatures_are_compared_as_in_one_room() -> None:
    settled = "load.die_temp_c.settled"
    profile = replace(PROFILE, thresholds=(*PROFILE.thresholds, Threshold(metric=settled, maximum=90.0)))
    rng = np.random.default_rng(34)
    runs = [unit_run(number, rng, ambient_c=19.0 + number % 8) for number in range(24)]
    found = find(runs, profile).metrics
    assert found[settled].sd == pytest.approx(found[RISE].sd)
    mean_rise = found[RISE].mean
    assert mean_rise is not None
    assert found[settled].mean == pytest.approx(25.0 + mean_rise)
    assert "as in a room of the profile's reference ambient" in found[settled].notes


def test_a_metric_that_nobody_measured_is_said_and_the_rest_is_answered() -> None:
    profile = replace(
        PROFILE, thresholds=(*PROFILE.thresholds, Threshold(metric="load.vrm_temp_c.peak", maximum=110.0))
    )
    found = find(batch(12), profile)
    vrm = found.metrics["load.vrm_temp_c.peak"]
    assert vrm.verdict is Verdict.NOT_MEASURED
    assert "no unit was measured" in vrm.notes
    assert found.metrics[RISE].verdict is Verdict.PASS
    assert found.verdict is Verdict.NOT_MEASURED


def test_a_figure_that_may_not_pass_does_not_pass() -> None:
    runs = batch(12)
    unsettled = UnitFigure(value=40.0, u95=1.2, unit="K", why_no_pass="the stage did not settle")
    runs[2] = with_figure(runs[2], RISE, unsettled)
    found = find(runs, PROFILE)
    assert found.unit_verdicts["unit-02"] is Verdict.NOT_MEASURED
    assert "the stage did not settle" in as_junit(found)


def test_missing_and_nan_figures_are_gaps_with_names() -> None:
    runs = batch(12)
    runs[1] = with_figure(runs[1], RISE, UnitFigure(value=None, u95=None, unit="K", note="no room temperature"))
    runs[2] = with_figure(runs[2], RISE, UnitFigure(value=math.nan, u95=math.nan, unit="K"))
    rise = find(runs, PROFILE).metrics[RISE]
    assert rise.n == 10
    assert "not measured in unit-01, unit-02" in rise.notes
    assert rise.verdict is Verdict.NOT_MEASURED


def test_one_unit_and_equal_values_and_nothing_at_all_are_answered() -> None:
    one = find(batch(1), PROFILE)
    assert one.metrics[RISE].n == 1
    assert any("one unit measured" in note for note in one.metrics[RISE].notes)
    assert one.verdict is Verdict.CONDITIONAL_PASS
    equal = find([with_figure(run, RISE, UnitFigure(value=50.0, u95=1.0, unit="K")) for run in batch(9)], PROFILE)
    assert any("all 9 values are equal" in note for note in equal.metrics[RISE].notes)
    # 3 × 16.7 and 50.1 differ in the last binary digits only (IEEE 754).
    nearly = [50.1, 3 * 16.7] * 5
    found = find(
        [
            with_figure(run, RISE, UnitFigure(value=v, u95=1.0, unit="K"))
            for run, v in zip(batch(10), nearly, strict=True)
        ],
        PROFILE,
    )
    assert found.metrics[RISE].sd == 0 and found.metrics[RISE].cpk is None
    nothing = find([], PROFILE)
    assert nothing.verdict is Verdict.NOT_MEASURED
    assert "no comparable run was found" in nothing.notes[0]
    for found in (one, equal, nothing):
        json.dumps(as_json(found), allow_nan=False)
        assert lines_of(found)


def test_skewed_values_get_an_interval_without_a_shape_or_a_doubt() -> None:
    rng = np.random.default_rng(35)

    def skewed(n: int, scale: float) -> list[UnitRun]:
        rises = 45 + scale * rng.exponential(1, n)
        return [
            with_figure(run, RISE, UnitFigure(value=float(rise), u95=0.2, unit="K"))
            for run, rise in zip(batch(n), rises, strict=True)
        ]

    many = find(skewed(70, 1.0), PROFILE).metrics[RISE]
    assert any("interval from order statistics" in note for note in many.notes)
    few = find(skewed(20, 3.0), PROFILE).metrics[RISE]
    assert any("doubtful" in note for note in few.notes)
    assert few.verdict is Verdict.CONDITIONAL_PASS


def test_fingerprints_need_a_batch_to_differ_from() -> None:
    assert find_shapes(batch(4)) == []
    assert find_shapes([replace(run, metrics={}) for run in batch(10)]) == []


def test_blocked_fins_show_in_the_third_window() -> None:
    rng = np.random.default_rng(36)
    runs = [unit_run(number, rng, fins_factor=1.5 if number == 4 else 1.0) for number in range(12)]
    assert [(shape.unit, shape.window) for shape in find_shapes(runs)] == [("unit-04", 3)]


def test_json_has_the_contracts_keys() -> None:
    data = as_json(find(batch_with_three_faults(), PROFILE))
    assert {"profile", "units", "metrics", "left_out", "verdict"} <= set(data)
    assert data["units"] == 29
    keys = {"n", "mean", "sd", "max", "tolerance_low", "tolerance_high", "cpk", "cpk_low", "outliers", "verdict"}
    assert keys <= set(data["metrics"][RISE])
    assert "min" not in data["metrics"][RISE]
    assert {"run", "why"} <= set(data["left_out"][0])
    json.dumps(data, allow_nan=False)


def test_csv_cells_run_nothing_in_a_spreadsheet() -> None:
    runs = batch(9)
    runs[0] = replace(runs[0], unit='=HYPERLINK("http://invalid.example")', batch="@sum", model="+1\r\nnew")
    runs[1] = replace(runs[1], refused="-2+3 was altered")
    rows = list(csv.reader(io.StringIO(as_csv(find(runs, PROFILE)))))
    assert all(len(row) == len(rows[0]) for row in rows)
    cells = [cell for row in rows[1:] for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "@", "\t")) or cell.startswith("-2")]
    assert len(rows) == 1 + 9
    assert rows[0][0] == "unit"


def test_junit_shows_each_attempt_as_a_test() -> None:
    runs = batch_with_three_faults()
    runs[0] = replace(runs[0], unit='<unit "A" & \x1b[31m\u202eB>')
    root = ElementTree.fromstring(as_junit(find(runs, PROFILE)))
    suite = root.find("testsuite")
    assert suite is not None
    assert (suite.get("tests"), suite.get("failures"), suite.get("skipped")) == ("31", "1", "1")
    failure = suite.find("testcase/failure")
    assert failure is not None
    assert failure.get("type") == "fail"
    assert "load.die_temp_c.rise" in (failure.text or "")
    assert suite.findall("testcase")[0].get("name") == '<unit "A" & \ufffd[31m[U+202E]B>'


def test_what_leaves_the_program_says_which_units_are_simulated_hardware() -> None:
    real, simulated = batch_with_three_faults()[:2]
    found = find([replace(real, simulated=False), simulated], PROFILE)
    rows = {row["unit"]: row["hardware"] for row in csv.DictReader(io.StringIO(as_csv(found)))}
    assert rows == {real.unit: "real", simulated.unit: "simulated hardware"}
    outputs = {
        case.get("name"): case.findtext("system-out")
        for case in ElementTree.fromstring(as_junit(found)).iter("testcase")
    }
    assert "simulated hardware" in (outputs[simulated.unit] or "")
    assert "simulated" not in (outputs[real.unit] or "")


def test_text_names_what_stands_out_and_hides_no_control_characters() -> None:
    runs = batch_with_three_faults()
    runs[0] = replace(runs[0], unit="unit\x1b[2J\n\u202e")
    text = "\n".join(lines_of(find(runs, PROFILE)))
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert f"unit-{MOUNTING_FAULT:02d}" in text[text.index("Stands out") :]
    assert "simulated hardware" in text
    assert text.endswith("▲ Failed.")


def test_order_of_the_runs_changes_nothing() -> None:
    runs = batch_with_three_faults()
    shuffled = [runs[at] for at in np.random.default_rng(37).permutation(len(runs))]
    assert as_json(find(shuffled, PROFILE)) == as_json(find(runs, PROFILE))


def test_what_stands_out_is_shown_with_its_fingerprint() -> None:
    found = find(batch_with_three_faults(), PROFILE)
    run = next(a.run.run for a in found.attempts if a.run.unit == f"unit-{MOUNTING_FAULT:02d}")
    own, usual = found.fingerprints[run], found.usual_fingerprint
    assert usual is not None
    # Invented at 0.15, 0.08 and 0.12 K/W; the fault is 40 % more in the first step alone.
    assert usual == pytest.approx((0.15, 0.08, 0.12), rel=0.03)
    assert own == pytest.approx((0.21, 0.08, 0.12), rel=0.12)
    line = next(line for line in lines_of(found) if line.startswith(f"  unit-{MOUNTING_FAULT:02d} ("))
    assert f"fingerprint {own[0]:.3f} + " in line
    assert set(found.fingerprints) == {shape.run for shape in found.shapes}


def test_a_batch_that_moved_is_named_and_its_units_are_not() -> None:
    runs = batch(60, seed=3)
    moved = [
        with_figure(run, RISE, UnitFigure(value=(run.metrics[RISE].value or 0) + 2.0, u95=1.2, unit="K"))
        if run.batch == "batch-3"
        else run
        for run in runs
    ]
    found = find(moved, PROFILE)
    charts = found.metrics[RISE].batches
    assert charts is not None
    assert (charts.by, charts.size, charts.names) == ("sd", 10, tuple(f"batch-{n}" for n in range(1, 7)))
    # The moved batch lifts the centre, so that another may fall out below; only it lies above.
    assert {name for name, rule, why in charts.signals if rule == 1 and why.endswith("high")} == {"batch-3"}
    assert found.metrics[RISE].outliers == ()
    text = "\n".join(lines_of(found))
    assert "batch-3: load.die_temp_c.rise, mean of 10 units: beyond 3 sigma" in text
    batches = as_json(found)["metrics"][RISE]["batches"]
    assert batches is not None and "batch-3" in {signal["batch"] for signal in batches["signals"]}


def test_one_batch_alone_makes_no_chart_of_batches() -> None:
    assert find(batch(10), PROFILE).metrics[RISE].batches is None
