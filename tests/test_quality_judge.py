"""Which readings are believed. What a channel can be is common practice, no source, unless a source is named."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest

from verifyrig.core.channels import quantity_of, unit_of
from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Quality, Reading, Taken
from verifyrig.sensors.cross_check import CrossCheck, cold_start_disagreement, cold_start_notes
from verifyrig.sensors.quality import ChannelJudge, Implausible
from verifyrig.sensors.step_watch import StepWatch


def info(channel: str, driver: str = "coretemp", device: str = "") -> ChannelInfo:
    return ChannelInfo(
        channel=channel,
        label=channel,
        device=f"{driver}:{device or channel}:temp1",
        source="x",
        quantity=quantity_of(channel),
        unit=unit_of(channel),
        driver=driver,
    )


def judge_all(channel: str, values: list[float], *, period_s: float = 1.0, driver: str = "coretemp") -> list[Reading]:
    """Return the readings of a course of values while idle."""
    judge, step = ChannelJudge(info(channel, driver), stale_after_s=3.0), StepWatch()
    return [judge.judge(i * period_s, Taken(value), step) for i, value in enumerate(values)]


def qualities(channel: str, values: list[float], **options: object) -> list[str]:
    return [reading.quality.value for reading in judge_all(channel, values, **options)]  # type: ignore[arg-type]


# Codes of drivers and converters in public threads: 8-bit ends, registers never set, one-wire bus without answer.
@pytest.mark.parametrize("code", [127.0, 128.0, -128.0, 255.0, -127.0, -256.0, -273.15, -62.0, -650788.984, 65261.85])
@pytest.mark.parametrize("channel", ["die_temp_c", "board_temp_c", "ambient_temp_c", "plate_temp_c"])
def test_a_code_is_never_a_temperature(channel: str, code: float) -> None:
    assert qualities(channel, [25.0, code, code, code])[1:] == ["implausible"] * 3


@pytest.mark.parametrize(
    ("channel", "value"),
    [
        ("cpu_fan_speed_rpm", 65535.0),
        ("cpu_fan_speed_rpm", -1.0),
        ("rail_12v_v", 1.05),  # at the chip's pin, divider not applied
        ("rail_12v_v", 0.0),
        ("package_power_w", -3.0),
        ("power_limit_w", 4090.0),
        ("core_clock_mhz", 0.0),
        ("busy_share", 1.2),
    ],
)
def test_a_value_that_cannot_be_is_implausible_and_kept(channel: str, value: float) -> None:
    (reading,) = judge_all(channel, [value])
    assert (reading.quality, reading.value) == (Quality.IMPLAUSIBLE, value)
    assert reading.note


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_has_no_value(value: float) -> None:
    (reading,) = judge_all("die_temp_c", [value])
    assert (reading.quality, reading.value) == (Quality.IMPLAUSIBLE, None)


def test_a_standing_fan_is_a_reading() -> None:
    assert qualities("cpu_fan_speed_rpm", [900.0, 0.0, 0.0]) == ["ok"] * 3


def test_exactly_zero_is_believed_only_where_it_was_approached() -> None:
    assert qualities("board_temp_c", [30.0, 0.0, 0.0, 30.0]) == ["ok", "implausible", "implausible", "ok"]
    assert qualities("board_temp_c", [0.0, 0.0]) == ["implausible"] * 2
    assert qualities("board_temp_c", [4.0, 2.0, 1.0, 0.0, -1.0]) == ["ok"] * 5


def test_the_power_on_value_of_a_one_wire_probe_is_not_a_temperature() -> None:
    # DS18B20 data sheet: 85 °C stands in the scratchpad until the first conversion is done.
    assert qualities("plate_temp_c", [25.0, 85.0, 25.1], driver="w1_slave_temp") == ["ok", "implausible", "ok"]
    assert qualities("plate_temp_c", [84.5, 85.0, 85.4], driver="w1_slave_temp") == ["ok"] * 3
    assert qualities("die_temp_c", [25.0, 85.0, 86.0]) == ["ok"] * 3


def test_a_leap_that_no_mass_can_make_is_held_back_until_it_lasts() -> None:
    # An unconnected input that jumps to 113 °C for a second (seen in a public thread of the nct6775 driver).
    assert qualities("board_temp_c", [30.0, 113.0, 30.0, 30.0]) == ["ok", "implausible", "ok", "ok"]
    lasting = qualities("vrm_temp_c", [30.0, 80.0, 80.0, 80.0, 80.0])
    assert lasting == ["ok", "implausible", "implausible", "implausible", "ok"]


def test_a_die_may_leap_since_holding_it_back_would_hide_a_danger() -> None:
    assert qualities("die_temp_c", [35.0, 92.0, 95.0]) == ["ok"] * 3


def test_age_makes_a_reading_stale() -> None:
    judge = ChannelJudge(info("plate_temp_c"), stale_after_s=3.0)
    ages = {age: judge.judge(0.0, Taken(25.0, age), StepWatch()).quality.value for age in (0.0, 3.0, 3.1)}
    assert ages == {0.0: "ok", 3.0: "ok", 3.1: "stale"}


def test_why_there_is_no_reading_is_passed_on() -> None:
    judge = ChannelJudge(info("plate_temp_c"), stale_after_s=3.0)
    missing = judge.judge(0.0, SensorError("it has vanished", where="x", mend="Plug it in."), StepWatch())
    assert (missing.quality, missing.value, missing.note) == (Quality.MISSING, None, "it has vanished. Plug it in.")
    doubtful = judge.judge(1.0, Implausible("exactly 0", where="x", mend="Check."), StepWatch())
    assert doubtful.quality is Quality.IMPLAUSIBLE


Course = list[tuple[float, float, float | None]]


def run(channel: str, course: Course) -> list[str]:
    """Judge a course of (value, share, package power), a second each."""
    judge, step = ChannelJudge(info(channel), stale_after_s=3.0), StepWatch()
    found = []
    for t_s, (value, share, power_w) in enumerate(course):
        step.update(float(t_s), share, power_w)
        found.append(judge.judge(float(t_s), Taken(value), step).quality.value)
    return found


IDLE: Course = [(34.0, 0.0, 20.0)] * 30


def test_a_die_that_does_not_move_under_load_is_stuck_within_ten_seconds() -> None:
    found = run("die_temp_c", IDLE + [(34.0, 1.0, 95.0)] * 60)
    assert found[:40] == ["ok"] * 40
    assert found[40:] == ["stuck"] * 50


def test_a_step_too_small_for_whole_degrees_gets_more_time() -> None:
    # 10 W move a die by 1 K and more in ten seconds (trade figures): less than three steps of a degree.
    found = run("die_temp_c", IDLE + [(34.0, 1.0, 30.0)] * 60)
    assert (set(found[:75]), set(found[75:])) == ({"ok"}, {"stuck"})


@pytest.mark.parametrize(("step_k", "within_s"), [(0.0625, 15), (1.0, 45)])
def test_a_plate_gets_the_time_that_its_place_explains(step_k: float, within_s: int) -> None:
    judge, step = ChannelJudge(replace(info("plate_temp_c"), resolution=step_k), stale_after_s=3.0), StepWatch()
    found = []
    for t_s in range(120):
        step.update(float(t_s), 0.0 if t_s < 30 else 1.0, 20.0 if t_s < 30 else 95.0, 0.05 if t_s < 30 else 1.0)
        found.append(judge.judge(float(t_s), Taken(30.0), step).quality.value)
    assert (set(found[: 30 + within_s]), set(found[30 + within_s :])) == ({"ok"}, {"stuck"})


@pytest.mark.parametrize(
    ("channel", "busy_share", "from_s"),
    [("core_2_temp_c", 1.0, 10), ("core_2_temp_c", 0.5, 45), ("die_2_temp_c", 1.0, 10), ("die_2_temp_c", 0.5, None)],
)
def test_one_of_several_is_asked_soon_only_where_all_are_busy(
    channel: str, busy_share: float, from_s: int | None
) -> None:
    # A load on a few cores leaves other cores nearly, and another package altogether, as they were.
    judge, step = ChannelJudge(info(channel), stale_after_s=3.0), StepWatch()
    found = []
    for t_s in range(120):
        loaded = t_s >= 30
        step.update(float(t_s), float(loaded), 95.0 if loaded else 20.0, busy_share if loaded else 0.05)
        found.append(judge.judge(float(t_s), Taken(34.0), step).quality.value)
    assert (found.index("stuck") - 30 if "stuck" in found else None) == from_s


def test_a_reading_that_rightly_stood_before_a_dip_is_not_asked_anew_after_it() -> None:
    dipped = [i >= 60 and i % 60 < 2 for i in range(240)]
    warmed: Course = [(34.0 + min(i, 20), 0.0 if dip else 1.0, 30.0 if dip else 95.0) for i, dip in enumerate(dipped)]
    assert set(run("plate_temp_c", IDLE + warmed)) == {"ok"}


@pytest.mark.parametrize("share", [1.0, 0.0])
def test_a_die_that_answered_before_the_first_sample_of_a_step_is_not_stuck(share: float) -> None:
    # Whole degrees, sampled every other second, on a heavy heat sink: all of the answer lies before the first sample.
    before: Course = IDLE if share else [(34.0 + i, 1.0, 95.0) for i in range(40)]
    after: Course = [(50.0, share, 95.0 if share else 20.0)] * 20
    assert set(run("die_temp_c", before + after)) == {"ok"}


def test_a_stuck_die_that_moves_again_is_believed_again() -> None:
    assert run("die_temp_c", IDLE + [(34.0, 1.0, 95.0)] * 40 + [(60.0, 1.0, 95.0)])[-1] == "ok"


@pytest.mark.parametrize("channel", ["radiator_temp_c", "coolant_temp_c", "cpu_fan_speed_rpm", "ambient_temp_c"])
def test_what_may_rightly_stay_under_load_is_not_called_stuck(channel: str) -> None:
    # A radiator that stays cold while the die is hot is a finding, and the one that matters most.
    assert set(run(channel, IDLE + [(34.0, 1.0, 95.0)] * 200)) == {"ok"}


def test_a_constant_idle_die_cannot_be_judged_and_stays_ok() -> None:
    assert set(run("die_temp_c", IDLE * 40)) == {"ok"}


def test_a_load_that_draws_no_power_asks_for_no_reaction() -> None:
    assert set(run("die_temp_c", IDLE + [(34.0, 1.0, 22.0)] * 60)) == {"ok"}


def test_a_load_that_leaves_the_processor_idle_asks_for_no_reaction() -> None:
    judge, step = ChannelJudge(info("die_temp_c"), stale_after_s=3.0), StepWatch()
    found = set()
    for t_s in range(120):  # a load of the graphics card alone, on a machine that shows no package power
        step.update(float(t_s), 1.0 if t_s > 30 else 0.0, None, 0.1)
        found.add(judge.judge(float(t_s), Taken(34.0), step).quality.value)
    assert found == {"ok"}


def test_a_die_that_settled_under_load_may_stand_for_minutes() -> None:
    warming: Course = [(34.0 + min(i, 30), 1.0, 95.0) for i in range(60)]
    assert set(run("die_temp_c", [*IDLE, *warming, *[(64.0, 1.0, 95.0)] * 600])) == {"ok"}


def test_short_pulses_ask_for_no_reaction() -> None:
    pulse: Course = [*[(34.0, 1.0, 40.0)] * 5, *[(34.0, 0.0, 20.0)] * 25]
    assert set(run("die_temp_c", IDLE + pulse * 4)) == {"ok"}


def test_a_die_that_does_not_cool_after_the_load_is_stuck() -> None:
    warm = [(34.0 + i, 1.0, 95.0) for i in range(40)]
    found = run("die_temp_c", IDLE + warm + [(73.0, 0.0, 20.0)] * 60)
    assert found[70:80] == ["ok"] * 10
    assert found[80:] == ["stuck"] * 50


def test_a_fine_reading_that_used_to_waver_and_stands_is_stuck() -> None:
    dice = random.Random(7)
    noisy = [round(40.0 + dice.gauss(0, 0.4), 3) for _ in range(120)]
    found = qualities("die_temp_c", noisy + [noisy[-1]] * 120)
    assert set(found[:130]) == {"ok"}
    assert found[-1] == "stuck"


def test_a_coarse_reading_that_stands_between_two_steps_is_not() -> None:
    dice = random.Random(7)
    near_edge = [float(round(40.5 + dice.gauss(0, 0.2))) for _ in range(120)]
    mid_step = [40.0] * 600
    assert set(qualities("die_temp_c", near_edge + mid_step)) == {"ok"}


def test_a_ramp_is_not_taken_for_noise() -> None:
    ramp = [30.0 + 2.0 * i + i % 3 for i in range(30)]
    assert set(qualities("coolant_temp_c", ramp + [ramp[-1]] * 600)) == {"ok"}


def test_an_energy_counter_that_stands_still_is_stuck() -> None:
    assert qualities("package_power_w", [20.0, 0.0]) == ["ok", "stuck"]


@pytest.mark.parametrize("refresh_s", [1.0, 1.7, 2.0])
def test_the_interval_between_fresh_values_is_measured(refresh_s: float) -> None:
    judge, step = ChannelJudge(info("die_temp_c"), stale_after_s=3.0), StepWatch()
    held = {k: 40.0 + (k * 7 % 5) for k in range(100)}
    for i in range(400):
        judge.judge(0.7 + i * 0.1, Taken(held[int((0.7 + i * 0.1) / refresh_s)]), step)
    assert judge.refresh_s == pytest.approx(refresh_s, abs=0.1)


def test_a_reread_does_not_count_as_a_new_point_in_time() -> None:
    judge, step = ChannelJudge(info("board_temp_c"), stale_after_s=3.0), StepWatch()
    judge.judge(0.0, Taken(30.0), step)
    assert judge.judge_again(Taken(31.0)) == Reading(value=31.0)
    assert judge.judge_again(Taken(127.0)).quality is Quality.IMPLAUSIBLE
    assert judge.judge_again(SensorError("gone", where="x", mend="y")).quality is Quality.MISSING


def crossed(
    course: list[dict[str, float]], share: float = 0.0, devices: dict[str, str] | None = None
) -> list[set[str]]:
    """Return for each second which channels a contradiction made implausible."""
    infos = {channel: info(channel, device=(devices or {}).get(channel, channel)) for channel in course[0]}
    check = CrossCheck(infos)
    found = []
    for t_s, values in enumerate(course):
        readings = {channel: Reading(value=value) for channel, value in values.items()}
        check.apply(float(t_s), readings, share)
        found.append({channel for channel, reading in readings.items() if not reading.ok})
    return found


def test_one_sensor_below_the_room_is_implausible_once_it_lasts() -> None:
    found = crossed([{"ambient_temp_c": 24.0, "die_temp_c": 12.0, "board_temp_c": 30.0}] * 15)
    assert found[9] == set()
    assert found[-1] == {"die_temp_c"}


def test_where_several_are_below_the_room_it_is_the_room_that_is_doubted() -> None:
    found = crossed([{"ambient_temp_c": 45.0, "die_temp_c": 33.0, "board_temp_c": 30.0}] * 15)
    assert found[-1] == {"ambient_temp_c"}


def test_a_die_a_little_below_the_room_is_left_alone() -> None:
    # Kernel document "hwmon/coretemp": the register counts down from the limit, so its cold end is poor.
    assert crossed([{"ambient_temp_c": 24.0, "die_temp_c": 19.0}] * 30)[-1] == set()


def test_a_plate_hotter_than_the_die_under_load_makes_both_implausible() -> None:
    hot = [{"die_temp_c": 50.0, "plate_temp_c": 58.0}] * 30
    assert crossed(hot, share=1.0)[-1] == {"die_temp_c", "plate_temp_c"}
    assert crossed(hot, share=0.0)[-1] == set()  # after a load the die falls first


def test_a_package_below_its_own_cores_is_implausible() -> None:
    one_chip = {"die_temp_c": "chip", "core_temp_c": "chip", "core_2_temp_c": "chip"}
    low = [{"die_temp_c": 40.0, "core_temp_c": 61.0, "core_2_temp_c": 55.0}] * 15
    assert crossed(low, devices=one_chip)[-1] == {"die_temp_c"}
    assert crossed(low)[-1] == set()  # cores of another package


def test_after_a_night_without_power_what_is_not_at_the_room_is_named() -> None:
    values = {"die_temp_c": 33.0, "plate_temp_c": 22.5, "coolant_temp_c": 18.0, "drive_temp_c": 30.0}
    readings = {channel: Reading(value=value) for channel, value in values.items()}
    assert cold_start_disagreement(readings, 22.0) == {"die_temp_c": 11.0, "coolant_temp_c": -4.0}


@pytest.mark.parametrize(
    ("uptime_s", "die_c", "coolant_c", "named"),
    [
        (60.0, 29.0, 22.5, set()),  # a die warms itself by its power while idle
        (60.0, 40.0, 22.5, {"die_temp_c"}),
        (60.0, 13.0, 22.5, {"die_temp_c"}),
        (60.0, 29.0, 31.0, {"coolant_temp_c"}),
        (600.0, 50.0, 40.0, set()),  # too late to tell
        (None, 50.0, 40.0, set()),
    ],
)
def test_a_machine_just_switched_on_tells_of_its_sensors(
    uptime_s: float | None, die_c: float, coolant_c: float, named: set[str]
) -> None:
    values = {"ambient_temp_c": 22.0, "die_temp_c": die_c, "coolant_temp_c": coolant_c}
    readings = {channel: Reading(value=value) for channel, value in values.items()}
    assert set(cold_start_notes(readings, uptime_s)) == named


def test_a_room_at_exactly_0_degrees_is_a_room() -> None:
    # Common practice, no source: a machine brought in from an unheated van, a probe at the freezing point.
    readings = {channel: Reading(value=value) for channel, value in (("ambient_temp_c", 0.0), ("inlet_temp_c", 20.0))}
    assert set(cold_start_notes({**readings, "coolant_temp_c": Reading(value=0.5)}, 60.0)) == {"inlet_temp_c"}
