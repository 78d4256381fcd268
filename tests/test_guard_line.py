"""The guard's straight line: a load ends before the limit is crossed; the first jump after a step is no line."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from verifyrig.core.interfaces import ChannelInfo, Reading
from verifyrig.core.profile import Profile, Stage, StageKind, TripLimit
from verifyrig.rig.arming import arm
from verifyrig.rig.guard import Guard
from verifyrig.rig.run_buffer import RunBuffer
from verifyrig.rig.trip import Trip

LIMIT_C = 92.0
LOAD = Stage(name="load", kind=StageKind.LOAD)


class Watch:
    """A guard and the samples that it reads."""

    def __init__(self, *, limit_c: float = LIMIT_C, refresh_s: float | None = 1.0, period_s: float = 1.0) -> None:
        die = ChannelInfo(
            channel="die_temp_c",
            label="",
            device="d",
            source="s",
            quantity="temperature",
            unit="°C",
            refresh_s=refresh_s,
        )
        limit = TripLimit(channel="die_temp_c", maximum=limit_c)
        plan = Profile(name="p", title="", text="", recipe="", stages=(LOAD,), trip_limits=(limit,), period_s=period_s)
        armed, _ = arm(plan, {"die_temp_c": die})
        self.buffer, self.now = RunBuffer(), Reading(value=0.0)
        self.guard = Guard(self.buffer, armed, plan, {"die_temp_c": die}, lambda channel, now_s: self.now)

    def step(self, t_s: float, share: float) -> None:
        self.guard.load_step(t_s, share, steady=False)

    def take(self, t_s: float, value: float) -> Trip | None:
        self.now = Reading(value=value)
        self.buffer.add(t_s, {"die_temp_c": self.now})
        return self.guard.check(t_s, LOAD)


def first_trip(
    watch: Watch, temp_c: Callable[[float], float], times_s: Sequence[float], edge: tuple[float, float] | None = None
) -> tuple[float, Trip] | None:
    """Feed readings; `edge` is when the load is told which share. Return the first trip and when it came."""
    pending = edge
    for t_s in times_s:
        if pending is not None and t_s >= pending[0]:
            watch.step(*pending)
            pending = None
        trip = watch.take(t_s, temp_c(t_s))
        if trip is not None:
            return t_s, trip
    return None


def seconds(n: int, start: float = 0.0) -> list[float]:
    return [start + k for k in range(n)]


def test_a_line_that_would_cross_before_the_next_sample_could_act_ends_the_load() -> None:
    # 4 K/s: 88 °C now are 92.4 °C when the next sample could act, 1 s of the plan and 0.1 s to act from now.
    found = first_trip(Watch(limit_c=92.3), lambda t: 40.0 + 4.0 * t, seconds(20), edge=(0.0, 1.0))
    assert found is not None and (found[0], found[1].rule, found[1].value) == (12.0, "line", 88.0)
    found = first_trip(Watch(limit_c=92.5), lambda t: 40.0 + 4.0 * t, seconds(20), edge=(0.0, 1.0))
    assert found is not None and (found[0], found[1].rule) == (13.0, "line")


def test_it_looks_as_far_ahead_as_the_plan_samples() -> None:
    every_two_s = [2.0 * k for k in range(20)]
    found = first_trip(Watch(period_s=2.0), lambda t: 40.0 + 4.0 * t, every_two_s, edge=(0.0, 1.0))
    # At 10 s it stands at 80 °C and would be at 88.4 °C; at 12 s at 88 °C and at 96.4 °C.
    assert found is not None and (found[0], found[1].rule) == (12.0, "line")


def test_what_the_die_does_in_the_first_two_seconds_after_a_step_is_no_line() -> None:
    # Steps of a die of 0.1 to 2 s time constant: three readings within them look like a line that crosses, and bend.
    def jump(t: float) -> float:
        return 30.0 if t < 5.0 else {5.5: 60.0, 6.0: 74.0, 6.5: 84.0}.get(t, 86.0)

    half_seconds = [0.5 * k for k in range(60)]
    assert first_trip(Watch(), jump, half_seconds, edge=(5.0, 1.0)) is None


def test_after_those_two_seconds_three_readings_are_a_line_again() -> None:
    # 6 K/s from the step on. Readings at 7.5, 8.5, 9.5 s are the first that count; 9.5 s: 87 °C, and 93.6 °C at 10.6 s.
    found = first_trip(Watch(), lambda t: 60.0 + 6.0 * max(0.0, t - 5.0), seconds(20, 0.5), edge=(5.0, 1.0))
    assert found is not None and (found[0], found[1].rule) == (9.5, "line")


def test_readings_from_before_those_two_seconds_do_not_help_to_make_a_line() -> None:
    # 6 K/s from 65 °C: a line through 6.5, 7.5 and 8.5 s would cross; 6.5 s is too soon after the step.
    found = first_trip(Watch(), lambda t: 65.0 + 6.0 * max(0.0, t - 5.0), seconds(20, 0.5), edge=(5.0, 1.0))
    assert found is not None and (found[0], found[1].rule) == (9.5, "max")


def test_at_idle_there_is_no_load_to_end() -> None:
    found = first_trip(Watch(), lambda t: 40.0 + 4.0 * t, seconds(20))
    assert found is not None and found[1].rule == "max"
    off = Watch()
    off.step(0.0, 1.0)
    found = first_trip(off, lambda t: 40.0 + 4.0 * t, seconds(20), edge=(3.0, 0.0))
    assert found is not None and found[1].rule == "max"


def test_another_step_of_a_load_that_is_on_does_not_blind_the_line() -> None:
    watch = Watch()
    watch.step(0.0, 0.25)
    found = first_trip(watch, lambda t: 40.0 + 4.0 * t, seconds(20), edge=(11.0, 1.0))
    assert found is not None and (found[0], found[1].rule) == (12.0, "line")


def test_a_step_that_was_shown_to_be_safe_makes_no_line_with_the_readings_before_it() -> None:
    # A sensor that is fresh every 4 s sees a step of 12 K between two readings: no slope that goes on. Without the
    # word of the climb a straight line through the readings at 74, 86 and 87.5 °C goes on to the limit.
    def stepped(t_s: float) -> float:
        return 74.0 + (0.0 if t_s < 12.0 else 12.0 if t_s < 16.0 else 13.5)

    for bounded, trips in ((False, True), (True, False)):
        watch = Watch(refresh_s=4.0)
        watch.guard.load_step(0.0, 0.5, steady=False)
        found = None
        for t_s in seconds(24):
            if t_s == 11.0:
                watch.guard.load_step(11.0, 0.75, steady=False, bounded=bounded)
            found = found or watch.take(t_s, stepped(t_s))
        assert (found is not None) == trips


def test_a_fall_is_no_line_however_near_the_limit() -> None:
    values = {0: 91.9, 1: 91.8, 2: 91.9, 3: 91.9}
    assert first_trip(Watch(), lambda t: values.get(int(t), 91.9), seconds(8, 5.0), edge=(0.0, 1.0)) is None


def test_a_value_that_is_only_held_is_not_a_fresh_reading() -> None:
    # A sensor that shows each value for 2 s and climbs by 8 K each time: 4 K/s, whatever the samples in between say.
    found = first_trip(Watch(refresh_s=2.0), lambda t: 40.0 + 8.0 * (t // 2), seconds(30), edge=(0.0, 1.0))
    assert found is not None and (found[0], found[1].rule) == (12.0, "line")


def standing_then(value: float, at_s: float = 12.0) -> Callable[[float], float]:
    """A die that stands at 70 °C and then reads another value."""
    return lambda t_s: 70.0 if t_s < at_s else value


def test_a_rise_from_one_reading_to_the_next_is_a_line_too() -> None:
    # 70, 70, 84 °C a second apart: a straight line through them stands at 81.7 °C, rises by 7 K/s and is at 89.4 °C
    # when the next sample could act.
    found = first_trip(Watch(limit_c=88.0), standing_then(84.0), seconds(14), edge=(0.0, 1.0))
    assert found is not None and (found[0], found[1].rule) == (12.0, "line")
    # 70, 84, 84 °C: 86.3 °C, and 94.0 °C then.
    found = first_trip(Watch(limit_c=92.0), standing_then(84.0), seconds(14), edge=(0.0, 1.0))
    assert found is not None and (found[0], found[1].rule) == (13.0, "line")


def test_a_source_that_does_not_say_how_often_it_reads_is_fresh_every_two_seconds() -> None:
    # Readings that count are those at 8, 10 and 12 s: 3.5 K/s, 81.7 °C at the last and 85.5 °C when one could act.
    for limit_c, when_s in ((85.0, 12.0), (85.7, None)):
        watch = Watch(limit_c=limit_c, refresh_s=None)
        found = first_trip(watch, standing_then(84.0), seconds(13), edge=(0.0, 1.0))
        assert (None if found is None else found[0]) == when_s


def test_a_reading_that_nothing_confirmed_lies_on_no_line() -> None:
    # 45.5, 120, 46.5 °C: a straight line through all three would stand at 71 °C.
    watch = Watch(limit_c=60.0)
    watch.step(0.0, 1.0)
    for t_s in seconds(20):
        wild = t_s == 12.0
        watch.now = Reading(value=40.0 + t_s / 2)
        watch.buffer.add(t_s, {"die_temp_c": Reading(value=120.0) if wild else watch.now})
        assert watch.guard.check(t_s, LOAD) is None, t_s
