"""What a climb asks of a machine: the small form of the benchmark `exposure`, on machines with parts nobody watches."""

from __future__ import annotations

import math
from dataclasses import replace

from tests.benchmarks._exposure_runs import Job, machine_of, run_job, trip_c
from tests.benchmarks.exposure import table


def job(case: str, rule: str, seed: int = 5001) -> Job:
    return Job(case=case, seed=seed, rule=rule, period_s=2.0)


def test_a_machine_that_full_load_takes_past_its_trip_limit_stays_cool_under_a_climb() -> None:
    at_once, climb = run_job(job("film-left-on", "trip-only")), run_job(job("film-left-on", "climb"))
    assert at_once.outcome == "tripped" and at_once.trip_over_k > 0
    assert climb.outcome == "stopped" and not climb.reached_full
    assert climb.degree_min <= 0.25 * at_once.degree_min and climb.trip_over_k < -10.0
    assert max(climb.unwatched_over_k.values()) < 0


def test_a_sound_machine_in_a_room_of_40_degrees_comes_to_full_load_and_its_end_is_known() -> None:
    hot = job("sound-hot-room", "climb")
    machine = machine_of(hot)
    assert machine.ambient.temp_c == 40.0
    seen = run_job(hot)
    assert seen.outcome == "completed" and seen.reached_full and math.isfinite(seen.known_min)
    assert abs(seen.error_k) <= 2 * seen.u95_k
    assert seen.die_over_k < 0 and trip_c(machine) <= 95.0


def test_the_table_counts_what_was_lost_and_what_was_asked_against_full_load_at_once() -> None:
    # Made up by hand: of two that would trip the climb asked a tenth, and of two sound machines one came to nothing.
    tripped = run_job(job("film-left-on", "trip-only"))
    lost = replace(tripped, degree_min=tripped.degree_min / 10, outcome="stopped", reached_full=False)
    holds = replace(tripped, outcome="completed", reached_full=True, trip_over_k=-5.0)
    found = [
        *((job("film-left-on", rule), seen) for rule, seen in (("trip-only", tripped), ("climb", lost))),
        *((job("healthy-air", rule, 5001), seen) for rule, seen in (("trip-only", holds), ("climb", lost))),
        *((job("healthy-air", rule, 5002), seen) for rule, seen in (("trip-only", holds), ("climb", holds))),
        # Sound, but it comes to its trip limit under full load: nothing is lost where that is refused.
        *((job("healthy-air", rule, 5003), seen) for rule, seen in (("trip-only", tripped), ("climb", lost))),
    ]
    figures = table(found, "climb")
    assert figures["sound_without_verdict"] == 0.5
    assert math.isclose(figures["degree_minutes_of_those_that_would_trip"], 0.1)
