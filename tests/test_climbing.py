"""Whole runs whose load climbs, on simulated hardware: how far they go, how they end, and what the record says."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.fakes import FakeLoad, profile
from tests.silent import Silent
from tests.test_runner import Stand
from verifyrig.analysis.climb import Climb
from verifyrig.analysis.climb_end import climb_end
from verifyrig.analysis.climb_terms import STOP_S, ClimbAct, ClimbRules, Decision, Sight
from verifyrig.bench.find_profile import find_profile
from verifyrig.bench.folder import Bench
from verifyrig.core.load_changes import load_changes
from verifyrig.core.outcome import Outcome, StageEnd
from verifyrig.core.profile import Hold, LoadPattern, LoadPlan, Profile, Stage, StageKind, WorkName
from verifyrig.core.reason import reason
from verifyrig.core.trace import Trace
from verifyrig.plan.text import profile_faults
from verifyrig.record import read_trace
from verifyrig.rig.assemble import run
from verifyrig.rig.load_driver import LoadDriver
from verifyrig.rig.load_permit import LoadPermit
from verifyrig.rig.request import RunRequest
from verifyrig.rig.run_buffer import RunBuffer
from verifyrig.runs.summary import summary_of


def climbing(folder: Path) -> Profile:
    return find_profile("desktop-air", Bench(root=folder))


def run_case(folder: Path, case: str, seed: int, plan: Profile | None = None) -> Trace:
    request = RunRequest(profile=plan or climbing(folder), purpose="check", mock=(case, seed))
    return read_trace(run(request, Bench(root=folder), Silent()).record)


def shares_of(trace: Trace, stage: str) -> list[float]:
    span = trace.stage(stage)
    assert span is not None and span.end_s is not None
    return [c.share for c in load_changes(trace) if span.start_s - 0.5 <= c.t_s < span.end_s - 0.5]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Trace:
    return run_case(tmp_path_factory.mktemp("sound"), "healthy-air", 0)


@pytest.fixture(scope="module")
def loose(tmp_path_factory: pytest.TempPathFactory) -> Trace:
    return run_case(tmp_path_factory.mktemp("loose"), "mount-loose", 1)


def test_a_sound_machine_comes_to_full_share_and_passes(sound: Trace) -> None:
    assert shares_of(sound, "load") == [0.25, 0.5, 0.75, 1.0]
    told = summary_of(sound, "x")
    assert told["outcome"] == Outcome.COMPLETED and told["verdict"] == "pass"
    assert told["climbs"] == [
        {
            "stage": "load", "share": 1.0, "full_share": 1.0, "reached": True,
            "channel": "die_temp_c", "full_c": None, "full_u95_k": None, "why": "it is at its full share",
        }
    ]  # fmt: skip
    assert "hot-spot" in told["not_watched"] and "regulator" not in told["not_watched"]


def test_figures_of_a_climb_are_those_of_its_full_share(sound: Trace) -> None:
    # The processor of the typical machine draws 104 to 112 W at full share and 14 W idle; a mean over all steps of
    # the climb would lie below 100 W.
    watts = summary_of(sound, "x")["metrics"]["load.package_power_w.mean"]["value"]
    assert isinstance(watts, float) and watts > 103.0


def test_after_a_climb_to_full_share_five_steps_from_idle_show_what_it_hides(sound: Trace) -> None:
    assert shares_of(sound, "steps") == [1.0, 0.0] * 5
    metrics = summary_of(sound, "x")["metrics"]
    for stage in ("load", "steps"):
        at_5_s = metrics[f"{stage}.thermal_impedance_5s"]
        value, u95 = at_5_s["value"], at_5_s["u95"]
        assert isinstance(value, float) and isinstance(u95, float)
        # Of the simulated machine itself, by its network: 0.158 K/W.
        assert abs(value - 0.158) <= u95


def test_a_machine_whose_full_share_would_be_too_hot_ends_below_it_cool_and_without_a_pass(loose: Trace) -> None:
    span = loose.stage("load")
    assert span is not None and span.ended == StageEnd.STOPPED
    end = climb_end(loose, span)
    assert end is not None and not end.reached and 0 < end.share < 1
    assert end.full_c is not None and end.full_u95_k is not None and end.full_c + end.full_u95_k > 85.0
    told = summary_of(loose, "x")
    assert told["outcome"] == Outcome.STOPPED and told["verdict"] in ("fail", "not-measured")
    assert all(one["verdict"] not in ("pass", "conditional-pass") for one in told["thresholds"])
    assert told["exposure"]["near_limit_s"] == 0.0
    # The forecast for full share stands in place of where the lesser one settled.
    assert told["metrics"]["load.die_temp_c.settled"]["value"] == pytest.approx(end.full_c, abs=1e-3)


def test_no_load_follows_a_climb_that_ended_below_full_share(loose: Trace) -> None:
    steps = loose.stage("steps")
    assert steps is not None and steps.ended == StageEnd.SKIPPED


def test_a_sensor_that_stands_still_trips_before_half_share_has_lasted_long(tmp_path: Path) -> None:
    trace = run_case(tmp_path, "sensor-stuck", 1)
    trip = trace.recorded.trip
    assert trip is not None and trip["rule"] in ("no-reaction", "stuck")
    assert max(shares_of(trace, "load"), default=0.0) <= 0.5
    span = trace.stage("load")
    assert span is not None and span.end_s is not None and span.end_s - span.start_s < 45.0


def test_a_climb_that_runs_out_of_time_below_full_share_proves_nothing(tmp_path: Path) -> None:
    plan = climbing(tmp_path)
    stages = [replace(one, max_duration_s=25.0) if one.name == "load" else one for one in plan.stages]
    trace = run_case(tmp_path, "healthy-air", 0, replace(plan, stages=tuple(stages)))
    told = summary_of(trace, "x")
    assert told["outcome"] == Outcome.STOPPED and not told["climbs"][0]["reached"]
    assert told["verdict"] in ("fail", "not-measured")


def test_a_climb_hands_over_to_what_holds_a_temperature(tmp_path: Path) -> None:
    plan = find_profile("laptop", Bench(root=tmp_path))
    # This machine settles far below 80 °C; what is held lies below what full share would give it.
    held = [replace(one, max_duration_s=60.0) for one in plan.stages if one.name == "idle"]
    for one in plan.stages:
        if one.name == "load" and one.load is not None:
            load = replace(one.load, hold=Hold(die_temp_c=42.0))
            held.append(replace(one, load=load, min_duration_s=0.0, max_duration_s=260.0))
    trace = run_case(tmp_path, "healthy-air", 0, replace(plan, stages=tuple(held)))
    span = trace.stage("load")
    assert span is not None and span.end_s is not None and span.ended == StageEnd.TIME
    end = climb_end(trace, span)
    assert end is not None and end.reached and end.full_from_s is not None
    assert end.why is not None and end.why.code == "climb-held" and 0 < end.share < 1
    # Figures are those of the time in which it was held, though its share went on changing.
    last = trace.usable("die_temp_c")[trace.within(replace(span, start_s=span.end_s - 90.0))]
    assert np.nanmean(last) == pytest.approx(42.0, abs=1.5) and np.nanmax(trace.usable("die_temp_c")) < 48.0
    told = summary_of(trace, "x")
    assert told["climbs"][0]["reached"] and told["metrics"]["load.compute_errors"]["value"] == 0
    mean_w = told["metrics"]["load.package_power_w.mean"]["value"]
    own_w = np.nanmean(trace.usable("package_power_w")[trace.within(replace(span, start_s=end.full_from_s))])
    assert mean_w == pytest.approx(own_w, rel=0.02)


def test_a_temperature_held_too_near_its_limit_is_refused_under_a_climb_too() -> None:
    stage = plan_of(LoadPattern.CLIMB, hold=Hold(die_temp_c=88.0))
    why = LoadPermit(limits_c={"die_temp_c": 90.0}).why_not(stage, False, RunBuffer())
    assert why is not None and why.code == "held-too-near-limit"
    assert LoadPermit(limits_c={"die_temp_c": 95.0}).why_not(stage, False, RunBuffer()) is None


CLIMB = """
name = "p"
title = "t"
[trip]
die_temp_c = { max = 90.0 }
[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 40
[[stage]]
name = "load"
kind = "load"
max_duration_s = 200
load = { work = "linear-algebra", pattern = "climb" }
"""


def test_the_trip_limit_acts_under_a_climb_as_under_any_load() -> None:
    def jumps(t_s: float, share: float) -> float:
        return 95.0 if share >= 0.5 else 30.0 + 20.0 * share

    stand = Stand(jumps, CLIMB)
    end = stand.run()
    assert end.outcome == Outcome.TRIPPED and end.trip is not None and end.trip["channel"] == "die_temp_c"
    assert max(stand.shares()) == 0.5


def test_a_dip_brings_back_the_share_that_the_climb_had_come_to() -> None:
    driver = LoadDriver(FakeLoad([]), LoadPlan(work=WorkName.LINEAR_ALGEBRA, pattern=LoadPattern.CLIMB))
    assert driver.begin(0.0) == 0.0
    assert math.isinf(driver.next_step_s(5.0))
    driver.go_to(0.75, 10.0)
    driver.pause(60.0)
    assert driver.share == 0.0
    assert driver.resume(62.0) == 0.75


@pytest.mark.parametrize(
    ("load", "words"),
    [
        ('work = "linear-algebra", pattern = "climb", workers = "quarter"', "all workers"),
        ('work = "external", pattern = "climb"', "all workers"),
        ('work = "linear-algebra", pattern = "climb", hold = { power_w = 90.0 }', "a held temperature only"),
        ('work = "linear-algebra", pattern = "climb", shares = [0.5]', "shares does not go with"),
    ],
)
def test_what_does_not_go_with_a_climb_is_said(load: str, words: str) -> None:
    text = CLIMB.replace('work = "linear-algebra", pattern = "climb"', load)
    assert any(words in fault.what for fault in profile_faults(text, "p.toml"))


def test_a_climb_is_a_recipe_of_its_own() -> None:
    other: Any = profile(CLIMB.replace("climb", "steady"))
    assert profile(CLIMB).recipe != other.recipe


def plan_of(pattern: LoadPattern, **more: Any) -> Stage:
    load = LoadPlan(work=WorkName.LINEAR_ALGEBRA, pattern=pattern, **more)
    return Stage(name="load", kind=StageKind.LOAD, load=load, max_duration_s=60.0)


def test_the_permit_lets_a_climb_begin_and_asks_people_first() -> None:
    assert LoadPermit(limits_c={"die_temp_c": 90.0}).why_not(plan_of(LoadPattern.CLIMB), False, RunBuffer()) is None
    asked = LoadPermit(limits_c={"die_temp_c": 90.0}, refusals=[reason("presence-not-answered")])
    refused = asked.why_not(plan_of(LoadPattern.CLIMB), False, RunBuffer())
    assert refused is not None and refused.code == "answers-forbid"


@pytest.mark.parametrize(
    ("limits_c", "blind"), [({}, False), ({"gpu_temp_c": 90.0}, False), ({"die_temp_c": 90.0}, True)]
)
def test_a_climb_without_a_temperature_to_go_by_does_not_begin(limits_c: dict[str, float], blind: bool) -> None:
    why = LoadPermit(limits_c=limits_c).why_not(plan_of(LoadPattern.CLIMB), blind, RunBuffer())
    assert why == reason("climb-needs-temperature")


def test_what_a_climb_proved_needs_no_other_forecast_and_what_it_did_not_prove_does() -> None:
    permit, buffer = LoadPermit(limits_c={"die_temp_c": 90.0}), RunBuffer()
    steady = plan_of(LoadPattern.STEADY, share=0.75)
    assert permit.why_not(steady, False, buffer) is not None
    climbed = plan_of(LoadPattern.CLIMB).load
    assert climbed is not None
    permit.climbed(climbed, 0.75)
    assert permit.why_not(steady, False, buffer) is None
    assert permit.why_not(plan_of(LoadPattern.STEADY, share=1.0), False, buffer) is not None


PULSE = """
[[stage]]
name = "pulse"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 10, count = 1, workers = "quarter" }
[[stage]]
name = "load"
"""


def test_the_climb_looks_ahead_as_long_as_this_machines_own_stops_took(monkeypatch: pytest.MonkeyPatch) -> None:
    seen_s: list[float] = []
    for stop_s in (0.0, 1.7):
        stand = Stand(lambda _t_s, share: 30.0 + 20.0 * share, CLIMB.replace('[[stage]]\nname = "load"\n', PULSE))

        def begin(rules: ClimbRules, t_s: float, stand: Stand = stand) -> Climb:
            seen_s.append(rules.look_ahead_s)
            stand.controls.quit("operator")
            return Climb(rules, t_s)

        monkeypatch.setattr(FakeLoad, "stop", lambda load, stop_s=stop_s: load.set_share(0.0) or stop_s)
        monkeypatch.setattr("verifyrig.rig.climbing.Climb", begin)
        stand.run()
    assert seen_s[1] - seen_s[0] == pytest.approx(1.7 - STOP_S)


def test_an_answer_to_the_last_rise_is_looked_for_often_and_in_more_than_one_reading(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # A real card's memory followed its chip with a lag and flickered by a degree: 42 °C before the rise to full share,
    # 43 and 44 °C after it; looked at twice within 12 s, by one reading each, it had moved by 1.0 K of 1.1 K asked.
    looks: list[tuple[float, bool, float]] = []

    class Noted(Climb):
        def look(self, sight: Sight) -> Decision:
            decision = super().look(sight)
            looks.append((sight.t_s, self.reached and decision.act is ClimbAct.HOLD, sight.temps_c["die_temp_c"]))
            return decision

    def late_and_flickering(t_s: float, share: float) -> float:
        rises_s.setdefault(share, t_s)
        there = share if t_s - rises_s[share] >= 6.0 else share - 0.25 * (share > 0)
        return 30.0 + 40.0 * there + (1.0 if round(t_s) % 3 == 0 else 0.0)

    rises_s: dict[float, float] = {}
    monkeypatch.setattr("verifyrig.rig.climbing.Climb", Noted)
    end = Stand(late_and_flickering, CLIMB).run()
    assert end.outcome == Outcome.COMPLETED
    full_s = rises_s[1.0]
    waiting_s = [t_s for t_s, at_full, _ in looks if at_full and t_s <= full_s + 8.0]
    assert len(waiting_s) >= 3
    shown_c = [temp_c for t_s, at_full, temp_c in looks if at_full and t_s > full_s + 20.0]
    assert shown_c and all(temp_c == pytest.approx(70.0 + 1 / 3) for temp_c in shown_c)
