"""The guard's rules, one at a time, on readings made by hand."""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from verifyrig.core.interfaces import ChannelInfo, Quality, Reading
from verifyrig.core.profile import Gate, Profile, Stage, StageKind, TripLimit
from verifyrig.rig.arming import arm
from verifyrig.rig.gate import check_gate
from verifyrig.rig.guard import Guard
from verifyrig.rig.run_buffer import RunBuffer
from verifyrig.rig.trip import Trip

DIE = ChannelInfo(
    channel="die_temp_c", label="Package id 0", device="coretemp/0/temp1", source="x", quantity="temperature",
    unit="°C", limit=100.0, resolution=1.0, refresh_s=1.0,
)  # fmt: skip
LOAD = Stage(name="load", kind=StageKind.LOAD)
IDLE = Stage(name="idle", kind=StageKind.IDLE)


def profile(*limits: TripLimit, stale_after_s: float = 3.0) -> Profile:
    return Profile(name="p", title="", text="", recipe="", stages=(IDLE, LOAD), trip_limits=limits,
                   stale_after_s=stale_after_s)  # fmt: skip


def ok(value: float) -> Reading:
    return Reading(value=value)


MISSING = Reading(value=None, quality=Quality.MISSING, note="gone")


class Bench:
    """Feeds a guard second by second; `again` is what a second look at a channel gives."""

    def __init__(self, limit: TripLimit, info: ChannelInfo = DIE) -> None:
        self.again: Reading | None = None
        self.now: Reading = MISSING
        plan = profile(limit)
        armed, self.absent = arm(plan, {limit.channel: info})
        self.channel = limit.channel
        self.buffer = RunBuffer()
        self.guard = Guard(
            self.buffer, armed, plan, {limit.channel: info}, lambda channel, now_s: self.again or self.now
        )

    def feed(self, readings: Iterable[Reading], *, from_s: float = 0.0, stage: Stage = LOAD) -> list[Trip]:
        trips = []
        for k, reading in enumerate(readings):
            self.now = reading
            self.buffer.add(from_s + k, {self.channel: reading})
            trip = self.guard.check(from_s + k, stage)
            if trip:
                trips.append(trip)
        return trips


def test_a_reading_at_the_limit_trips_when_a_second_look_agrees() -> None:
    bench = Bench(TripLimit(channel="die_temp_c", maximum=90.0))
    assert [t.rule for t in bench.feed([ok(89.0), ok(90.0)])] == ["max"]


def test_a_single_wild_reading_does_not_trip() -> None:
    bench = Bench(TripLimit(channel="die_temp_c", maximum=90.0))
    bench.again = ok(40.0)
    assert bench.feed([ok(40.0), ok(125.0), ok(40.0)]) == []


def test_a_crossing_that_is_implausible_on_the_second_look_counts_as_silence() -> None:
    bench = Bench(TripLimit(channel="die_temp_c", maximum=90.0))
    bench.again = Reading(value=127.0, quality=Quality.IMPLAUSIBLE)
    trips = bench.feed([ok(40.0)] + [ok(127.0)] * 5)
    assert [t.rule for t in trips][:1] == ["no-reading"]


def test_the_lower_of_profile_and_machine_limit_applies() -> None:
    bench = Bench(TripLimit(channel="die_temp_c", maximum=99.0, below_machine_limit_k=3.0))
    (trip,) = bench.feed([ok(96.0), ok(97.0)])
    assert (trip.rule, trip.limit) == ("machine-limit", 97.0)


def test_a_required_channel_that_stays_silent_trips_after_the_stated_time() -> None:
    bench = Bench(TripLimit(channel="die_temp_c", maximum=90.0))
    assert bench.feed([ok(40.0), MISSING, MISSING, MISSING]) == []
    assert [t.rule for t in bench.feed([MISSING], from_s=4.0)] == ["no-reading"]


def test_a_channel_silent_from_the_start_trips_too() -> None:
    bench = Bench(TripLimit(channel="die_temp_c", maximum=90.0))
    assert next(t.rule for t in bench.feed([MISSING] * 5)) == "no-reading"


def test_a_stuck_reading_trips_at_once() -> None:
    bench = Bench(TripLimit(channel="die_temp_c", maximum=90.0))
    assert [t.rule for t in bench.feed([ok(40.0), Reading(value=40.0, quality=Quality.STUCK)])] == ["stuck"]


def test_a_steep_rise_over_ten_seconds_trips_below_the_limit() -> None:
    bench = Bench(TripLimit(channel="die_temp_c", maximum=200.0, max_rate_k_per_s=5.0))
    trips = bench.feed([ok(30.0 + 6.0 * k) for k in range(12)])
    assert trips and trips[0].rule == "rate" and trips[0].value == pytest.approx(6.0)


def test_a_straight_rise_trips_before_it_crosses() -> None:
    bench = Bench(TripLimit(channel="die_temp_c", maximum=90.0))
    bench.guard.load_step(0.0, 1.0, steady=False)
    trips = bench.feed([ok(45.0 + 4.0 * k) for k in range(12)])
    assert trips[0].rule == "line"
    assert trips[0].value is not None and trips[0].value < 90.0


def test_the_first_jump_after_a_step_is_no_straight_line() -> None:
    # A die of 0.25 K/W at 180 W jumps by 45 K within a second, and then bends.
    bench = Bench(TripLimit(channel="die_temp_c", maximum=92.0))
    bench.feed([ok(32.0)] * 5)
    bench.guard.load_step(5.0, 1.0, steady=True)
    rise = [55.0, 74.0, 77.0, 78.0, 78.0, 79.0, 79.0, 80.0, 80.0, 80.0, 80.0, 81.0, 81.0]
    assert bench.feed([ok(v) for v in rise], from_s=5.5) == []


def test_a_falling_pump_trips_only_where_it_is_armed() -> None:
    pump = ChannelInfo(channel="pump_speed_rpm", label="", device="d", source="s", quantity="speed", unit="rpm")
    limit = TripLimit(channel="pump_speed_rpm", minimum=300.0, stages=("load",))
    assert Bench(limit, pump).feed([ok(0.0)], stage=IDLE) == []
    assert [t.rule for t in Bench(limit, pump).feed([ok(0.0)], stage=LOAD)] == ["min"]


def test_a_die_that_does_not_answer_to_a_steady_load_trips() -> None:
    bench = Bench(TripLimit(channel="die_temp_c", maximum=90.0))
    bench.feed([ok(33.0)] * 5)
    bench.guard.load_step(5.0, 1.0, steady=True)
    trips = bench.feed([ok(33.0)] * 12, from_s=5.0)
    assert [t.rule for t in trips] == ["no-reaction"]


def test_a_die_that_answers_does_not_trip() -> None:
    bench = Bench(TripLimit(channel="die_temp_c", maximum=90.0))
    bench.feed([ok(33.0)] * 5)
    bench.guard.load_step(5.0, 0.5, steady=True)
    assert bench.feed([ok(33.0), ok(41.0)] + [ok(45.0)] * 12, from_s=5.0) == []


def test_a_limit_without_its_channel_is_named_as_not_armed() -> None:
    armed, absent = arm(profile(TripLimit(channel="vrm_temp_c", maximum=110.0, optional=True)), {"die_temp_c": DIE})
    assert (armed, absent) == ([], ["vrm_temp_c"])


# Common practice, no source: 50 °C while idle is a fault, 25 K above the room is too much for a machine while idle.
@pytest.mark.parametrize(
    ("value_c", "ambient_c", "closed"),
    [(49.0, 25.0, False), (51.0, 30.0, True), (46.0, 20.0, True), (46.0, None, False)],
)
def test_the_gate_closes_on_idle_heat(value_c: float, ambient_c: float | None, closed: bool) -> None:
    gate = Gate(channel="die_temp_c", max_c=50.0, max_rise_k=25.0)
    assert (check_gate(gate, "die_temp_c", ok(value_c), ambient_c) is not None) is closed
