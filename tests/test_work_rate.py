"""How much of its speed a load kept: over as long as there was, with what the scatter leaves open."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from verifyrig.analysis import judge_thresholds, metrics_of
from verifyrig.analysis.results import Metric
from verifyrig.analysis.work_rate import work_rate_kept
from verifyrig.core.outcome import StageEnd
from verifyrig.core.pattern import LEAST_KEPT_LOAD_S
from verifyrig.core.profile import Hold, LoadPattern, LoadPlan, Profile, Stage, StageKind, Threshold
from verifyrig.core.trace import Event, FloatArray, StageSpan, Trace
from verifyrig.metrology.verdict import Verdict

IDLE_S = 30.0


def trace_of(rate: FloatArray, *, period_s: float = 1.0, share: FloatArray | None = None, **plan: Any) -> Trace:
    """Idle time, then a load that counts this work, a reading each `period_s`."""
    length_s = len(rate) * period_s
    t_s = np.arange(0.0, IDLE_S + length_s - period_s / 2, period_s)
    on = t_s >= IDLE_S
    rates = np.full_like(t_s, np.nan)
    rates[on] = rate
    shares = on.astype(float)
    if share is not None:
        shares[on] = share
    load = LoadPlan(**{"work": "linear-algebra", **plan})
    stages = (
        Stage(name="idle", kind=StageKind.IDLE, max_duration_s=IDLE_S),
        Stage(name="load", kind=StageKind.LOAD, max_duration_s=length_s, load=load),
    )
    limit = Threshold(metric="load.work_rate_kept_share", minimum=0.93)
    return Trace(
        run_id="20310101-000000-abcd",
        facts={"outcome": "completed"},
        profile=Profile(name="p", title="", text="", recipe="r", stages=stages, thresholds=(limit,)),
        stages=(
            StageSpan(name="idle", kind=StageKind.IDLE, start_s=0.0, end_s=IDLE_S, ended=StageEnd.TIME),
            StageSpan(name="load", kind=StageKind.LOAD, start_s=IDLE_S, end_s=t_s[-1], ended=StageEnd.TIME),
        ),
        t_s=t_s,
        utc_s=t_s + 1.9e9,
        columns={"die_temp_c": np.where(on, 60.0, 30.0), "load_share": shares, "work_rate_per_s": rates},
        events=(Event(t_s=IDLE_S, kind="load", detail={"share": 1.0}),),
    )


def kept(trace: Trace) -> Metric:
    return work_rate_kept(trace, trace.stages[1])


def steady(n: int, seed: int = 1, relative: float = 0.01) -> FloatArray:
    return 250.0 * (1 + relative * np.random.default_rng(seed).standard_normal(n))


def test_a_card_that_settled_in_89_s_passes_what_its_profile_asks_for() -> None:
    trace = trace_of(steady(178), period_s=0.5)
    (result,) = judge_thresholds(trace, metrics_of(trace))
    assert result.verdict is Verdict.PASS and result.value == pytest.approx(1.0, abs=0.01)
    assert [why.code for why in kept(trace).why] == ["work-kept-over"]
    assert kept(trace).why[0].values["window_s"] == pytest.approx(44.25)


def test_a_load_of_two_minutes_and_more_is_held_to_a_minute_at_each_end() -> None:
    rate = np.concatenate([np.full(60, 100.0), np.full(400, 50.0), np.full(60, 90.0)])
    # 60 readings a second apart span 59 s: the first window takes all of them, the last one none of the middle.
    assert kept(trace_of(rate)).value == pytest.approx(0.90)
    assert kept(trace_of(rate)).why == ()


def test_what_slows_down_within_a_short_load_fails() -> None:
    rate = steady(90) * np.where(np.arange(90) < 45, 1.0, 0.8)
    trace = trace_of(rate)
    (result,) = judge_thresholds(trace, metrics_of(trace))
    assert result.verdict is Verdict.FAIL and result.value == pytest.approx(0.8, abs=0.01)


@pytest.mark.parametrize("correlation", [0.0, 0.7])
def test_the_uncertainty_covers_the_truth_in_19_of_20(correlation: float) -> None:
    # AR(1) noise of 3 %: the mean of n readings has the standard error s/sqrt(n) times sqrt((1 + r)/(1 - r)),
    # Anderson, "The Statistical Analysis of Time Series", 1971, ch. 8 (from memory).
    inside, runs = 0, 400
    for seed in range(runs):
        rng = np.random.default_rng(seed)
        noise = np.zeros(90)
        for n in range(1, 90):
            noise[n] = correlation * noise[n - 1] + np.sqrt(1 - correlation**2) * rng.standard_normal()
        found = kept(trace_of(250.0 * (1 + 0.03 * noise)))
        assert isinstance(found.value, float) and found.u95 is not None
        inside += abs(found.value - 1.0) <= found.u95
    # 400 runs at 95 % scatter by 1.1 %; what is lost to the estimate of r is allowed 4 %.
    assert inside / runs >= (0.93 if correlation == 0.0 else 0.89)


def test_a_load_too_short_to_tell_says_so() -> None:
    found = kept(trace_of(steady(15)))
    assert found.value is None and [why.code for why in found.why] == ["load-too-short"]
    assert kept(trace_of(steady(22))).value is not None
    few = kept(trace_of(steady(5), period_s=6.0))
    assert few.value is None and [why.code for why in few.why] == ["few-readings"]


def test_pulses_and_steps_are_held_to_their_highest_share() -> None:
    share = np.tile(np.repeat([1.0, 0.0], [10, 10]), 6)
    found = kept(trace_of(100.0 * share, share=share, pattern=LoadPattern.PULSES, on_s=10, off_s=10, count=6))
    assert found.value == pytest.approx(1.0) and found.u95 == pytest.approx(0.0, abs=1e-9)
    steps = np.repeat([0.25, 1.0, 0.25, 1.0, 0.5], 15)
    found = kept(trace_of(100.0 * steps, share=steps, pattern=LoadPattern.STEPS, shares=(0.25, 1, 0.25, 1, 0.5)))
    assert found.value == pytest.approx(1.0)


def test_a_record_of_another_program_without_a_share_is_taken_as_it_is() -> None:
    trace = trace_of(steady(200))
    columns = {name: values for name, values in trace.columns.items() if name != "load_share"}
    assert kept(replace(trace, columns=columns, profile=None)).value == pytest.approx(1.0, abs=0.01)


def test_the_uncertainty_of_a_quotient_of_two_means_is_the_closed_form() -> None:
    # 60 readings of 99 and 101 in turn at each end: s = sqrt(60/59), both means 100 with u = s/sqrt(60), each with 59
    # degrees of freedom; their quotient has u = sqrt(2) s/sqrt(60)/100 and 118 of them (JCGM 100:2008, 5.1.2, G.4.1).
    # The factor of the t-distribution for 118 is 1.980 (JCGM 100:2008, Table G.2, between 100 and infinity).
    found = kept(trace_of(np.tile([99.0, 101.0], 60)))
    assert found.value == pytest.approx(1.0)
    assert found.u95 == pytest.approx(1.980 * np.sqrt(2) * np.sqrt(60 / 59) / np.sqrt(60) / 100, rel=1e-3)


def test_nothing_counted_and_nothing_done_are_told_apart() -> None:
    none = trace_of(np.full(100, np.nan))
    assert [why.code for why in kept(none).why] == ["no-work-counted"] and kept(none).value is None
    idle = kept(trace_of(np.concatenate([np.zeros(60), np.full(60, 100.0)])))
    assert idle.value is None and [why.code for why in idle.why] == ["no-work-at-first"]


def test_a_held_load_counts_whatever_its_share_is() -> None:
    share = np.linspace(1.0, 0.5, 120)
    found = kept(trace_of(100.0 * share, share=share, hold=Hold(die_temp_c=80.0)))
    # Means of the two halves of a straight line: 0.625 over 0.875 of the first rate.
    assert found.value == pytest.approx(0.625 / 0.875, rel=0.01)
    # Without a hold only what was done under the highest share counts, and that is too little to tell.
    assert kept(trace_of(100.0 * share, share=share)).value is None


def test_shares_within_a_hundredth_are_the_same_one() -> None:
    share = np.tile([1.0, 0.995, 0.99], 30)
    assert kept(trace_of(100.0 * share, share=share)).why[0].values["window_s"] == pytest.approx(44.5)


@pytest.mark.parametrize(("n", "told"), [(9, False), (10, True)])
def test_five_readings_at_each_end_are_the_least(n: int, told: bool) -> None:
    # Every 5 s: of ten the first five lie within half of the 45 s, of nine the first four within half of the 40 s.
    assert (kept(trace_of(np.full(n, 250.0), period_s=5.0)).value is not None) is told


def test_a_load_that_is_just_long_enough_is_told() -> None:
    n = round(LEAST_KEPT_LOAD_S / 0.5)
    assert kept(trace_of(np.full(n + 1, 250.0), period_s=0.5)).value == pytest.approx(1.0)
    assert kept(trace_of(np.full(n, 250.0), period_s=0.5)).value is None


def test_slow_work_is_work() -> None:
    assert kept(trace_of(np.full(60, 0.5))).value == pytest.approx(1.0)


def test_the_highest_share_may_be_a_low_one() -> None:
    share = np.tile(np.repeat([0.5, 0.0], [10, 10]), 6)
    found = kept(trace_of(100.0 * share, share=share, pattern=LoadPattern.PULSES, on_s=10, off_s=10, count=6))
    assert found.value == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("period_s", "independent"),
    # Neighbours alike by more than 0.98 count as alike by that much: of 600 readings n (1 - r) / (1 + r) = 6.1 are
    # independent. Of 60 no less than two, or there would be no scatter.
    [(0.1, 600 * 0.02 / 1.98), (1.0, 2.0)],
)
def test_of_readings_that_are_all_alike_few_are_independent(period_s: float, independent: float) -> None:
    rate = np.linspace(250.0, 240.0, round(120 / period_s) + 1)
    budget = kept(trace_of(rate, period_s=period_s)).budget
    assert [line.dof for line in budget] == pytest.approx([independent - 1] * 2, rel=0.01)
