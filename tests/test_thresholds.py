"""What keeps a figure from passing, whatever it reads."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from verifyrig.analysis import thresholds
from verifyrig.analysis.results import Metric, ThresholdResult
from verifyrig.analysis.thresholds import judge_thresholds
from verifyrig.core.outcome import Outcome, StageEnd
from verifyrig.core.profile import LoadPlan, Profile, Purpose, Settle, Stage, StageKind, Threshold, WorkName
from verifyrig.core.reason import reason
from verifyrig.core.trace import Event, FloatArray, StageSpan, Trace
from verifyrig.metrology.verdict import Verdict

LOAD_S = 600.0
SETTLE = Settle(channel="die_temp_c", within_k=1.0, slowest_time_constant_s=100.0)


def trace_of(
    metric: str = "load.die_temp_c.peak",
    *,
    maximum: float | None = 80.0,
    minimum: float | None = None,
    settle: Settle | None = None,
    ended: StageEnd | None = StageEnd.TIME,
    columns: dict[str, FloatArray] | None = None,
    facts: dict[str, object] | None = None,
) -> Trace:
    """An idle minute and ten minutes of load, a sample a second, all channels standing still."""
    t = np.arange(0.0, 60.0 + LOAD_S)
    flat = {"die_temp_c": np.where(t < 60, 30.0, 60.0), "package_power_w": np.where(t < 60, 15.0, 100.0)}
    stages = (
        Stage(name="idle", kind=StageKind.IDLE, max_duration_s=60.0),
        Stage(
            name="load",
            kind=StageKind.LOAD,
            max_duration_s=LOAD_S,
            load=LoadPlan(work=WorkName.LINEAR_ALGEBRA),
            settle=settle,
        ),
    )
    limits = (Threshold(metric=metric, minimum=minimum, maximum=maximum),)
    return Trace(
        run_id="20310101-000000-abcd",
        facts={"purpose": Purpose.VERIFICATION, "outcome": Outcome.COMPLETED, **(facts or {})},
        profile=Profile(name="p", title="", text="", recipe="r", stages=stages, thresholds=limits),
        stages=(
            StageSpan(name="idle", kind=StageKind.IDLE, start_s=0.0, end_s=60.0, ended=StageEnd.TIME),
            StageSpan(name="load", kind=StageKind.LOAD, start_s=60.0, end_s=60.0 + LOAD_S - 1, ended=ended),
        ),
        t_s=t,
        utc_s=t + 1.9e9,
        columns=flat | (columns or {}),
        events=(Event(t_s=60.0, kind="load", detail={"share": 1.0}),),
    )


def judged(trace: Trace, value: float | tuple[float, ...] | None = 60.0, **metric: object) -> ThresholdResult:
    assert trace.profile is not None
    figure = Metric(**{"value": value, "unit": "°C", "u95": 1.0, **metric})  # type: ignore[arg-type]
    (result,) = judge_thresholds(trace, {trace.profile.thresholds[0].metric: figure})
    return result


def absent(trace: Trace) -> ThresholdResult:
    """Judge where the run gave no such figure."""
    (result,) = judge_thresholds(trace, {})
    return result


def codes(result: ThresholdResult) -> list[str]:
    return [why.code for why in result.why]


def with_gap(share: float, channel: str = "die_temp_c") -> dict[str, FloatArray]:
    """A channel whose readings are absent for a share of the load, here and there."""
    t = np.arange(0.0, 60.0 + LOAD_S)
    values = np.full(len(t), 60.0)
    gaps = 60 + np.linspace(5, LOAD_S - 5, round(share * LOAD_S)).astype(int)
    values[gaps] = math.nan
    return {channel: values}


def test_a_figure_is_judged_by_its_own_limits_and_uncertainty() -> None:
    # ILAC-G8:09/2019, 4.2.3: pass y <= TL - U, conditional pass up to TL, conditional fail up to TL + U, then fail.
    assert [judged(trace_of(), value).verdict for value in (79.0, 79.5, 80.5, 81.5)] == [
        Verdict.PASS, Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL, Verdict.FAIL,
    ]  # fmt: skip
    low = judged(trace_of(maximum=None, minimum=62.0), 60.0)
    assert (low.verdict, low.minimum, low.maximum, low.value, low.u95) == (Verdict.FAIL, 62.0, None, 60.0, 1.0)
    assert low.why == () and low.metric == "load.die_temp_c.peak"


def test_a_record_without_a_profile_has_no_limits() -> None:
    assert judge_thresholds(replace(trace_of(), profile=None), {}) == []


def test_each_limit_is_judged_in_the_order_of_the_profile() -> None:
    trace = trace_of()
    assert trace.profile is not None
    names = ("load.b", "load.a")
    both = replace(trace.profile, thresholds=tuple(Threshold(metric=name, maximum=1.0) for name in names))
    assert [one.metric for one in judge_thresholds(replace(trace, profile=both), {})] == list(names)


def test_a_figure_without_an_uncertainty_is_not_measured_and_says_so() -> None:
    assert (judged(trace_of(), u95=None).verdict, codes(judged(trace_of(), u95=None))) == (
        Verdict.NOT_MEASURED, ["uncertainty-unknown"],
    )  # fmt: skip
    told = judged(trace_of(), None, u95=None, why=(reason("no-reading"),))
    assert (told.verdict, codes(told)) == (Verdict.NOT_MEASURED, ["no-reading"])


def test_a_list_of_figures_cannot_be_held_against_one_limit() -> None:
    listed = judged(trace_of(), (60.0, 61.0))
    assert listed.value is None and listed.verdict is Verdict.NOT_MEASURED


@pytest.mark.parametrize(
    ("ended", "code"),
    [
        (None, "stage-open"),
        (StageEnd.GATE, "stage-gate"),
        (StageEnd.TRIPPED, "stage-tripped"),
        (StageEnd.SKIPPED, "stage-skipped"),
        (StageEnd.STOPPED, "stage-stopped"),
        (StageEnd.INTERRUPTED, "stage-interrupted"),
    ],
)
def test_a_stage_that_ended_early_passes_nothing_and_fails_what_failed(ended: StageEnd | None, code: str) -> None:
    trace = trace_of(ended=ended)
    for value in (60.0, 79.5):  # pass and conditional pass
        assert (judged(trace, value).verdict, codes(judged(trace, value))) == (Verdict.NOT_MEASURED, [code])
    assert (judged(trace, 90.0).verdict, judged(trace, 90.0).why) == (Verdict.FAIL, ())
    assert judged(trace, 80.5).verdict is Verdict.CONDITIONAL_FAIL
    assert (absent(trace).verdict, codes(absent(trace))) == (Verdict.NOT_MEASURED, [code])


@pytest.mark.parametrize("ended", [StageEnd.TIME, StageEnd.SETTLED])
def test_a_stage_that_ran_to_its_end_may_pass(ended: StageEnd) -> None:
    assert judged(trace_of(ended=ended)).verdict is Verdict.PASS
    assert codes(absent(trace_of(ended=ended))) == ["no-such-reading"]


def test_a_figure_of_a_stage_that_never_ran_does_not_pass() -> None:
    trace = trace_of("soak.die_temp_c.peak")
    assert (judged(trace).verdict, codes(judged(trace))) == (Verdict.NOT_MEASURED, ["stage-never-ran"])
    assert codes(absent(trace)) == ["stage-never-ran"]


@pytest.mark.parametrize("ended", [StageEnd.TIME, StageEnd.SETTLED])
def test_a_settled_figure_that_is_not_known_to_be_settled_does_not_pass(ended: StageEnd) -> None:
    unsettled = judged(trace_of(ended=ended), settled=False)
    assert (unsettled.verdict, codes(unsettled)) == (Verdict.NOT_MEASURED, ["not-settled"])
    assert judged(trace_of(ended=ended), settled=True).verdict is Verdict.PASS


def climbing() -> dict[str, FloatArray]:
    """A load that still climbs by 0.1 K/s at its end: 100 s on it would be 10 K higher."""
    t = np.arange(0.0, 60.0 + LOAD_S)
    return {"die_temp_c": np.where(t < 60, 30.0, 30.0 + 0.1 * (t - 60))}


def test_a_stage_that_should_settle_and_did_not_passes_nothing_of_it() -> None:
    short = replace(SETTLE, slowest_time_constant_s=1000.0)
    trace = trace_of(settle=short, columns=climbing())
    # Of a straight climb nobody can say where it ends, so there is no settled value either.
    assert (judged(trace).verdict, codes(judged(trace))) == (Verdict.NOT_MEASURED, ["not-settled-since"])
    # Ended as settled by its rule: that rule saw more than the record does.
    assert judged(trace_of(settle=short, columns=climbing(), ended=StageEnd.SETTLED)).verdict is Verdict.PASS
    # Without a rule nothing had to settle.
    assert judged(trace_of(columns=climbing())).verdict is Verdict.PASS
    # Longer than five of the slowest time constants: settled.
    assert judged(trace_of(settle=SETTLE)).verdict is Verdict.PASS


def test_a_stage_whose_end_is_foreseen_but_not_known_well_enough_passes_nothing() -> None:
    """Three quarters of the way in ten minutes, where a part may be as slow as 1000 s: nearer than 1 K is open."""
    t = np.arange(0.0, 60.0 + LOAD_S)
    noise = 0.1 * np.random.default_rng(1).standard_normal(len(t))
    course = np.where(t < 60, 30.0, 30.0 + 40.0 * (1 - np.exp(-np.clip(t - 60, 0, None) / 400.0))) + noise
    trace = trace_of(settle=replace(SETTLE, slowest_time_constant_s=1000.0), columns={"die_temp_c": course})
    assert (judged(trace).verdict, codes(judged(trace))) == (Verdict.NOT_MEASURED, ["not-settled"])


def test_a_stage_whose_settling_cannot_be_judged_passes_nothing_and_says_why() -> None:
    nothing = {"coolant_temp_c": np.full(660, math.nan)}
    trace = trace_of(settle=replace(SETTLE, channel="coolant_temp_c"), columns=nothing)
    found = judged(trace)
    assert found.verdict is Verdict.NOT_MEASURED
    assert found.why == (reason("not-settled-since", why=(reason("no-reading"),)),)


# More than one reading in twenty absent is no longer a measured stage (common practice, no source).
@pytest.mark.parametrize(("share", "verdict"), [(0.04, Verdict.PASS), (0.07, Verdict.NOT_MEASURED)])
@pytest.mark.parametrize(
    ("metric", "channel"),
    [
        ("load.die_temp_c.peak", "die_temp_c"),
        ("load.thermal_resistance", "die_temp_c"),
        ("load.thermal_resistance", "package_power_w"),
        ("load.gpu_thermal_impedance_60s", "gpu_temp_c"),
        ("load.gpu_thermal_impedance_60s", "gpu_power_w"),
        ("load.throttle_share", "throttle_count"),
        ("load.throttle_share", "gpu_heat_limited_share"),
    ],
)
def test_a_figure_from_a_channel_with_gaps_does_not_pass(
    metric: str, channel: str, share: float, verdict: Verdict
) -> None:
    result = judged(trace_of(metric, columns=with_gap(share, channel)))
    assert result.verdict is verdict
    if verdict is Verdict.NOT_MEASURED:
        assert codes(result) == ["partly-missing"] and result.why[0].values["channel"] == channel
        assert float(str(result.why[0].values["share"])) == pytest.approx(share, abs=0.005)


def test_gaps_in_what_a_figure_is_not_made_of_do_not_matter() -> None:
    assert judged(trace_of("load.die_temp_c.peak", columns=with_gap(0.5, "package_power_w"))).verdict is Verdict.PASS
    assert judged(trace_of("load.compute_errors", columns=with_gap(0.5, "die_temp_c"))).verdict is Verdict.PASS
    # The card's figures are not the die's.
    assert judged(trace_of("load.gpu_thermal_resistance", columns=with_gap(0.5, "die_temp_c"))).verdict is Verdict.PASS
    assert judged(trace_of("load.thermal_resistance", columns=with_gap(0.5, "gpu_temp_c"))).verdict is Verdict.PASS


def test_what_speaks_against_a_whole_stage_is_looked_for_once(monkeypatch: pytest.MonkeyPatch) -> None:
    trace = trace_of(settle=SETTLE)
    names = ("load.die_temp_c.peak", "load.package_power_w.mean", "load.compute_errors")
    assert trace.profile is not None
    many = replace(trace.profile, thresholds=tuple(Threshold(metric=name, maximum=1e6) for name in names))
    looked: list[str] = []

    def counted(name: str) -> Callable[..., Any]:
        real = getattr(thresholds, name)

        def count(*told: Any) -> Any:
            looked.append(name)
            return real(*told)

        return count

    for name in ("settled_value", "contradictions_in"):
        monkeypatch.setattr(thresholds, name, counted(name))
    figures = {name: Metric(value=1.0, unit="1", u95=0.0) for name in names}
    assert {result.verdict for result in judge_thresholds(replace(trace, profile=many), figures)} == {Verdict.PASS}
    assert looked == ["settled_value", "contradictions_in"]


def test_a_reading_that_another_one_contradicts_under_load_passes_nothing() -> None:
    """Heat flows from the die to its coolant (second law of thermodynamics): a coolant 20 K above it cannot be."""
    t = np.arange(0.0, 60.0 + LOAD_S)
    wrong = {"coolant_temp_c": np.where(t < 60, 28.0, 80.0)}
    found = judged(trace_of(columns=wrong))
    assert (found.verdict, codes(found)) == (Verdict.NOT_MEASURED, ["contradicted"])
    right = {"coolant_temp_c": np.where(t < 60, 28.0, 45.0)}
    assert judged(trace_of(columns=right)).verdict is Verdict.PASS


def test_idle_a_reading_that_another_one_contradicts_may_pass() -> None:
    """The register of a die counts down from its limit, and reads a few kelvin too little while idle."""
    wrong = {"coolant_temp_c": np.full(660, 55.0)}
    found = judged(trace_of("idle.die_temp_c.peak", columns=wrong))
    assert (found.verdict, found.why) == (Verdict.PASS, ())


@pytest.mark.parametrize("metric", ["load", "load."])
def test_a_limit_on_no_figure_of_a_stage_is_made_of_no_channel(metric: str) -> None:
    assert judged(trace_of(metric, columns=with_gap(0.5))).verdict is Verdict.PASS
