"""For each cause a machine that shows its leading sign and yet has another fault, or none.

Which pairs look alike, and what separates them: common practice, no source, where no other is named.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.diagnosis_traces import Made, entry, made_job, made_run
from verifyrig.diagnosis import Diagnosis, diagnose
from verifyrig.jobs.model import EntryKind


def leading(found: Diagnosis) -> str:
    return found.suspects[0].cause


def probability(found: Diagnosis, cause: str) -> float:
    return next((s.probability for s in found.suspects if s.cause == cause), 0.0)


SICK = {"what": "switches-off", "when": "under-load", "restart": "after-minutes"}


def test_none_a_machine_that_stays_cool_and_never_goes_dark_may_still_compute_wrongly() -> None:
    found = diagnose([made_run(Made(errors_per_s=0.03, error_cores=(0, 3, 1, 5)))])
    assert leading(found) == "memory"
    assert probability(found, "none") < 0.01


def test_contact_a_die_that_jumps_in_the_first_seconds_with_normal_kelvin_per_watt_has_only_too_much_power() -> None:
    # Dried paste and a lifted power limit both jump in 1 to 5 s; divided by watts one is high, the other normal.
    found = diagnose([made_run(Made(load_w=215.0, limit_w=4095.0, limit_c=105.0))], job=made_job(answers=SICK))
    assert leading(found) == "firmware-limit"
    assert probability(found, "contact") < 0.1


def test_coolant_flow_a_hot_die_over_a_cold_radiator_is_the_paste_where_the_fast_step_is_high() -> None:
    machine = Made(contact=0.50, contact_s=5.0, extra={"coolant_temp_c": 30.0, "radiator_temp_c": 29.0})
    cold = entry(20, EntryKind.FINDING, "radiator", value="cold")
    found = diagnose([made_run(machine, load_s=0)], job=made_job(cold, answers=SICK))
    assert leading(found) == "contact"
    assert probability(found, "contact") > 2 * probability(found, "coolant-flow")


def test_airflow_loud_fans_and_a_hot_end_are_the_coolant_where_the_minute_window_is_high() -> None:
    # Slow pump and blocked radiator both end hot; the 5 to 60 s window tells them apart.
    answers = SICK | {"noises": "loud-fan"}
    found = diagnose([made_run(Made(flow=0.28, flow_s=25.0))], job=made_job(answers=answers))
    assert leading(found) == "coolant-flow"
    assert probability(found, "airflow") < 0.05


def test_warm_room_a_machine_that_is_hot_at_idle_in_a_cool_room_has_another_fault() -> None:
    # An offset at all times is the room only where the room is warm: here the sensor reads 18 K too much.
    found = diagnose([made_run(Made(idle_offset_k=18.0))], job=made_job(answers={"when": "on-warm-days"}))
    assert leading(found) == "sensor"
    assert probability(found, "warm-room") < 0.05


def test_sensor_a_die_far_above_the_room_at_idle_that_answers_every_watt_is_really_hot() -> None:
    # A stuck or offset sensor against a dead pump: no step response, or the same one at every level.
    machine = Made(flow=1.6, flow_s=140.0, limit_c=100.0)
    found = diagnose([made_run(machine, load_s=0)], job=made_job(answers=SICK))
    assert leading(found) == "coolant-flow"
    assert probability(found, "sensor") < 0.05


def test_supply_a_machine_that_goes_dark_at_its_limit_is_hot_whatever_its_rail_reads() -> None:
    machine = Made(contact=0.75, contact_s=6.0, limit_c=90.0)
    trace = made_run(machine, load_s=300, ends_at_s=440.0, cause="power-off")
    found = diagnose([trace], job=made_job(answers={"what": "switches-off", "restart": "after-minutes"}))
    assert leading(found) == "contact"
    assert probability(found, "supply") < 0.02


def test_board_power_a_clock_that_falls_with_the_die_at_its_limit_is_no_regulator() -> None:
    machine = Made(air=0.75, air_s=450.0, limit_c=88.0, throttles=True)
    found = diagnose([made_run(machine)], job=made_job(answers={"what": "slow"}))
    assert leading(found) == "airflow"
    assert probability(found, "board-power") < 0.05


def test_memory_wrong_results_that_stay_with_one_core_are_the_processor() -> None:
    found = diagnose([made_run(Made(errors_per_s=0.03, error_cores=(2,)))], job=made_job(answers={"what": "reboots"}))
    assert leading(found) == "processor"
    assert probability(found, "memory") < 0.01


def test_processor_wrong_results_on_every_core_are_the_memory() -> None:
    machine = Made(errors_per_s=0.03, error_cores=(4, 1, 0, 5, 2, 3))
    found = diagnose([made_run(machine)], job=made_job(answers={"what": "freezes"}))
    assert leading(found) == "memory"
    assert probability(found, "processor") < 0.01


def test_graphics_a_failure_in_games_with_a_rail_that_gives_way_is_the_supply() -> None:
    answers = {"what": "switches-off", "when": "at-a-load-step", "restart": "after-mains-switch"}
    trace = made_run(Made(droop_v_per_w=0.009), load_s=300, ends_at_s=392.0, cause="power-off")
    found = diagnose([trace], job=made_job(answers=answers))
    assert leading(found) == "supply"
    assert probability(found, "graphics") < 0.02


def test_firmware_limit_a_board_that_states_no_limit_may_be_sound() -> None:
    found = diagnose([made_run(Made(limit_w=4095.0))])
    assert leading(found) == "none"
    assert probability(found, "firmware-limit") < 0.1


def test_wiring_a_machine_that_goes_dark_when_touched_only_after_minutes_of_heat_is_hot() -> None:
    machine = Made(flow=2.2, flow_s=150.0, limit_c=92.0)
    answers = {"what": "switches-off", "when": "any-time", "restart": "after-minutes"}
    found = diagnose([made_run(machine, load_s=0)], job=made_job(answers=answers))
    assert leading(found) == "coolant-flow"
    assert probability(found, "wiring") < 0.02


def test_unknown_an_idle_run_alone_is_unknown_only_until_the_fan_is_seen_standing() -> None:
    idle = made_run(Made(), load_s=0, pulses=False)
    assert leading(diagnose([idle], job=made_job(answers=SICK))) == "unknown"
    stands = made_run(Made(air=0.75, fan_rpm=0.0), load_s=0, pulses=False)
    assert leading(diagnose([stands], job=made_job(answers=SICK))) == "airflow"


@pytest.mark.parametrize(
    ("machine", "cause"),
    [
        (Made(), "none"),
        (Made(contact=0.45, contact_s=4.0), "contact"),
        (Made(air=0.40, air_s=200.0), "airflow"),
        (Made(air=0.60, air_s=300.0, fan_rpm=0.0), "airflow"),
        (Made(ambient_c=35.5), "warm-room"),
        (Made(stuck_c=38.0), "sensor"),
        (Made(droop_v_per_w=0.009), "supply"),
        (Made(clock_falls_after_s=300.0), "board-power"),
    ],
)
def test_the_plain_picture_of_a_cause_leads_to_it(machine: Made, cause: str) -> None:
    found = diagnose([made_run(machine)], job=None if cause == "none" else made_job())
    assert leading(found) == cause
    assert found.is_clear


def test_a_probability_falls_when_the_leading_sign_is_taken_away() -> None:
    with_fan = diagnose([made_run(Made(air=0.40, air_s=200.0, fan_rpm=0.0))])
    turning = diagnose([made_run(replace(Made(air=0.40, air_s=200.0), fan_rpm=1100.0))])
    assert probability(with_fan, "airflow") > probability(turning, "airflow")
