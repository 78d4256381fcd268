"""Readings that cannot all be true are named: beyond their joint uncertainty, and not in a machine from the cold."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from mock_hw.physics.parameters import draw
from tests import report_inputs as ri
from tests.benchmarks._diagnosis_machines import WITH_PROBES, run_machine
from verifyrig.analysis import contradictions_of, judge_thresholds, metrics_of
from verifyrig.analysis.contradictions import Contradiction
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import LoadPlan, Profile, Stage, StageKind, Threshold, WorkName
from verifyrig.core.trace import Event, FloatArray, StageSpan, Trace
from verifyrig.metrology.verdict import Verdict
from verifyrig.report.render import render
from verifyrig.runs.summary import sentences_of, summary_of

IDLE_S, LOAD_S = 300, 300
T = np.arange(0.0, IDLE_S + LOAD_S)
ON = T >= IDLE_S


def run_of(*, stated_u95_k: float | None = 0.4, room: dict[str, Any] | None = None, **columns: Any) -> Trace:
    """Five minutes of rest and of load in a room of 22 °C, each reading on the path above the one before."""
    shown: dict[str, FloatArray | float] = {
        "ambient_temp_c": 22.0,
        "coolant_temp_c": np.where(ON, 35.0, 24.0),
        "plate_temp_c": np.where(ON, 39.0, 25.0),
        "die_temp_c": np.where(ON, 55.0, 28.0),
        "package_power_w": np.where(ON, 100.0, 15.0),
        "load_share": ON.astype(float),
        **columns,
    }
    noise = np.random.default_rng(3)
    table = {
        name: np.asarray(value) + (0.05 if name.endswith("_temp_c") else 0.0) * noise.standard_normal(len(T))
        for name, value in shown.items()
        if not (isinstance(value, float) and math.isnan(value))
    }
    facts: dict[str, Any] = {"outcome": "completed"}
    if stated_u95_k is not None:
        facts["channels"] = {name: {"expanded_uncertainty": stated_u95_k} for name in table}
    if room is not None:
        facts["ambient"] = room
    stages = (
        Stage(name="idle", kind=StageKind.IDLE, max_duration_s=IDLE_S),
        Stage(name="load", kind=StageKind.LOAD, max_duration_s=LOAD_S, load=LoadPlan(work=WorkName.LINEAR_ALGEBRA)),
    )
    limits = [Threshold(metric=f"{stage}.die_temp_c.peak", maximum=90.0) for stage in ("load", "idle")]
    return Trace(
        run_id="20310101-000000-abcd",
        facts=facts,
        profile=Profile(name="p", title="", text="", recipe="r", stages=stages, thresholds=tuple(limits)),
        stages=(
            StageSpan(name="idle", kind=StageKind.IDLE, start_s=0.0, end_s=IDLE_S - 0.5, ended=StageEnd.TIME),
            StageSpan(name="load", kind=StageKind.LOAD, start_s=float(IDLE_S), end_s=T[-1], ended=StageEnd.TIME),
        ),
        t_s=T,
        utc_s=T + 1.9e9,
        columns=table,
        events=(Event(t_s=float(IDLE_S), kind="load", detail={"share": 1.0}),),
    )


def pairs(trace: Trace) -> set[tuple[str, str, str]]:
    return {(one.stage, one.colder, one.warmer) for one in contradictions_of(trace)}


def test_a_sound_machine_contradicts_itself_in_nothing() -> None:
    assert pairs(run_of()) == set()
    assert pairs(run_of(stated_u95_k=None)) == set()


def test_a_die_1_3_k_colder_than_its_coolant_is_named() -> None:
    found = contradictions_of(run_of(die_temp_c=np.where(ON, 33.7, 28.0), plate_temp_c=math.nan))
    (one,) = found
    assert (one.stage, one.colder, one.warmer) == ("load", "die_temp_c", "coolant_temp_c")
    assert one.by_k == pytest.approx(1.3, abs=0.05)
    # Two readings of ± 0.4 K each, independent: their joint u95 is their root sum of squares (JCGM 100:2008, 5.1.2).
    assert one.u95_k == pytest.approx(0.4 * math.sqrt(2), abs=0.03)


def test_under_load_watts_leave_no_room_for_equal_readings_and_at_rest_the_joint_u95_does() -> None:
    # Uncalibrated readings are good to 1 K each, anywhere within: 95 % of the triangle that their difference makes are
    # within 2 (1 - sqrt(0.05)) = 1.55 K. With the 0.02 K/W that a path has at least, 1.2 K are within that at 15 W
    # (1.5 K), and 1.3 K are not at 100 W (3.3 K).
    at_idle = run_of(stated_u95_k=None, die_temp_c=np.where(ON, 55.0, 22.8), plate_temp_c=math.nan)
    assert pairs(at_idle) == set()
    loaded = run_of(stated_u95_k=None, die_temp_c=np.where(ON, 33.7, 28.0), plate_temp_c=math.nan)
    assert pairs(loaded) == {("load", "die_temp_c", "coolant_temp_c")}


@pytest.mark.parametrize(
    ("columns", "colder", "warmer"),
    [
        ({"plate_temp_c": np.where(ON, 33.0, 23.0)}, "plate_temp_c", "coolant_temp_c"),
        ({"radiator_temp_c": np.where(ON, 37.0, 24.8)}, "coolant_temp_c", "radiator_temp_c"),
        ({"plate_temp_c": np.where(ON, 57.0, 29.5)}, "die_temp_c", "plate_temp_c"),
        ({"core_temp_c": np.where(ON, 20.5, 19.0)}, "core_temp_c", "ambient_temp_c"),
        ({"board_temp_c": np.full_like(T, 20.0)}, "board_temp_c", "ambient_temp_c"),
        ({"inlet_temp_c": np.full_like(T, 20.0)}, "inlet_temp_c", "ambient_temp_c"),
        ({"exhaust_temp_c": np.full_like(T, 20.8)}, "exhaust_temp_c", "ambient_temp_c"),
    ],
)
def test_the_order_along_the_path_of_the_heat_and_the_room_below_it_all(
    columns: dict[str, Any], colder: str, warmer: str
) -> None:
    assert pairs(run_of(**columns)) == {("idle", colder, warmer), ("load", colder, warmer)}


def test_the_cores_of_a_package_are_named_once() -> None:
    names = ("core_temp_c", "core_2_temp_c", "core_3_temp_c")
    cores: dict[str, Any] = {name: np.full_like(T, 18.0 - n) for n, name in enumerate(names)}
    assert pairs(run_of(**cores)) == {(stage, "core_3_temp_c", "ambient_temp_c") for stage in ("idle", "load")}


def test_the_coldest_around_counts_and_a_typed_room_too() -> None:
    # The air at the inlet is colder than the probe in the room: the board is only held against the colder one.
    inlet = run_of(inlet_temp_c=20.0, board_temp_c=20.3)
    assert pairs(inlet) == {(stage, "inlet_temp_c", "ambient_temp_c") for stage in ("idle", "load")}
    typed = run_of(ambient_temp_c=math.nan, board_temp_c=18.0, room={"value_c": 22.0, "u95_k": 1.0, "source": "typed"})
    assert pairs(typed) == {(stage, "board_temp_c", "typed") for stage in ("idle", "load")}


def test_a_machine_that_just_came_in_from_the_cold_is_no_contradiction() -> None:
    # A body of one time constant on its way from 5 °C to the room: 22 - 17 exp(-t / 1200 s), closed form.
    cold_c = 22.0 - 17.0 * np.exp(-T / 1200.0)
    from_cold = run_of(coolant_temp_c=cold_c + np.where(ON, 2.0, 0.0), plate_temp_c=cold_c + 3, board_temp_c=cold_c)
    assert pairs(from_cold) == set()
    # The same temperatures standing still are no machine that warms up.
    assert ("load", "board_temp_c", "ambient_temp_c") in pairs(run_of(board_temp_c=12.0))


def test_what_would_not_reach_the_room_within_an_hour_is_not_warming_up() -> None:
    # 0.002 K/s are 7.2 K in an hour: enough for a gap of 4 K, too little for one of 9 K.
    wrong = pairs(run_of(board_temp_c=12.0 + 0.002 * T))
    assert ("load", "board_temp_c", "ambient_temp_c") in wrong
    assert pairs(run_of(board_temp_c=17.0 + 0.002 * T)) == set()


def test_what_was_hardly_read_contradicts_nothing() -> None:
    board = np.where((T > LOAD_S + IDLE_S - 5) | (np.abs(T - IDLE_S + 3) < 2), 12.0, np.nan)
    assert pairs(run_of(board_temp_c=board)) == set()


def test_a_cooldown_is_held_against_the_path_only_where_power_shows_that_it_is_on() -> None:
    columns: dict[str, Any] = {"die_temp_c": np.where(ON, 33.0, 28.0), "plate_temp_c": math.nan}
    unplugged = run_of(package_power_w=math.nan, **columns)
    stages = (unplugged.stages[0], replace(unplugged.stages[1], kind=StageKind.COOLDOWN))
    assert pairs(replace(unplugged, stages=stages)) == set()
    on = run_of(**columns)
    assert pairs(replace(on, stages=stages)) == {("load", "die_temp_c", "coolant_temp_c")}


@pytest.mark.parametrize("case", ["healthy-air", "healthy-liquid", "coolant-slow", "warm-room"])
def test_simulated_machines_with_true_sensors_contradict_themselves_in_nothing(case: str) -> None:
    shown = (*WITH_PROBES, "inlet_temp_c", "exhaust_temp_c", "core_temp_c", "vrm_temp_c", "drive_temp_c")
    for seed in range(3):
        assert contradictions_of(run_machine(draw(case, seed), seed, channels=shown, load_s=300)) == ()


def test_a_simulated_sensor_that_reads_too_little_is_named() -> None:
    traces = [run_machine(draw("sensor-offset", seed), seed, channels=WITH_PROBES, load_s=300) for seed in (1, 2, 4)]
    found = [contradictions_of(trace) for trace in traces]
    assert all({one.colder for one in each} == {"die_temp_c"} for each in found)


# ---- what follows from it


def wrong_die() -> Trace:
    return run_of(die_temp_c=np.where(ON, 33.0, 28.0), plate_temp_c=math.nan)


def test_under_load_a_contradicted_reading_passes_nothing() -> None:
    trace = wrong_die()
    loaded, idle = judge_thresholds(trace, metrics_of(trace))
    assert loaded.verdict is Verdict.NOT_MEASURED and [why.code for why in loaded.why] == ["contradicted"]
    assert idle.verdict is Verdict.PASS
    cold_idle = run_of(die_temp_c=np.where(ON, 55.0, 19.0), plate_temp_c=math.nan)
    assert {result.verdict for result in judge_thresholds(cold_idle, metrics_of(cold_idle))} == {Verdict.PASS}


def test_it_stands_in_the_answer_and_on_the_terminal() -> None:
    summary = summary_of(wrong_die(), "x.sqlite")
    (one,) = summary["contradictions"]
    assert (one["stage"], one["colder"], one["warmer"]) == ("load", "die_temp_c", "coolant_temp_c")
    assert one["difference_k"] == pytest.approx(2.0, abs=0.1) and one["u95_k"] == pytest.approx(0.57, abs=0.05)
    lines = "\n".join(sentences_of(summary))
    assert "Readings that cannot all be true" in lines
    assert "load: die_temp_c reads 2.0 ± 0.6 K less than coolant_temp_c" in lines


@pytest.mark.parametrize(
    ("language", "first", "behind"),
    [
        ("en", "Some readings contradict each other", "Processor reads 1.3 ± 0.6 K less than coolant, which it heats"),
        ("de", "Einige Messwerte widersprechen einander", "Prozessor zeigt 1,3 ± 0,6 K weniger als Kühlmittel"),
    ],
)
def test_the_report_says_it_on_its_first_page_and_names_it_behind(language: str, first: str, behind: str) -> None:
    one = Contradiction(stage="load", colder="die_temp_c", warmer="coolant_temp_c", by_k=1.3, u95_k=0.57)
    after = replace(ri.healthy_run(), contradictions=(one, replace(one, stage="cooldown")))
    report = ri.report(ri.tripped_run(), after)
    report = replace(report, settings=replace(report.settings, language=language))
    page = render(report, "customer", now_utc=ri.DAY_UTC).replace("\u202f", " ")
    assert page.index(first) < page.index('class="behind"') < page.index(behind)
    assert page.count(behind) == 1
    sound = render(ri.fixed_report(), "customer", now_utc=ri.DAY_UTC)
    assert first not in sound and "cannot all be true" not in sound
