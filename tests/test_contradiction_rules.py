"""What makes two readings contradict each other, at the edges, on courses without noise."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from verifyrig.analysis.contradictions import (
    Contradiction,
    _level,
    _power_w,
    _still_warms,
    contradictions_in,
    contradictions_of,
)
from verifyrig.core.ambient import TYPED
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import FloatArray, StageSpan, Trace

STAGE = StageSpan(name="load", kind=StageKind.LOAD, start_s=0.0, end_s=1e6, ended=StageEnd.TIME)


def trace_of(values: FloatArray, *, period_s: float = 1.0, resolution: float | None = None) -> Trace:
    t = np.arange(0.0, len(values) * period_s, period_s)
    columns = {"die_temp_c": np.asarray(values, dtype=np.float64), "package_power_w": np.arange(float(len(values)))}
    facts = {"channels": {"die_temp_c": {"resolution": resolution, "expanded_uncertainty": 0.4}}}
    none: tuple[()] = ()
    return Trace(
        run_id="r", facts=facts, profile=None, stages=(STAGE,), t_s=t, utc_s=t + 1.9e9, columns=columns, events=none
    )


def ramp(k_per_s: float, n: int = 301) -> FloatArray:
    return np.asarray(20.0 + k_per_s * np.arange(n), dtype=np.float64)


def warms(trace: Trace, gap_k: float) -> bool:
    return _still_warms(trace, STAGE, "die_temp_c", gap_k)


@pytest.mark.parametrize(("gap_k", "still"), [(35.99, True), (36.005, False)])
def test_what_would_close_the_gap_within_an_hour_still_warms(gap_k: float, still: bool) -> None:
    assert warms(trace_of(ramp(0.01)), gap_k) is still  # 0.01 K/s for 3 600 s are 36 K


def test_only_the_last_five_minutes_show_whether_it_still_warms() -> None:
    stopped = np.concatenate([ramp(0.05, 600), np.full(301, 50.0)])
    assert not warms(trace_of(stopped), 1.0)
    begun = np.concatenate([np.full(600, 20.0), ramp(0.01)])
    assert warms(trace_of(begun), 35.9)


@pytest.mark.parametrize(("n", "told"), [(30, False), (31, True)])
def test_half_a_minute_of_readings_is_the_least_to_tell_a_trend(n: int, told: bool) -> None:
    assert warms(trace_of(ramp(0.1, n)), 1.0) is told


@pytest.mark.parametrize(("rose_k", "still"), [(0.499, False), (0.501, True)])
def test_less_than_half_a_step_of_the_sensor_is_no_rise(rose_k: float, still: bool) -> None:
    assert warms(trace_of(ramp(rose_k / 300.0), resolution=1.0), 0.1) is still


def test_what_falls_does_not_warm() -> None:
    assert not warms(trace_of(ramp(-0.01)), 1.0)


@pytest.mark.parametrize(("n", "told"), [(4, False), (5, True)])
def test_a_level_is_told_by_five_readings_at_least(n: int, told: bool) -> None:
    assert (_level(trace_of(np.full(n, 50.0)), STAGE, "die_temp_c") is not None) is told


def test_a_level_is_the_mean_of_the_last_minute_and_as_sure_as_its_readings() -> None:
    values = np.concatenate([np.full(100, 20.0), 50.0 + (-1.0) ** np.arange(61)])
    found = _level(trace_of(values), STAGE, "die_temp_c")
    assert found is not None and found.value_c == pytest.approx(50.0 + 1 / 61)
    # 61 readings ± 1 about their mean: JCGM 100:2008, 4.2.3.
    u = float(np.std(values[-61:], ddof=1)) / 61**0.5
    assert any(line.standard_uncertainty == pytest.approx(u) for line in found.budget)


def test_the_power_is_the_mean_of_the_last_minute_and_unknown_where_it_was_not_read() -> None:
    assert _power_w(trace_of(np.full(200, 50.0)), STAGE, "package_power_w") == pytest.approx(169.0)
    assert _power_w(trace_of(np.full(200, 50.0)), STAGE, "gpu_power_w") is None
    assert _level(trace_of(np.full(200, np.nan)), STAGE, "die_temp_c") is None


@pytest.mark.parametrize(("before_s", "still"), [(300, False), (301, True)])
def test_a_trend_is_that_of_the_last_five_minutes_both_ends_included(before_s: int, still: bool) -> None:
    values = np.concatenate([np.full(100, 20.0), ramp(0.01)])
    values[-1 - before_s] = 500.0  # counted, it makes a fall of the rise
    assert warms(trace_of(values), 1.0) is still


@pytest.mark.parametrize(("n", "resolution", "told"), [(30, 0.1, False), (31, 0.1, True), (31, 7.0, False)])
def test_how_long_a_trend_lasted_and_how_far_it_rose_do_not_depend_on_when_it_began(
    n: int, resolution: float, told: bool
) -> None:
    # 3 K in half a minute, a quarter of an hour after the stage's begin; half a step of 7 K is more.
    values = np.concatenate([np.full(1000, np.nan), ramp(0.1, n)])
    assert warms(trace_of(values, resolution=resolution), 1.0) is told


def test_where_no_step_of_the_sensor_is_known_any_rise_beyond_its_noise_counts() -> None:
    assert warms(trace_of(ramp(0.4 / 300.0)), 0.1)


@pytest.mark.parametrize(("rose_k", "still"), [(0.31, False), (0.34, True)])
def test_a_rise_must_be_twice_the_noise(rose_k: float, still: bool) -> None:
    # ± 0.1 K in turn: second differences of 0.4 K, which white noise shows at 0.4 / sqrt(6) = 0.163 K.
    values = ramp(rose_k / 300.0) + 0.1 * (-1.0) ** np.arange(301)
    assert warms(trace_of(values), 0.1) is still


@pytest.mark.parametrize(("times_u", "still"), [(1.95, False), (2.05, True)])
def test_a_rise_must_be_surer_than_what_wanders_slowly(times_u: float, still: bool) -> None:
    # Three whole waves about the middle have no slope of their own; JCGM 100:2008, H.3.5, for the u of a slope.
    t = np.arange(301.0) - 150.0
    wave = np.cos(2 * np.pi * t / 100.0)
    apart = wave - np.mean(wave)
    u_slope = math.sqrt(float(apart @ apart) / 299) / math.sqrt(float(t @ t))
    assert warms(trace_of(20.0 + wave + times_u * u_slope * t), 0.1) is still


# ---- a whole stage


def stage_of(
    columns: Mapping[str, float], *, u95_k: Mapping[str, float] | None = None, kind: StageKind = StageKind.LOAD,
    typed: tuple[float, float] | None = None,
) -> Trace:  # fmt: skip
    """Return a stage of a minute in which every reading stands; each temperature is good to 0.4 K unless stated."""
    t = np.arange(0.0, 61.0)
    stated = {name: {"expanded_uncertainty": 0.4} for name in columns}
    stated |= {name: {"expanded_uncertainty": one} for name, one in (u95_k or {}).items()}
    ambient = {"value_c": typed[0], "u95_k": typed[1], "source": "typed"} if typed is not None else None
    none: tuple[()] = ()
    return Trace(
        run_id="r", facts={"channels": stated, "ambient": ambient}, profile=None, stages=(replace(STAGE, kind=kind),),
        t_s=t, utc_s=t + 1.9e9, columns={name: np.full(61, value) for name, value in columns.items()}, events=none,
    )  # fmt: skip


def pairs(trace: Trace) -> list[tuple[str, str]]:
    return [(one.colder, one.warmer) for one in contradictions_in(trace, trace.stages[0])]


DIE_TO_COOLANT = [("die_temp_c", "coolant_temp_c")]
WRONG = {"die_temp_c": 33.0, "coolant_temp_c": 35.0}


def test_it_says_by_how_much_and_how_sure_that_is() -> None:
    trace = stage_of(WRONG)
    (one,) = contradictions_in(trace, trace.stages[0])
    assert (one.stage, one.colder, one.warmer) == ("load", "die_temp_c", "coolant_temp_c")
    # Two readings of ± 0.4 K each, which is twice their standard uncertainty: JCGM 100:2008, 5.1.2, and 1.96 for 95 %.
    assert [one.by_k, one.u95_k] == pytest.approx([2.0, 1.96 * math.hypot(0.2, 0.2)], rel=1e-4)


@pytest.mark.parametrize(
    ("warmer", "code"),
    [
        ("coolant_temp_c", "against-heat-flow"), ("ambient_temp_c", "below-surroundings"),
        ("inlet_temp_c", "below-surroundings"), (TYPED, "below-typed-room"),
    ],
)  # fmt: skip
def test_it_is_worded_by_what_it_lies_below(warmer: str, code: str) -> None:
    why = Contradiction(stage="load", colder="die_temp_c", warmer=warmer, by_k=2.0, u95_k=0.5).why
    assert why.code == code
    assert dict(why.values) == {"colder": "die_temp_c", "warmer": warmer, "by_k": 2.0, "u95_k": 0.5}


@pytest.mark.parametrize(("power_w", "found"), [(2.99, []), (3.0, DIE_TO_COOLANT), (None, DIE_TO_COOLANT)])
def test_a_part_without_power_heats_nothing(power_w: float | None, found: list[tuple[str, str]]) -> None:
    more = {} if power_w is None else {"package_power_w": power_w}
    assert pairs(stage_of({**WRONG, **more})) == found


@pytest.mark.parametrize(
    ("hot", "power_w", "found"),
    [
        # 0.1 K below, both good to 0.4 K: what the watts leave between them, 0.02 K/W, must make up for 0.454 K.
        ("die_temp_c", 22.5, []),
        ("die_temp_c", 23.0, DIE_TO_COOLANT),
        ("die_temp_c", None, []),
        # Between other places nothing is known of that.
        ("plate_temp_c", 24.0, []),
        ("plate_temp_c", None, []),
    ],
)
def test_watts_leave_no_room_for_equal_readings_of_die_and_coolant(
    hot: str, power_w: float | None, found: list[tuple[str, str]]
) -> None:
    more = {} if power_w is None else {"package_power_w": power_w}
    assert pairs(stage_of({hot: 34.9, "coolant_temp_c": 35.0, **more})) == found


def test_what_is_not_colder_is_no_contradiction_however_many_watts() -> None:
    assert pairs(stage_of({"die_temp_c": 35.0, "coolant_temp_c": 35.0, "package_power_w": 100.0})) == []


@pytest.mark.parametrize(("power_w", "found"), [(2.0, []), (100.0, [("gpu_hotspot_temp_c", "gpu_temp_c")])])
def test_a_card_is_heated_by_its_own_power(power_w: float, found: list[tuple[str, str]]) -> None:
    card = {"gpu_hotspot_temp_c": 50.0, "gpu_temp_c": 60.0, "gpu_power_w": power_w}
    assert pairs(stage_of({**card, "package_power_w": 102.0 - power_w})) == found


@pytest.mark.parametrize("kind", list(StageKind))
def test_only_a_cooldown_without_a_power_may_be_a_machine_that_is_off(kind: StageKind) -> None:
    assert pairs(stage_of(WRONG, kind=kind)) == ([] if kind is StageKind.COOLDOWN else DIE_TO_COOLANT)
    assert pairs(stage_of({**WRONG, "package_power_w": 15.0}, kind=kind)) == DIE_TO_COOLANT


def test_of_one_reading_the_plainest_contradiction_is_told() -> None:
    def warmer(plate_c: float, coolant_c: float, **u95_k: float) -> str:
        columns = {"die_temp_c": 35.0, "plate_temp_c": plate_c, "coolant_temp_c": coolant_c}
        found = dict(pairs(stage_of(columns, u95_k=u95_k)))
        return found["die_temp_c"]

    assert (warmer(40.0, 45.0), warmer(45.0, 40.0)) == ("coolant_temp_c", "plate_temp_c")
    # 5 K that may be wrong by 4 are less than 4 K that may not.
    assert warmer(40.0, 39.0, plate_temp_c=4.0) == "coolant_temp_c"
    assert warmer(39.0, 40.0, coolant_temp_c=4.0) == "plate_temp_c"
    # Of two alike the one that lies next to it.
    assert warmer(40.0, 40.0) == "plate_temp_c"


def test_the_coldest_core_stands_for_all_and_no_other_part_does() -> None:
    room = {"ambient_temp_c": 22.0}
    assert pairs(stage_of({**room, "core_temp_c": 20.0, "core_2_temp_c": 19.0, "core_3_temp_c": 21.0})) == [
        ("core_2_temp_c", "ambient_temp_c")
    ]
    assert pairs(stage_of({**room, "drive_temp_c": 20.0, "drive_2_temp_c": 19.0})) == [
        ("drive_temp_c", "ambient_temp_c"), ("drive_2_temp_c", "ambient_temp_c"),
    ]  # fmt: skip


def test_only_temperatures_that_the_contract_knows_are_held_against_the_room() -> None:
    columns = {"ambient_temp_c": 22.0, "package_power_w": 15.0, "my_own_temp_c": 5.0, "board_temp_c": 20.0}
    assert pairs(stage_of(columns)) == [("board_temp_c", "ambient_temp_c")]


@pytest.mark.parametrize("colder", ["board_temp_c", "inlet_temp_c"])
def test_within_their_joint_uncertainty_readings_may_lie_below_the_room(colder: str) -> None:
    assert pairs(stage_of({"ambient_temp_c": 22.0, colder: 21.7})) == []
    assert pairs(stage_of({"ambient_temp_c": 22.0, colder: 21.3})) == [(colder, "ambient_temp_c")]


def test_air_that_a_machine_draws_in_may_be_warmer_than_its_room() -> None:
    assert pairs(stage_of({"ambient_temp_c": 20.0, "inlet_temp_c": 25.0, "board_temp_c": 22.0})) == []


def test_a_typed_room_stands_in_for_a_measured_one_and_not_beside_it() -> None:
    assert pairs(stage_of({"board_temp_c": 20.5}, typed=(25.0, 1.0))) == [("board_temp_c", TYPED)]
    assert pairs(stage_of({"board_temp_c": 24.5}, typed=(25.0, 1.0))) == []
    assert pairs(stage_of({"board_temp_c": 20.5, "ambient_temp_c": 20.0}, typed=(25.0, 1.0))) == []
    assert pairs(stage_of({"board_temp_c": 20.5})) == []


def test_a_stage_that_was_skipped_contradicts_nothing() -> None:
    trace = stage_of(WRONG)
    assert len(contradictions_of(trace)) == 1
    assert contradictions_of(replace(trace, stages=(replace(trace.stages[0], ended=StageEnd.SKIPPED),))) == ()


def test_what_still_warms_up_contradicts_nothing() -> None:
    trace = stage_of({"board_temp_c": 12.0, "ambient_temp_c": 22.0})
    rising = replace(trace, columns={**trace.columns, "board_temp_c": 12.0 + 0.01 * trace.t_s})
    assert pairs(trace) == [("board_temp_c", "ambient_temp_c")] and pairs(rising) == []
