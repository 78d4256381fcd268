"""Whether the stages of a profile can give the figures that its thresholds ask for, rule by rule at its edges."""

from __future__ import annotations

from dataclasses import replace

import pytest

from verifyrig.core.profile import LoadPattern, LoadPlan, Profile, Settle, Stage, StageKind, Threshold, WorkName
from verifyrig.files.toml_table import Faults
from verifyrig.plan.feeding import check_fed, shortest_s

STEADY = LoadPlan(work=WorkName.LINEAR_ALGEBRA)
PULSES = replace(STEADY, pattern=LoadPattern.PULSES, on_s=5.0, off_s=15.0, count=3)
STEPS = replace(STEADY, pattern=LoadPattern.STEPS, shares=(0.5, 1.0, 0.2, 1.0, 0.1), step_s=10.0)
CARD = replace(STEADY, work=WorkName.GPU_LINEAR_ALGEBRA)
IDLE = Stage(name="idle", kind=StageKind.IDLE, max_duration_s=60.0)
LOAD = Stage(name="load", kind=StageKind.LOAD, max_duration_s=300.0, load=STEADY)
COOLDOWN = Stage(name="cooldown", kind=StageKind.COOLDOWN, max_duration_s=60.0)
SETTLE = Settle(channel="die_temp_c", within_k=1.0, slowest_time_constant_s=60.0)


def faults_of(metric: str, *stages: Stage, period_s: float = 1.0) -> list[tuple[str, str, str]]:
    profile = Profile(
        name="p", title="", text="", recipe="r", stages=stages or (IDLE, LOAD, COOLDOWN), period_s=period_s,
        thresholds=(Threshold(metric="load.die_temp_c.peak", maximum=90.0), Threshold(metric=metric, maximum=1.0)),
    )  # fmt: skip
    faults = Faults(origin="p.toml")
    check_fed(profile, faults)
    return [(fault.where, fault.what, fault.mend) for fault in faults.found]


def unfed(metric: str, *stages: Stage, period_s: float = 1.0) -> str:
    """Return why a figure cannot be given; empty where it can."""
    found = faults_of(metric, *stages, period_s=period_s)
    assert len(found) <= 1 and all(mend for *_, mend in found)
    return found[0][1].removeprefix(f"no run can give {metric}: ") if found else ""


def lasting(seconds_s: float, stage: Stage = LOAD) -> Stage:
    return replace(stage, max_duration_s=seconds_s)


def test_a_threshold_is_named_by_its_place_and_only_where_nothing_else_is_wrong() -> None:
    ((where, what, mend),) = faults_of("idle.throttle_share")
    assert (where, mend) == ("p.toml, threshold[2]", "Name a load stage.")
    assert what == 'no run can give idle.throttle_share: stage "idle" has no load'
    profile = Profile(
        name="p", title="", text="", recipe="r", stages=(IDLE,),
        thresholds=(Threshold(metric="idle.throttle_share", maximum=1.0),),
    )  # fmt: skip
    wrong = Faults(origin="p.toml")
    wrong.add("", "something else", "Correct it.")
    check_fed(profile, wrong)
    assert len(wrong.found) == 1
    # A stage that is not there is told elsewhere.
    assert faults_of("gone.throttle_share") == []


def test_figures_that_any_stage_gives_are_not_held_against_it() -> None:
    for metric in ("idle.die_temp_c.peak", "cooldown.busy_share.mean", "load.gpu_busy_share.mean", "load.something"):
        assert unfed(metric) == "", metric


@pytest.mark.parametrize(
    ("metric", "plan", "words"),
    [
        ("load.throttle_share", None, "has no load"),
        ("load.throttle_share", replace(STEADY, work=WorkName.EXTERNAL), ""),
        ("load.compute_errors", replace(STEADY, work=WorkName.EXTERNAL), "nobody counts"),
        ("load.work_rate_kept_share", replace(STEADY, work=WorkName.EXTERNAL), "nobody counts"),
        ("load.compute_errors", STEADY, ""),
    ],
)
def test_figures_of_a_load_need_one_and_ours_where_its_work_counts(
    metric: str, plan: LoadPlan | None, words: str
) -> None:
    found = unfed(metric, IDLE, replace(LOAD, load=plan))
    assert words in found and bool(found) is bool(words)


@pytest.mark.parametrize(
    ("stage", "period_s", "fed"),
    [
        # 20 s under one share (common practice, no source), and a sample at each end.
        (lasting(22.0), 1.0, True),
        (lasting(21.9), 1.0, False),
        (lasting(24.0), 2.0, True),
        (lasting(23.9), 2.0, False),
        # Three pulses: from the first one's begin to the last one's end, 45 s.
        (replace(LOAD, load=PULSES), 12.5, True),
        (replace(LOAD, load=PULSES), 12.6, False),
        # Steps: from the first at the highest share to the end of the last one, 30 s.
        (replace(LOAD, load=STEPS), 5.0, True),
        (replace(LOAD, load=STEPS), 5.1, False),
    ],
)
def test_a_rate_that_is_kept_needs_twenty_seconds_at_one_share(stage: Stage, period_s: float, fed: bool) -> None:
    found = unfed("load.work_rate_kept_share", IDLE, stage, period_s=period_s)
    assert ("may be over after" in found) is not fed and bool(found) is not fed


@pytest.mark.parametrize(("seconds_s", "fed"), [(10.0, True), (9.9, False)])
def test_a_steepest_rise_is_one_over_ten_seconds(seconds_s: float, fed: bool) -> None:
    found = unfed("load.die_temp_c.rate", lasting(seconds_s))
    assert (found == "") is fed
    assert fed or found == f'it needs 10 s, and stage "load" may be over after {seconds_s:g} s'
    assert unfed("load.die_temp_c.peak", lasting(seconds_s)) == ""


@pytest.mark.parametrize("figure", ["die_temp_c.settled", "die_temp_c.rise", "time_constant", "thermal_resistance"])
@pytest.mark.parametrize(
    ("stage", "period_s", "words"),
    [
        (lasting(5.0), 1.0, ""),
        (lasting(4.9), 1.0, "needs 5 s"),
        (lasting(10.0), 2.0, ""),
        (lasting(9.9), 2.0, "needs 10 s"),
        (replace(LOAD, load=PULSES), 1.0, "pulses never settle"),
        (replace(LOAD, load=replace(PULSES, count=2)), 1.0, "pulses never settle"),
        (replace(LOAD, load=replace(PULSES, count=1)), 1.0, ""),
        (replace(LOAD, load=STEPS), 1.0, ""),
    ],
)
def test_a_steady_state_needs_five_readings_and_no_pulses(
    figure: str, stage: Stage, period_s: float, words: str
) -> None:
    if figure == "time_constant":
        figure = "die_temp_c.time_constant"
    found = unfed(f"load.{figure}", stage, period_s=period_s)
    assert words in found and bool(found) is bool(words)


def test_a_share_without_a_figure_of_its_own_is_named() -> None:
    assert unfed("load.pump_duty_share.mean") == "pump_duty_share has no figure of its own"
    assert unfed("load.pump_duty.mean") == "" == unfed("load.package_power_w.mean")


@pytest.mark.parametrize(
    ("metric", "words"),
    [
        ("load.gpu_heat_limited_share.mean", "puts no load on the card"),
        ("cooldown.gpu_heat_limited_share.mean", "puts no load on the card"),
        ("load.gpu_thermal_resistance", "puts no load on the card"),
        ("idle.gpu_thermal_resistance", "puts no load on the card"),
        ("load.gpu_thermal_impedance_5s", "follows no load on the card"),
        ("cooldown.gpu_thermal_impedance_60s", "follows no load on the card"),
    ],
)
def test_figures_of_a_card_need_a_load_on_it(metric: str, words: str) -> None:
    on_card = replace(LOAD, load=CARD)
    assert words in unfed(metric, IDLE, LOAD, COOLDOWN)
    fed = unfed(metric, IDLE, on_card, COOLDOWN)
    # A cooldown puts no load on anything itself.
    assert fed == ("" if "limited" not in metric or metric.startswith("load") else 'stage "cooldown" ' + words)


def test_a_stage_after_several_loads_follows_the_last_of_them() -> None:
    on_card, own = replace(LOAD, name="card", load=CARD), replace(LOAD, name="own")
    assert "follows no load" in unfed("cooldown.gpu_thermal_impedance_5s", IDLE, on_card, own, COOLDOWN)
    assert unfed("cooldown.gpu_thermal_impedance_5s", IDLE, own, on_card, COOLDOWN) == ""
    # What comes afterwards is no load that it follows.
    early = replace(COOLDOWN, name="early")
    assert "follows no load" in unfed("early.gpu_thermal_impedance_5s", IDLE, early, on_card)


@pytest.mark.parametrize(
    ("figure", "fed"),
    [
        ("thermal_resistance_die_to_plate", True),
        ("thermal_resistance_plate_to_room", True),
        ("thermal_resistance_plate_to_die", False),
        ("thermal_resistance_die_to_die", False),
        ("thermal_resistance_die_to_fins", False),
        ("thermal_resistance_fins_to_room", False),
        ("thermal_resistance_hotspot_to_chip", False),
        ("gpu_thermal_resistance_hotspot_to_chip", True),
        ("gpu_thermal_resistance_chip_to_room", True),
        ("gpu_thermal_resistance_die_to_room", False),
    ],
)
def test_a_resistance_lies_between_two_places_of_its_path_the_hotter_one_first(figure: str, fed: bool) -> None:
    both = replace(LOAD, load=replace(STEADY, work=WorkName.GPU_AND_PROCESSOR))
    found = unfed(f"load.{figure}", both)
    assert (found == "") is fed
    path = "hotspot → chip → room" if figure.startswith("gpu") else "die → plate → coolant → radiator → room"
    assert fed or found == f"the path of its heat is {path}"


def test_a_cooldown_has_no_steady_flow_and_an_idle_stage_no_step() -> None:
    assert "no steady flow" in unfed("cooldown.thermal_resistance")
    assert unfed("idle.thermal_resistance") == ""
    assert "no step of power" in unfed("idle.thermal_impedance_5s")
    assert unfed("cooldown.thermal_impedance_5s") == ""


@pytest.mark.parametrize(("before_s", "fed"), [(20.0, True), (19.0, False)])
def test_the_step_of_a_load_needs_twenty_seconds_before_it(before_s: float, fed: bool) -> None:
    found = unfed("load.thermal_impedance_5s", lasting(10.0, IDLE), lasting(before_s - 10.0, COOLDOWN), LOAD, COOLDOWN)
    assert (found == "") is fed
    assert fed or found == f'the step of stage "load" needs 20 s before it, and may have {before_s:g} s'
    # A cooldown has the load before it.
    assert unfed("cooldown.thermal_impedance_5s", lasting(1.0), COOLDOWN) == ""


@pytest.mark.parametrize(
    ("stage", "seconds_s"),
    [
        (IDLE, 60.0),
        (replace(IDLE, settle=SETTLE, min_duration_s=20.0), 20.0),
        (replace(IDLE, settle=SETTLE, min_duration_s=90.0), 60.0),
        (replace(IDLE, min_duration_s=20.0), 60.0),
        (replace(LOAD, load=PULSES, max_duration_s=None), 60.0),
        (replace(LOAD, load=PULSES, max_duration_s=30.0), 30.0),
        (replace(LOAD, max_duration_s=None), float("inf")),
    ],
)
def test_a_stage_may_be_over_with_its_pattern_its_time_or_where_it_settles(stage: Stage, seconds_s: float) -> None:
    assert shortest_s(stage) == seconds_s
