"""May two runs be compared: each condition broken alone, on traces whose difference is known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.test_analysis_metrics import IDLE_S, LOAD_S, ladder_trace
from verifyrig.analysis import compare, may_compare, metrics_of
from verifyrig.analysis.budget import POWER_GAIN, SENSOR_ACCURACY, difference_u95
from verifyrig.commands.compare import data_of
from verifyrig.core.trace import Trace
from verifyrig.metrology.uncertainty import Component


def again(**changed: Any) -> Trace:
    """The same run once more with other noise; columns by name, facts by `facts=`."""
    facts = changed.pop("facts", {})
    trace = ladder_trace(noise_k=0.2, seed=2, **changed)
    return replace(trace, run_id="20260102-000000-abcd", facts={**trace.facts, **facts})


BEFORE = ladder_trace(noise_k=0.2)


def scaled(channel: str, factor: float) -> Trace:
    return again(**{channel: BEFORE.columns[channel] * factor})


def test_the_same_machine_again_is_comparable_and_not_significantly_different() -> None:
    found = compare(BEFORE, again())
    assert found.comparable and all(stage.comparable for stage in found.stages.values())
    rise = found.metrics["load.die_temp_c.rise"]
    assert rise.significant is False and rise.u95 is not None and rise.u95 < 0.5


def test_a_lasting_error_of_the_same_sensor_cancels_in_the_difference() -> None:
    rise = compare(BEFORE, again()).metrics["load.die_temp_c.rise"]
    alone = metrics_of(BEFORE)["load.die_temp_c.rise"]
    assert rise.u95 is not None and alone.u95 is not None and rise.u95 < 0.5 * alone.u95


def test_lasting_errors_cancel_for_one_machine_only() -> None:
    """JCGM 100:2008, 5.2.2: fully correlated inputs of opposite sensitivity cancel, independent ones add."""
    lines = [Component(name=SENSOR_ACCURACY, standard_uncertainty=0.6)]
    assert difference_u95(lines, lines, same_sensors=True) == pytest.approx(0.0)
    assert difference_u95(lines, lines, same_sensors=False) == pytest.approx(1.96 * 0.6 * 2**0.5, rel=1e-3)
    more = [Component(name=POWER_GAIN, standard_uncertainty=3.0, sensitivity=s) for s in (0.1, 0.3)]
    assert difference_u95(more[:1], more[1:], same_sensors=True) == pytest.approx(1.96 * 3.0 * 0.2, rel=1e-3)


def test_a_better_path_is_a_significant_difference_of_the_right_size() -> None:
    cooler = again(die_temp_c=22.0 + (BEFORE.columns["die_temp_c"] - 22.0) * 0.8)
    found = compare(BEFORE, cooler).metrics["load.thermal_resistance"]
    assert found.significant and found.difference == pytest.approx(-0.06, abs=0.006)


def test_power_that_differs_by_more_than_five_per_cent_forbids_the_load_only() -> None:
    found = compare(BEFORE, scaled("package_power_w", 1.08))
    assert not found.stages["load"].comparable and "mean power" in " ".join(map(str, found.stages["load"].why))
    assert found.stages["idle"].comparable  # while idle, power is a result
    assert compare(BEFORE, scaled("package_power_w", 1.03)).stages["load"].comparable


def test_fans_held_at_another_speed_forbid_the_load_unless_the_fan_was_the_change() -> None:
    faster = scaled("cpu_fan_speed_rpm", 1.3)
    assert not compare(BEFORE, faster).stages["load"].comparable
    assert compare(BEFORE, faster, changed_parts=["cpu_fan_speed_rpm"]).stages["load"].comparable


def test_a_room_five_kelvin_warmer_is_corrected_for_and_said() -> None:
    warm = again(ambient_temp_c=BEFORE.columns["ambient_temp_c"] + 5, die_temp_c=BEFORE.columns["die_temp_c"] + 5)
    found = compare(BEFORE, warm)
    assert found.stages["load"].comparable and "rooms-corrected" in [why.code for why in found.stages["load"].why]
    assert found.metrics["load.die_temp_c.settled"].difference == pytest.approx(0.0, abs=0.3)


def test_a_room_twelve_kelvin_warmer_is_not_corrected_for() -> None:
    hot = again(ambient_temp_c=BEFORE.columns["ambient_temp_c"] + 12)
    found = compare(BEFORE, hot)
    assert not found.comparable and "rooms-too-far-apart" in [why.code for why in found.stages["load"].why]


@pytest.mark.parametrize("key", ["panel", "position"])
def test_a_state_known_and_different_forbids_and_unknown_only_is_said(key: str) -> None:
    before = replace(BEFORE, facts={**BEFORE.facts, "states": {key: "on"}})
    assert not compare(before, again(facts={"states": {key: "off"}})).comparable
    silent = compare(before, again())
    assert silent.comparable and any(why.values.get("state") == key for why in silent.stages["load"].why)


def test_whether_any_stage_is_comparable_needs_no_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    panels = [again(facts={"states": {"panel": panel}}) for panel in ("open", "closed")]
    pairs = [(BEFORE, again()), (BEFORE, scaled("package_power_w", 1.2)), (panels[0], panels[1])]
    expected = [compare(*pair).comparable for pair in pairs]
    assert expected == [True, True, False]
    monkeypatch.setattr("verifyrig.analysis.comparable.metrics_of", None)
    assert [may_compare(*pair) for pair in pairs] == expected


def test_another_recipe_of_the_stage_forbids() -> None:
    after = again()
    assert after.profile is not None
    stages = tuple(replace(stage, max_duration_s=99.0) for stage in after.profile.stages)
    other = replace(after, profile=replace(after.profile, recipe="r2", stages=stages))
    found = compare(BEFORE, other)
    assert not found.comparable and "recipe-differs" in [why.code for why in found.stages["load"].why]


def test_a_before_that_had_no_load_still_compares_at_idle() -> None:
    short = replace(BEFORE.until(IDLE_S - 1), facts={**BEFORE.facts, "outcome": "stopped"})
    data = data_of(compare(short, again()))
    assert data["comparable"] and data["stages"]["idle"]["comparable"]
    assert data["stages"]["load"]["before"] == "not run: unsafe"
    assert not any(name.startswith("load.") for name in data["metrics"])


def test_as_of_a_moment_nothing_later_is_known() -> None:
    whole, cut = ladder_trace(noise_k=0.2), ladder_trace(noise_k=0.2)
    columns = {name: values.copy() for name, values in cut.columns.items()}
    for values in columns.values():
        values[int(IDLE_S + 400) + 1 :] = 1e6
    changed = replace(cut, columns=columns)
    at = IDLE_S + 400.0
    assert metrics_of(whole.until(at)) == metrics_of(changed.until(at))
    assert "cooldown.die_temp_c.peak" not in metrics_of(whole.until(IDLE_S + LOAD_S / 2))


@given(shift=st.integers(-10_000, 10_000), order=st.permutations(sorted(BEFORE.columns)))
@settings(max_examples=3, deadline=None)
def test_time_origin_and_order_of_channels_do_not_matter(shift: int, order: list[str]) -> None:
    trace = BEFORE.until(IDLE_S + 300)
    moved = replace(
        trace,
        t_s=trace.t_s + shift,
        columns={name: trace.columns[name] for name in order},
        stages=tuple(
            replace(s, start_s=s.start_s + shift, end_s=None if s.end_s is None else s.end_s + shift)
            for s in trace.stages
        ),
        events=tuple(replace(e, t_s=e.t_s + shift) for e in trace.events),
    )
    a, b = metrics_of(trace), metrics_of(moved)
    assert a.keys() == b.keys()
    for name, metric in a.items():
        if isinstance(metric.value, float):
            assert b[name].value == pytest.approx(metric.value, rel=2e-3, abs=2e-3)


@given(offset=st.floats(-20, 20))
@settings(max_examples=3, deadline=None)
def test_both_room_and_machine_shifted_leave_rise_and_resistance(offset: float) -> None:
    temps = {name: BEFORE.columns[name] + offset for name in ("die_temp_c", "ambient_temp_c")}
    a, b = metrics_of(BEFORE), metrics_of(replace(BEFORE, columns={**BEFORE.columns, **temps}))
    for name in ("load.die_temp_c.rise", "load.thermal_resistance"):
        assert b[name].value == pytest.approx(a[name].value, rel=1e-2)


BAD = {
    "all missing": (np.nan, "no reading"),
    "room above the die": (5.0, "one of the two is wrong"),
}


@pytest.mark.parametrize("case", sorted(BAD))
def test_a_bad_die_gives_a_reason_and_no_number(case: str) -> None:
    value, reason = BAD[case]
    found = metrics_of(ladder_trace(die_temp_c=np.full_like(BEFORE.columns["die_temp_c"], value)))
    assert found["load.thermal_resistance"].value is None and reason in found["load.thermal_resistance"].note


def test_times_that_stand_still_give_a_reason_and_no_number() -> None:
    t = BEFORE.t_s.copy()
    t[100] = t[99]
    found = metrics_of(replace(BEFORE, t_s=t))
    assert all(metric.value is None and "times" in metric.note for metric in found.values())


@pytest.mark.parametrize("watts", [0.0, np.nan])
def test_power_zero_or_missing_gives_no_resistance(watts: float) -> None:
    trace = ladder_trace(package_power_w=np.full_like(BEFORE.t_s, watts))
    found = metrics_of(trace)
    assert found["load.thermal_resistance"].value is None and found["load.thermal_resistance"].note
    assert found["load.thermal_impedance_5s"].value is None


def test_one_sample_and_an_empty_stage_give_reasons() -> None:
    one = replace(
        BEFORE, t_s=BEFORE.t_s[:1], utc_s=BEFORE.utc_s[:1], columns={k: v[:1] for k, v in BEFORE.columns.items()}
    )
    found = metrics_of(one)
    assert found["idle.die_temp_c.settled"].value is None and "only 1" in found["idle.die_temp_c.settled"].note
    assert found["load.die_temp_c.settled"].note == "no reading in this stage"


def test_a_constant_trace_settles_where_it_is_without_a_time_constant() -> None:
    found = metrics_of(ladder_trace(die_temp_c=np.full_like(BEFORE.t_s, 40.0)))
    assert found["load.die_temp_c.settled"].value == pytest.approx(40.0)
    assert found["load.die_temp_c.time_constant"].value is None
