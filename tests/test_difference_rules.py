"""How two runs' figures are held against each other, rule by rule: corrections, joint uncertainty, one machine."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from verifyrig.analysis import differences
from verifyrig.analysis.budget import SENSOR_ACCURACY
from verifyrig.analysis.climb_end import ClimbEnd
from verifyrig.analysis.differences import (
    _ambients_apart_k,
    _changed,
    _correction,
    _difference,
    _is_one_machine,
    _pair,
    _power_share,
    _widened,
    compares_by_one_model,
    heated_parts,
    over_common_length,
    per_watt_differences,
    reference_c,
    stage_differences,
    stage_mean,
)
from verifyrig.analysis.results import Metric, MetricDifference
from verifyrig.analysis.two_runs import PathChange
from verifyrig.core.heat_sources import CARD, DIE
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import LoadPlan, Profile, Stage, StageKind, WorkName
from verifyrig.core.trace import StageSpan, Trace
from verifyrig.metrology.uncertainty import Component

LOAD = StageSpan(name="load", kind=StageKind.LOAD, start_s=0.0, end_s=60.0, ended=StageEnd.TIME)
COLUMNS = {"die_temp_c": 60.0, "package_power_w": 100.0}
APART_K = 3.0 / math.sqrt(6)  # triangular over ± 3 K: JCGM 100:2008, 4.3.9
PROFILE = Profile(name="p", title="", text="", recipe="r", stages=())


def trace(
    columns: Mapping[str, float] = COLUMNS,
    *,
    kind: StageKind = StageKind.LOAD,
    devices: Mapping[str, str] | None = None,
    u95_k: Mapping[str, float] | None = None,
    typed: tuple[float, float | None] | None = None,
    at_utc_s: float = 1.9e9,
    profile: Profile | None = None,
    **facts: Any,
) -> Trace:
    t_s = np.arange(0.0, 61.0)
    channels = {
        name: {"device": (devices or {}).get(name, "d"), "expanded_uncertainty": (u95_k or {}).get(name)}
        for name in columns
    }
    ambient = None if typed is None else {"value_c": typed[0], "u95_k": typed[1], "source": "typed"}
    none: tuple[()] = ()
    return Trace(
        run_id="r", facts={"channels": channels, "ambient": ambient, "unit": "U1", **facts}, profile=profile,
        stages=(replace(LOAD, kind=kind),), t_s=t_s, utc_s=t_s + at_utc_s,
        columns={name: np.full(61, value) for name, value in columns.items()}, events=none,
    )  # fmt: skip


def room(ambient_c: float, **more: Any) -> Trace:
    return trace({**COLUMNS, "ambient_temp_c": ambient_c}, **more)


def metric(value: Any, u: float | None = None, u95: float | None = 1.0, name: str = "scatter") -> Metric:
    budget = () if u is None else (Component(name=name, standard_uncertainty=u),)
    return Metric(value=value, unit="°C", u95=u95, budget=budget)


def pair(before: Trace, after: Trace) -> Any:
    return _pair(before, after, before.stages[0], after.stages[0])


def corrected(before: Trace, after: Trace) -> tuple[tuple[float, float], list[float]]:
    """Return the shifts, and the standard uncertainties of what is uncertain of them."""
    shifts, lines = _correction(before, after, before.stages[0], after.stages[0])
    return (round(shifts[0], 9), round(shifts[1], 9)), [line.standard_uncertainty for line in lines]


# ---- one figure against another


@pytest.mark.parametrize(("after", "significant"), [(61.0, False), (61.01, True), (58.99, True), (59.0, False)])
def test_a_difference_counts_where_it_is_more_than_its_uncertainty(after: float, significant: bool) -> None:
    # ± 0.8 K and ± 0.6 K: their root of squares is 1.0 K (JCGM 100:2008, 5.1.2).
    found = _difference(pair(trace(), trace()), metric(60.0, u95=0.8), metric(after, u95=0.6))
    assert (found.before, found.after, found.unit) == (60.0, after, "°C")
    assert found.difference == pytest.approx(after - 60.0) and found.u95 == pytest.approx(1.0)
    assert found.significant is significant


def test_what_has_no_number_or_no_uncertainty_is_not_judged() -> None:
    two = pair(trace(), trace())
    for before, after in ((metric(None), metric(60.0)), (metric(60.0), metric((1.0, 2.0)))):
        found = _difference(two, before, after)
        assert found.difference is found.u95 is found.significant is None
    for before, after in ((metric(60.0, u95=None), metric(61.0)), (metric(60.0), metric(61.0, u95=None))):
        found = _difference(two, before, after)
        assert found.difference == 1.0 and found.u95 is found.significant is None


def test_a_lasting_error_of_the_same_sensor_is_in_both_and_cancels() -> None:
    both = (metric(60.0, 0.3, name=SENSOR_ACCURACY), metric(61.0, 0.3, name=SENSOR_ACCURACY))
    assert _difference(pair(trace(), trace()), *both).u95 == pytest.approx(0.0)
    other = pair(trace(), trace(devices={"die_temp_c": "another"}))
    assert _difference(other, *both).u95 == pytest.approx(1.96 * math.hypot(0.3, 0.3), rel=1e-3)


def test_what_is_uncertain_of_a_correction_adds_to_both_kinds_of_budget() -> None:
    more = (Component(name="ambients", standard_uncertainty=1.2),)
    two = pair(trace(), trace())
    by_lines = _difference(two, metric(60.0, 0.3), metric(61.0, 0.4), more)
    assert by_lines.u95 == pytest.approx(1.96 * 1.3, rel=1e-3)  # 0.3, 0.4, 1.2: 1.3
    # Where one run kept no budget, its U95 stands for it.
    by_u95 = _difference(two, metric(60.0, 0.3, u95=0.6), metric(61.0, u95=1.959964 * 0.4), more)
    assert by_u95.u95 == pytest.approx(1.96 * 1.3, rel=1e-3)


def test_bounds_of_two_runs_are_convolved_and_not_taken_at_their_root_of_squares() -> None:
    def bounded(value: float) -> Metric:
        line = Component.within("accuracy of the reading", 1.0)
        return Metric(value=value, unit="rpm", u95=0.95, budget=(line,))

    # Both ± 1: their difference is triangular within ± 2, 95 % of it within 2 (1 - sqrt(0.05)) = 1.553.
    found = _difference(pair(trace(), trace()), bounded(60.0), bounded(61.5))
    assert found.u95 == pytest.approx(1.553, abs=1e-3) and found.significant is False
    assert _difference(pair(trace(), trace()), bounded(60.0), bounded(61.6)).significant is True


def test_an_effect_that_is_not_corrected_for_widens() -> None:
    found = MetricDifference(before=1.0, after=3.4, difference=2.4, u95=1.5, significant=True, unit="°C")
    # Rectangular between 0 and 1.2 K: its middle, and its half width over the root of 3 (JCGM 100:2008, 4.3.7).
    wide = _widened(found, 1.2)
    assert wide.u95 == pytest.approx(0.6 + math.hypot(1.5, 2 * 0.6 / math.sqrt(3))) and wide.significant is True
    assert _widened(found, 3.0).significant is False and _widened(found, 0.0) == found
    assert _widened(replace(found, u95=None, significant=None), 1.2).u95 is None


def test_one_models_change_stands_for_the_difference() -> None:
    change = PathChange(settles_k=-2.0, u_k=0.5)
    found = _changed(metric(60.0), metric(61.0), change)
    assert (found.before, found.after, found.difference, found.u95) == (60.0, 58.0, -2.0, 0.98)
    assert found.significant is True and found.unit == "°C"
    assert _changed(metric(60.0), metric(61.0), replace(change, u_k=1.1)).significant is False
    for none in (_changed(metric(None), metric(61.0), change), _changed(metric(60.0), metric(None), change)):
        assert none.before is none.difference is none.significant is None and none.unit == "°C"


# ---- the ambient


def test_ambients_that_count_as_alike_are_corrected_to_the_one_before() -> None:
    # A tenth of a shift is uncertain (common practice, no source); one probe's own error is the same in both.
    shifts, lines = corrected(room(22.0), room(25.0))
    assert shifts == (0.0, -3.0) and lines == pytest.approx([0.0, 0.3])
    shifts, lines = corrected(room(22.0), room(20.0))
    assert shifts == (0.0, 2.0) and lines == pytest.approx([0.0, 0.2])


@pytest.mark.parametrize(("after_c", "shift_k"), [(25.5, -0.5), (18.5, 6.5)])
def test_other_ambients_are_both_corrected_to_the_reference(after_c: float, shift_k: float) -> None:
    shifts, lines = corrected(room(22.0), room(after_c))
    assert shifts == (3.0, shift_k) and lines == pytest.approx([0.3, abs(shift_k) / 10])


def test_the_reference_is_the_newer_profiles() -> None:
    old, new = (replace(PROFILE, reference_ambient_c=c) for c in (20.0, 30.0))
    assert reference_c(trace(profile=old), trace(profile=new)) == 30.0
    assert reference_c(trace(profile=old), trace()) == 20.0
    assert reference_c(trace(), trace()) == 25.0


@pytest.mark.parametrize(
    ("before", "after", "lines"),
    [
        ({"devices": {"ambient_temp_c": "a"}}, {"devices": {"ambient_temp_c": "a"}}, []),
        # ± 0.6 and ± 0.8 K at 95 %: half of each.
        (
            {"devices": {"ambient_temp_c": "a"}, "u95_k": {"ambient_temp_c": 0.6}},
            {"devices": {"ambient_temp_c": "b"}, "u95_k": {"ambient_temp_c": 0.8}},
            [0.3, 0.4],
        ),
        # Nothing stated: ± 1 K, rectangular (JCGM 100:2008, 4.3.7).
        ({"devices": {"ambient_temp_c": "a"}}, {"devices": {"ambient_temp_c": "b"}}, 2 * [1 / math.sqrt(3)]),
    ],
)
def test_the_readings_own_errors_count_where_it_is_not_one_probe(
    before: dict[str, Any], after: dict[str, Any], lines: list[float]
) -> None:
    _, found = corrected(room(22.0, **before), room(22.0, **after))
    assert found[2:] == pytest.approx(lines)


def test_what_was_typed_is_read_anew_each_time() -> None:
    typed = trace(typed=(22.0, 0.6))
    _, found = corrected(typed, trace(typed=(22.0, 0.8)))
    assert found[2:] == pytest.approx([0.3, 0.4])
    _, found = corrected(typed, trace(typed=(22.0, 0.6)))
    assert found[2:] == pytest.approx([0.3, 0.3])


@pytest.mark.parametrize(("before", "after"), [(room(22.0), trace()), (trace(), room(22.0)), (trace(), trace())])
def test_without_both_ambients_nothing_is_corrected_and_their_distance_is_uncertain(
    before: Trace, after: Trace
) -> None:
    shifts, lines = corrected(before, after)
    assert shifts == (0.0, 0.0) and lines == [_ambients_apart_k(before, after, LOAD, LOAD)]


def apart_k(hours: float, **more: Any) -> float:
    before, after = trace(**more), trace(at_utc_s=1.9e9 + 3600.0 * hours, **more)
    return _ambients_apart_k(before, after, LOAD, LOAD)


def test_an_ambient_that_nobody_measured_wanders_as_the_root_of_the_time() -> None:
    at_once, quarter, hour = (apart_k(hours) for hours in (0.0, 0.25, 1.0))
    assert at_once == pytest.approx(0.2) and at_once < quarter < hour < APART_K
    assert hour == pytest.approx(math.hypot(at_once, differences._WANDERS_K))
    assert hour**2 - at_once**2 == pytest.approx(4 * (quarter**2 - at_once**2))
    assert apart_k(-1.0) == pytest.approx(hour) and apart_k(1000.0) == pytest.approx(APART_K)


def test_of_another_machine_or_at_an_unknown_time_any_usual_ambient_may_be() -> None:
    later = trace(at_utc_s=1.9e9 + 60.0)
    assert _ambients_apart_k(trace(), replace(later, facts={**later.facts, "unit": "U2"}), LOAD, LOAD) == APART_K
    assert apart_k(0.0, utc_known=False) == APART_K
    for one in (0, 1):
        both = [trace(), later]
        both[one] = replace(both[one], facts={**both[one].facts, "utc_known": False})
        assert _ambients_apart_k(both[0], both[1], LOAD, LOAD) == APART_K


# ---- what is compared


def test_one_machine_is_known_by_its_die_sensor_and_by_job_unit_or_itself() -> None:
    assert _is_one_machine(trace(), trace())
    assert not _is_one_machine(trace(), trace(devices={"die_temp_c": "another"}))
    assert not _is_one_machine(trace(), trace(unit="U2"))
    # A job's machine is one, whatever units are called.
    assert _is_one_machine(trace(job="J"), trace(job="J", unit="U2"))
    assert not _is_one_machine(trace(unit=None, machine={"model": "A"}), trace(unit=None, machine={"model": "B"}))
    assert _is_one_machine(trace(unit=None, machine={"model": "A"}), trace(unit=None, machine={"model": "A"}))


@pytest.mark.parametrize(
    ("before", "after", "one_model"),
    [
        (trace(), trace(), True),
        (trace(kind=StageKind.COOLDOWN), trace(), False),
        (trace(), trace(kind=StageKind.IDLE), False),
        (trace(), trace(unit="U2"), False),
        (room(22.0), trace(), False),
        (trace(), room(22.0), False),
    ],
)
def test_one_model_tells_of_two_loads_of_one_machine_whose_ambient_nobody_measured(
    before: Trace, after: Trace, one_model: bool
) -> None:
    assert compares_by_one_model(before, after, before.stages[0], after.stages[0]) is one_model


def test_stages_are_cut_to_the_length_of_the_shorter_one() -> None:
    a, b = replace(LOAD, start_s=10.0, end_s=100.0), replace(LOAD, start_s=30.0, end_s=70.0)
    assert over_common_length(a, b) == (replace(a, end_s=50.0), b)
    assert over_common_length(b, a) == (b, replace(a, end_s=50.0))
    open_ended = replace(a, end_s=None)
    assert over_common_length(open_ended, b) == (open_ended, b)
    assert over_common_length(b, open_ended) == (b, open_ended)


def test_the_parts_that_are_heated_are_those_of_the_load() -> None:
    def heats(work: WorkName) -> list[Any]:
        stage = Stage(name="load", kind=StageKind.LOAD, max_duration_s=60.0, load=LoadPlan(work=work))
        return heated_parts(trace(profile=replace(PROFILE, stages=(stage,))), LOAD)

    assert heats(WorkName.GPU_AND_PROCESSOR) == [DIE, CARD] and heats(WorkName.GPU_LINEAR_ALGEBRA) == [CARD]
    assert heated_parts(trace(), LOAD) == [DIE]


def test_powers_are_compared_where_both_were_read() -> None:
    more = trace({**COLUMNS, "package_power_w": 110.0})
    assert _power_share(trace(), more, LOAD, LOAD, DIE) == pytest.approx(0.1)
    assert _power_share(more, trace(), LOAD, LOAD, DIE) == pytest.approx(-1 / 11)
    without = trace({"die_temp_c": 60.0})
    assert _power_share(trace(), without, LOAD, LOAD, DIE) == _power_share(without, trace(), LOAD, LOAD, DIE) == 0.0
    assert (
        stage_mean(trace(), LOAD, "package_power_w") == 100.0 and stage_mean(without, LOAD, "package_power_w") is None
    )


def test_a_stage_that_one_run_lacks_is_not_compared() -> None:
    lacking = replace(trace(), stages=(replace(LOAD, name="another"),))
    both = {"load.die_temp_c.settled": metric(60.0)}
    for before, after in ((trace(), lacking), (lacking, trace())):
        assert stage_differences(before, after, both, both, "load") == {}
        assert per_watt_differences(before, after, both, both, "load") == {}


def test_each_figure_of_the_stage_is_compared_and_temperatures_that_settle_at_one_ambient() -> None:
    a = {
        "load.die_temp_c.settled": metric(60.0, u95=0.6),
        "load.ambient_temp_c.settled": metric(22.0, u95=0.6),
        "load.package_power_w.mean": metric(100.0, u95=0.6),
        "load.vrm_temp_c.peak": metric(70.0, u95=0.6),
        "load.only_before": metric(1.0),
        "idle.die_temp_c.settled": metric(30.0),
    }
    b = {name: metric((one.number or 0.0) + 2.0, u95=0.8) for name, one in a.items() if name != "load.only_before"}
    found = stage_differences(room(22.0), room(24.0), a, b, "load")
    assert found.keys() == {name for name in b if name.startswith("load")}
    # The room itself, a power, and a peak that was not read anew are taken as they are.
    for name, one in found.items():
        settled = name == "load.die_temp_c.settled"
        assert one.difference == pytest.approx(0.0 if settled else 2.0), name
        # A tenth of 2 K is uncertain of the correction, as a standard uncertainty: k = 1.960.
        assert one.u95 == pytest.approx(math.hypot(1.0, 1.959964 * 0.2) if settled else 1.0), name


def warming(k_per_s: float, *, start_s: float = 0.0, channel: str = "die_temp_c", watts: float = 100.0) -> Trace:
    """Return a room of 22 °C and a part that rises from 40 °C as fast as stated, its stage from a time on."""
    power = "gpu_power_w" if channel.startswith("gpu") else "package_power_w"
    one = trace({"ambient_temp_c": 22.0, channel: 40.0, power: watts})
    columns = {**one.columns, channel: 40.0 + k_per_s * one.t_s}
    return replace(one, columns=columns, stages=(replace(LOAD, start_s=start_s),))


def course(before: Trace, after: Trace, channel: str = "die_temp_c") -> tuple[MetricDifference, MetricDifference]:
    both = {f"load.{channel}.rate": metric(99.0, u95=5.0), f"load.{channel}.peak": metric(99.0, u95=5.0)}
    found = stage_differences(before, after, both, both, "load")
    return found[f"load.{channel}.rate"], found[f"load.{channel}.peak"]


def test_a_rate_and_a_peak_are_read_anew_over_the_length_that_both_have() -> None:
    rate, peak = course(warming(0.1), warming(0.2, start_s=20.0))
    assert [rate.before, rate.after] == pytest.approx([0.1, 0.2])
    # 40 s of each: from the begin of the run, and from 20 s on.
    assert [peak.before, peak.after] == pytest.approx([44.0, 52.0])


def test_where_one_run_has_no_course_the_figures_as_they_are_stand() -> None:
    lacking = replace(warming(0.1), columns={k: v for k, v in warming(0.1).columns.items() if k != "die_temp_c"})
    for before, after in ((warming(0.1), lacking), (lacking, warming(0.1))):
        assert {one.before for one in course(before, after)} == {99.0}


@pytest.mark.parametrize(("channel", "more_w"), [("die_temp_c", True), ("gpu_temp_c", True), ("gpu_temp_c", False)])
def test_another_power_of_the_same_part_makes_its_course_less_sure(channel: str, more_w: bool) -> None:
    alike, other = warming(0.1, channel=channel), warming(0.1, channel=channel, watts=150.0 if more_w else 100.0)
    for same, found in zip(course(alike, alike, channel), course(alike, other, channel), strict=True):
        assert same.u95 is not None and found.u95 is not None
        assert (found.u95 > same.u95 + 0.02) is more_w


def test_the_power_of_another_part_says_nothing_of_a_course() -> None:
    alike = warming(0.1, channel="gpu_temp_c")
    busy = replace(alike, columns={**alike.columns, "package_power_w": np.full(61, 100.0)})
    busier = replace(alike, columns={**alike.columns, "package_power_w": np.full(61, 150.0)})
    assert course(busy, busier, "gpu_temp_c") == course(busy, busy, "gpu_temp_c")


def test_what_an_ambient_began_at_is_not_corrected_by_itself() -> None:
    _, peak = course(room(22.0), room(24.0), "ambient_temp_c")
    # 2 K of another start are explained at most: their middle, and twice its half width over the root of 3.
    assert peak.difference == pytest.approx(2.0) and peak.u95 == pytest.approx(1.0 + 2.0 / math.sqrt(3), rel=0.02)


def test_where_one_model_tells_of_a_part_its_settled_difference_is_the_models(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Any] = []

    def told(before: Trace, after: Trace, spans: Any, part: Any, apart_k: float) -> PathChange | None:
        asked.append((part, apart_k))
        return PathChange(settles_k=-2.0, u_k=0.5) if part is DIE else None

    monkeypatch.setattr(differences, "path_change", told)
    both = {f"load.{name}.settled": metric(60.0, u95=0.5) for name in ("die_temp_c", "vrm_temp_c", "gpu_temp_c")}
    found = stage_differences(trace(), trace(), both, both, "load")
    assert [one.difference for one in found.values()] == [-2.0, 0.0, 0.0]
    assert asked == [(DIE, pytest.approx(0.2))]
    # A part that a run does not show is asked of no model, and a measured ambient needs none.
    asked.clear()
    assert stage_differences(trace({"package_power_w": 9.0}), trace(), both, both, "load")
    assert stage_differences(trace(), trace({"package_power_w": 9.0}), both, both, "load")
    assert stage_differences(room(22.0), room(22.0), both, both, "load") and asked == []


def end_of(channel: str, *, reached: bool) -> ClimbEnd:
    return ClimbEnd(
        share=0.5, full_share=1.0, full_from_s=10.0 if reached else None, channel=channel, full_c=80.0, full_u95_k=2.0,
        why=None,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("ends", "compared"),
    [
        ((end_of("die_temp_c", reached=False), end_of("vrm_temp_c", reached=True)), "die_temp_c"),
        ((end_of("vrm_temp_c", reached=True), end_of("die_temp_c", reached=False)), "die_temp_c"),
        ((end_of("die_temp_c", reached=False), end_of("die_temp_c", reached=False)), "die_temp_c"),
        ((end_of("die_temp_c", reached=False), end_of("vrm_temp_c", reached=False)), ""),
        ((end_of("die_temp_c", reached=True), end_of("die_temp_c", reached=True)), ""),
        ((None, end_of("die_temp_c", reached=False)), "die_temp_c"),
        ((None, None), ""),
    ],
)
def test_climbs_to_other_shares_are_compared_by_watt_and_by_what_full_share_would_come_to(
    ends: tuple[ClimbEnd | None, ClimbEnd | None], compared: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, after = room(22.0), room(24.0)
    monkeypatch.setattr(differences, "climb_end", lambda run, stage: ends[0] if run is before else ends[1])
    asked: list[Any] = []

    def alike(a: Any, b: Any, part: Any) -> dict[str, tuple[Metric, Metric]]:
        asked.append((a[0] is before, b[0] is after, part))
        return {"thermal_impedance_5s": (metric(0.4, u95=0.6), metric(0.5, u95=0.8))}

    monkeypatch.setattr(differences, "impedances_at_like_fans", alike)
    a = {f"load.{name}.settled": metric(60.0, u95=0.6) for name in ("die_temp_c", "vrm_temp_c")}
    b = {f"load.{name}.settled": metric(63.0, u95=0.8) for name in ("die_temp_c", "vrm_temp_c")}
    found = per_watt_differences(before, after, a, b, "load")
    assert asked == [(True, True, DIE)]
    settled = [f"load.{compared}.settled"] if compared else []
    assert list(found) == ["load.thermal_impedance_5s", *settled]
    assert found["load.thermal_impedance_5s"].difference == pytest.approx(0.1)
    # At one ambient: 2 K of the 3 are the room's.
    assert [found[name].difference for name in settled] == pytest.approx([1.0] * len(settled))
    for one, other in ((a, {}), ({}, b)):
        assert list(per_watt_differences(before, after, one, other, "load")) == ["load.thermal_impedance_5s"]
