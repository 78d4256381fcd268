"""The bench itself, comparisons of builds, and limits from golden units; invented runs with a seed."""

from __future__ import annotations

import json
import math
import tomllib
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from tests.batches import PROFILE, batch, unit_run
from tests.small_records import PROFILE_TEXT
from verifyrig.capability import GaugeStudy, Unanswered
from verifyrig.core.profile import Profile
from verifyrig.metrology.verdict import Verdict
from verifyrig.plan.text import parse_profile
from verifyrig.qa import UnitFigure, UnitRun
from verifyrig.qa.bench_check import Calibrated, check_bench
from verifyrig.qa.bench_words import check_json, check_lines
from verifyrig.qa.comparing import compare_builds, comparison_json, comparison_lines
from verifyrig.qa.proposing import profile_text_with, proposal_json, proposal_lines, propose_thresholds

RISE = "load.die_temp_c.rise"
TODAY = date(2026, 3, 1)
WEEK_S = 7 * 86_400.0


def figure(value: float, u95: float = 1.0, unit: str = "K") -> UnitFigure:
    return UnitFigure(value=value, u95=u95, unit=unit)


def golden_runs(n: int, *, creep_k: float = 0.0, jump_k: float = 0.0, seed: int = 1) -> list[UnitRun]:
    """Return weekly runs of one kept unit; the bench creeps by `creep_k` a week, or jumps at the last run."""
    rng = np.random.default_rng(seed)
    runs = []
    for week in range(n):
        rise = 42.0 + creep_k * week + (jump_k if week == n - 1 else 0.0) + float(rng.normal(0, 0.3))
        one = unit_run(week, rng)
        runs.append(
            replace(
                one,
                unit="gold-1",
                started_utc_s=one.started_utc_s + WEEK_S * week,
                metrics={RISE: figure(rise)},
            )
        )
    return runs


def verdict_of(runs: list[UnitRun]) -> Verdict:
    return check_bench(runs, [], PROFILE, [], {}, TODAY).verdict


def test_a_steady_golden_unit_says_that_the_bench_is_right() -> None:
    assert verdict_of(golden_runs(12)) is Verdict.PASS
    assert verdict_of(golden_runs(5)) is Verdict.CONDITIONAL_PASS
    assert verdict_of(golden_runs(1)) is Verdict.NOT_MEASURED
    assert verdict_of([]) is Verdict.NOT_MEASURED


def test_a_jump_and_a_creep_of_the_bench_are_told_from_one_another() -> None:
    jumped = check_bench(golden_runs(12, jump_k=4.0), [], PROFILE, [], {}, TODAY)
    assert jumped.verdict is Verdict.FAIL
    assert any("the last run lies +" in chart.why for chart in jumped.golden)
    crept = check_bench(golden_runs(20, creep_k=0.08), [], PROFILE, [], {}, TODAY)
    assert crept.verdict in (Verdict.CONDITIONAL_FAIL, Verdict.FAIL)
    chart = next(chart for chart in crept.golden if chart.metric == RISE)
    assert "creeps by +0.3" in chart.why  # 0.08 K a week is 0.34 K in 30 days


def test_one_look_at_a_steady_bench_accuses_it_once_in_a_hundred_at_most() -> None:
    # Of 400 looks each at 8, 12, 20 and 52 runs 0.8, 1.0, 1.0 and 0.5 %; by chart rules alone 9 to 22 %.
    for n in (8, 20, 52):
        accused = sum(verdict_of(watched_runs(n, seed)) is not Verdict.PASS for seed in range(40))
        assert accused <= 0.01 * 40 + 3 * math.sqrt(0.01 * 0.99 * 40)


def watched_runs(n: int, seed: int) -> list[UnitRun]:
    """Return weekly runs of one kept unit with all of its figures, each a little different every time."""
    runs = batch(n, seed=9000 + seed)
    return [
        replace(run, unit="gold-1", batch=None, started_utc_s=run.started_utc_s + WEEK_S * at)
        for at, run in enumerate(runs)
    ]


def test_what_was_amiss_long_ago_does_not_count_today() -> None:
    runs = golden_runs(20)
    runs[4] = replace(runs[4], metrics={RISE: figure(50.0)})
    found = check_bench(runs, [], PROFILE, [], {}, TODAY)
    assert found.verdict is Verdict.PASS
    assert any(s["rule"] == 1 for s in check_json(found)["golden"][0]["signals"])


def studied_runs(remount_k: float, repeat_k: float, *, lose: int | None = None) -> list[UnitRun]:
    """Return 6 units, each mounted 4 times and read twice, 40 K apart in all."""
    rng = np.random.default_rng(2)
    runs: list[UnitRun] = []
    for unit in range(6):
        true_k = 40.0 + 2.0 * unit
        for mount in range(4):
            shift_k = float(rng.normal(0, remount_k))
            for _ in range(2):
                one = unit_run(len(runs), rng)
                value = true_k + shift_k + float(rng.normal(0, repeat_k))
                states = {**one.states, "remount": str(mount)}
                runs.append(replace(one, unit=f"unit-{unit}", states=states, metrics={RISE: figure(value)}))
    return [run for at, run in enumerate(runs) if at != lose]


def study_of(runs: list[UnitRun]) -> GaugeStudy | Unanswered:
    return check_bench(golden_runs(9), runs, PROFILE, [], {}, TODAY).gauge[RISE]


def test_gauge_study_finds_remounting_where_it_is_the_cause() -> None:
    poor = study_of(studied_runs(1.5, 0.1))
    assert isinstance(poor, GaugeStudy)
    assert poor.factor == "remount"
    assert poor.factor_sd == pytest.approx(1.5, rel=0.3)
    assert poor.repeat_sd == pytest.approx(0.1, rel=0.4)
    # One limit of 60 K, units about 45 K: 2 * 15 K of tolerance; 6 * 1.5 K of it is 30 %.
    assert poor.tolerance_share == pytest.approx(0.30, rel=0.3)
    good = study_of(studied_runs(0.1, 0.1))
    assert isinstance(good, GaugeStudy)
    assert good.fitness == "fit"


def test_a_lost_run_shrinks_the_study_and_does_not_end_it() -> None:
    study = study_of(studied_runs(0.5, 0.1, lose=5))
    assert isinstance(study, GaugeStudy)
    assert study.anova.sizes == (6, 4, 1)
    alone = [run for run in studied_runs(0.5, 0.1) if run.states["remount"] == "0" or run.unit == "unit-0"]
    lonely = study_of(alone)
    assert isinstance(lonely, Unanswered)


def test_overdue_calibrations_and_matches_are_said() -> None:
    probes = [
        Calibrated(channel="plate_temp_c", calibrated=date(2025, 1, 1), due=date(2026, 1, 1)),
        Calibrated(channel="ambient_temp_c", calibrated=date(2026, 1, 1), due=date(2027, 1, 1)),
    ]
    found = check_bench(golden_runs(12), [], PROFILE, probes, {"plate and room": "0.3 ± 0.1 K"}, TODAY)
    assert found.overdue == ("plate_temp_c is overdue since 2026-01-01",)
    assert found.verdict is Verdict.CONDITIONAL_FAIL
    text = "\n".join(check_lines(found))
    assert "plate_temp_c is overdue" in text
    assert "0.3 ± 0.1 K" in text
    json.dumps(check_json(found), allow_nan=False)


def test_a_bench_without_anything_says_what_to_do() -> None:
    text = "\n".join(check_lines(check_bench([], [], PROFILE, [], {}, TODAY)))
    assert "no golden unit was measured" in text
    assert "no gauge study" in text
    assert "no probe of this bench is calibrated" in text


def builds(shift_k: float, n: int = 12) -> tuple[list[UnitRun], list[UnitRun]]:
    first, second = batch(n, seed=3), batch(n, seed=4)
    moved = [
        replace(run, metrics={**run.metrics, RISE: figure((run.metrics[RISE].value or 0.0) + shift_k)})
        for run in second
    ]
    return first, moved


def test_two_builds_that_differ_are_told_apart_with_an_interval() -> None:
    first, second = builds(5.0)
    compared = compare_builds(("rev-a", first), ("rev-b", second), PROFILE, [RISE], {RISE: 2.0})
    one = compared.metrics[0]
    assert one.by == "means"
    assert one.significant
    assert one.low is not None
    assert one.high is not None
    assert one.low <= 5.0 <= one.high
    assert one.equivalent is False


def test_two_equal_builds_are_equivalent_only_within_a_margin_worth_naming() -> None:
    first, second = builds(0.0)
    wide = compare_builds(("a", first), ("b", second), PROFILE, [RISE], {RISE: 3.0}).metrics[0]
    narrow = compare_builds(("a", first), ("b", second), PROFILE, [RISE], {RISE: 0.05}).metrics[0]
    silent = compare_builds(("a", first), ("b", second), PROFILE, [RISE], {}).metrics[0]
    assert (wide.equivalent, narrow.equivalent, silent.equivalent) == (True, False, None)


def test_few_units_are_compared_by_means_with_a_word_and_too_few_not_at_all() -> None:
    # Ranks of five and five cannot reach the level over several metrics; Welch's test can, if values are normal.
    first, second = builds(5.0, n=5)
    few = compare_builds(("a", first), ("b", second), PROFILE, [RISE], {}).metrics[0]
    assert (few.by, few.note) == ("means", "taken as normal, which 5 units cannot show")
    none = compare_builds(("a", first[:1]), ("b", second), PROFILE, [RISE], {}).metrics[0]
    assert none.difference is None
    assert "two of each are needed" in none.note


def test_temperatures_of_builds_are_compared_as_in_one_room() -> None:
    settled = "load.die_temp_c.settled"
    rng = np.random.default_rng(5)
    winter = [unit_run(number, rng, ambient_c=19.0) for number in range(12)]
    summer = [unit_run(number, rng, ambient_c=26.0) for number in range(12)]
    one = compare_builds(("winter", winter), ("summer", summer), PROFILE, [settled], {}).metrics[0]
    assert one.difference is not None
    # Leakage adds a little; 7 K of room must not remain.
    assert abs(one.difference) < 3.0
    assert one.note == "as in rooms of one temperature"


def test_comparison_reads_well_and_is_json() -> None:
    first, second = builds(5.0)
    compared = compare_builds(("rev-a\x1b", first), ("rev-b", second), PROFILE, [RISE, "no.such"], {RISE: 2.0})
    json.dumps(comparison_json(compared), allow_nan=False)
    text = "\n".join(comparison_lines(compared))
    assert "rev-b minus rev-a\ufffd" in text
    assert "they differ; within ± 2: not shown" in text


TINY: Profile = parse_profile(PROFILE_TEXT, origin="test")


def golden_batch(n: int = 12) -> list[UnitRun]:
    rng = np.random.default_rng(6)
    return [
        replace(
            run,
            recipe=TINY.recipe,
            metrics={
                "load.die_temp_c.peak": figure(float(rng.normal(57, 0.8)), 1.5, "°C"),
                "load.compute_errors": figure(0.0, 0.0, "1"),
            },
        )
        for run in batch(n)
    ]


def test_proposed_limits_make_a_profile_that_can_be_read_and_lets_golden_units_pass() -> None:
    golden = golden_batch()
    proposals = propose_thresholds(golden, TINY)
    text = profile_text_with(proposals, TINY, "tiny-golden", "12 golden units")
    profile = parse_profile(text, origin="proposed")
    assert profile.name == "tiny-golden"
    assert profile.recipe == TINY.recipe  # the same stages: runs stay comparable
    peak = profile.thresholds[0]
    assert peak.maximum is not None
    values = [run.metrics["load.die_temp_c.peak"].value or 0.0 for run in golden]
    assert max(values) + 1.5 <= peak.maximum
    found = proposals[0].found
    assert found is not None
    assert 0 <= peak.maximum - found.limit < 0.1  # rounded outward
    assert "k = " in peak.why
    assert profile.thresholds[1].maximum == 0  # a count keeps its limit


def test_proposals_say_what_they_cost_and_why_there_is_none() -> None:
    proposals = propose_thresholds(golden_batch(5), TINY)
    data = proposal_json(proposals)
    json.dumps(data, allow_nan=False)
    assert data[0]["provisional"] is True
    assert data[1]["note"] == "a count keeps its limit"
    text = "\n".join(proposal_lines(proposals))
    assert "(provisional)" in text
    nothing = propose_thresholds([], TINY)
    assert all(proposal.found is None and proposal.note for proposal in nothing)
    one = propose_thresholds(golden_batch(1), TINY)
    assert one[0].found is None
    assert "one unit measured" in one[0].note


def test_a_fault_is_weighed_only_where_zero_is_no_convention() -> None:
    rng = np.random.default_rng(7)
    runs = [
        replace(run, metrics={RISE: figure(float(rng.normal(42, 1))), "load.compute_errors": figure(0.0, 0.0, "1")})
        for run in batch(12)
    ]
    proposals = propose_thresholds(runs, PROFILE)
    assert proposals[0].found is not None
    assert proposals[0].found.fault_passed is not None
    assert proposals[0].found.fault_passed < 1e-6
    assert not math.isnan(proposals[0].found.fault_passed)
    assert tomllib.loads(PROFILE_TEXT)["name"] == "tiny-build"
