"""Climbs that ended at different shares are compared by what is given per watt, and pass nothing they did not come to.

The loads are those of the benchmark `step-and-climb`, of which this is the small form.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from mock_hw.physics.parameters import draw
from tests.benchmarks._ladders import ladder
from tests.benchmarks.step_and_climb import one_ladder, one_machine, run_of
from verifyrig.analysis import compare, judge_thresholds, metrics_of
from verifyrig.analysis.climb_end import climb_end
from verifyrig.analysis.results import Comparison
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import Threshold
from verifyrig.core.trace import Event, Trace
from verifyrig.metrology.verdict import Verdict

SEED = 11


def trace_of(load: str, sink_times: float = 1.0) -> Trace:
    machine = draw("healthy-air", SEED)
    sink = sink_times * machine.thermal.sink_to_air_k_per_w
    found = run_of(replace(machine, thermal=replace(machine.thermal, sink_to_air_k_per_w=sink)), SEED, load)
    assert found is not None
    return found.trace


def ended_low(trace: Trace, full_c: float, u95_k: float) -> Trace:
    """The climb as its run notes it that gives up: with where full share would settle."""
    detail: dict[str, Any] = {"act": "end", "channel": "die_temp_c", "full_c": full_c, "full_u95_k": u95_k}
    last = Event(t_s=float(trace.t_s[-1]), kind="climb", detail=detail)
    stages = tuple(replace(s, ended=StageEnd.STOPPED) if s.name == "load" else s for s in trace.stages)
    return replace(trace, events=(*trace.events, last), stages=stages)


@pytest.fixture(scope="module")
def sound() -> Trace:
    return trace_of("climb")


@pytest.fixture(scope="module")
def blocked() -> Trace:
    """The same machine with a sink that gives a third of the heat away, at a lesser share."""
    return ended_low(trace_of("climb-ended-low", sink_times=3.0), 104.0, 9.0)


def of_load(found: Comparison) -> list[str]:
    return sorted(name.removeprefix("load.") for name in found.metrics if name.startswith("load."))


def test_before_below_full_share_and_after_at_it_are_compared_per_watt(blocked: Trace, sound: Trace) -> None:
    found = compare(blocked, sound)
    stage = found.stages["load"]
    assert stage.comparable and "power-differs-per-watt" in [why.code for why in stage.why]
    assert of_load(found) == [
        "die_temp_c.settled", "thermal_impedance_5s", "thermal_impedance_600s", "thermal_impedance_60s",
    ]  # fmt: skip
    slow, settled = found.metrics["load.thermal_impedance_600s"], found.metrics["load.die_temp_c.settled"]
    assert slow.significant and slow.difference is not None and slow.difference < -0.1
    # What full share would have come to, beside what it comes to now.
    assert settled.before == 104.0 and settled.after is not None and settled.after < 80.0 and settled.significant
    # The die and its paste are as they were: 5 s after a step no heat has come to the sink.
    assert found.metrics["load.thermal_impedance_5s"].significant is False


def test_a_power_that_differs_still_forbids_to_compare_loads_that_do_not_climb(blocked: Trace, sound: Trace) -> None:
    plan = trace_of("step").profile
    found = compare(replace(blocked, profile=plan), replace(sound, profile=plan))
    assert [why.code for why in found.stages["load"].forbidden_by] == ["power-differs"]


@pytest.mark.parametrize(
    ("metric", "maximum", "verdict"),
    [
        ("load.die_temp_c.settled", 90.0, Verdict.FAIL),  # 104 ± 9
        ("load.die_temp_c.settled", 100.0, Verdict.NOT_MEASURED),  # more likely above it than not, and not certain
        ("load.die_temp_c.settled", 107.0, Verdict.NOT_MEASURED),
        ("load.die_temp_c.settled", 140.0, Verdict.NOT_MEASURED),
        ("load.thermal_impedance_600s", 5.0, Verdict.NOT_MEASURED),
        ("load.work_rate_kept_share", 0.5, Verdict.NOT_MEASURED),
    ],
)
def test_below_full_share_a_limit_is_failed_or_not_measured(
    blocked: Trace, metric: str, maximum: float, verdict: Verdict
) -> None:
    assert blocked.profile is not None
    limit = Threshold(metric=metric, maximum=maximum)
    trace = replace(blocked, profile=replace(blocked.profile, thresholds=(limit,)))
    # A work rate that falls at a lesser share, by which nothing may be judged.
    trace = replace(trace, columns={**trace.columns, "work_rate_per_s": 300.0 - trace.t_s / 4})
    (found,) = judge_thresholds(trace, metrics_of(trace))
    assert found.verdict is verdict


def test_u95_holds_the_truth_and_one_machine_does_not_differ_from_itself() -> None:
    figures, differs = [], []
    for job in (("healthy-air", 9101), ("radiator-blocked", 9102)):
        own, pairs = one_machine(job)
        figures += own
        differs += [flag for flags in pairs.values() for flag in flags]
    assert len(figures) >= 6 and sum(one.inside for one in figures) >= 0.8 * len(figures)
    assert len(differs) >= 4 and sum(differs) <= 0.2 * len(differs)


def test_a_climb_that_gave_up_at_its_full_share_did_not_come_to_it(sound: Trace) -> None:
    trace = ended_low(sound, 104.0, 9.0)
    (span,) = (stage for stage in trace.stages if stage.name == "load")
    end = climb_end(trace, span)
    assert end is not None and not end.reached and end.share == 1.0
    assert metrics_of(trace)["load.die_temp_c.settled"].value == 104.0
    assert climb_end(sound, span) is not None and climb_end(sound, span).reached  # type: ignore[union-attr]


def test_where_idle_stood_the_rise_on_a_path_of_many_masses_is_not_taken_for_a_lesser_one() -> None:
    # Six masses are outside what lumps can follow; before the load nothing changed, and any path stands still alike.
    errors = []
    for seed in (1001, 1002, 1003):
        found = next(one for one in one_ladder(seed) if one.load == "step, six masses" and one.window_s == 60)
        errors.append((1 + found.error) * ladder(seed).power_gain - 1)
    assert all(abs(error) < 0.04 for error in errors), errors


def test_a_sink_a_fifth_worse_is_found_and_the_same_machine_in_other_noise_is_not() -> None:
    step = trace_of("step")
    found = compare(step, replace(trace_of("step", sink_times=1.2), run_id="later")).metrics
    assert found["load.thermal_impedance_600s"].significant
    assert found["load.thermal_impedance_5s"].significant is False  # no heat has come to the sink
    again = run_of(draw("healthy-air", SEED), SEED + 5000, "step")
    assert again is not None
    same = compare(step, replace(again.trace, run_id="again")).metrics
    assert not any(one.significant for name, one in same.items() if "thermal_impedance" in name)
    # What lumps cannot follow is in both alike: surer of the difference than of either.
    one = metrics_of(step)["load.thermal_impedance_600s"].u95
    assert one is not None and (same["load.thermal_impedance_600s"].u95 or one) < 0.6 * one
