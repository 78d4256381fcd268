"""The guard's rules at their edges: what counts as silence, as a rise, as an answer; dips; several dies and cards."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pytest

from verifyrig.core.heat_sources import HeatedGroup
from verifyrig.core.interfaces import ChannelInfo, Quality, Reading
from verifyrig.core.profile import Profile, Stage, StageKind, TripLimit
from verifyrig.rig.arming import arm
from verifyrig.rig.guard import Guard, LeastRemaining
from verifyrig.rig.run_buffer import RunBuffer
from verifyrig.rig.trip import Trip

LOAD, IDLE = Stage(name="load", kind=StageKind.LOAD), Stage(name="idle", kind=StageKind.IDLE)
DIE, SECOND, CARD, OTHER_CARD, FAN = "die_temp_c", "die_2_temp_c", "gpu_temp_c", "gpu_2_temp_c", "cpu_fan_speed_rpm"
MISSING = Reading(value=None, quality=Quality.MISSING, note="gone")


def info(channel: str, limit_c: float | None = None, refresh_s: float | None = 1.0) -> ChannelInfo:
    speed = channel.endswith("rpm")
    return ChannelInfo(
        channel=channel, label="", device=channel, source=channel, quantity="speed" if speed else "temperature",
        unit="rpm" if speed else "°C", limit=limit_c, refresh_s=refresh_s,
    )  # fmt: skip


class Watch:
    """A guard over channels, fed by hand; a second look sees what the first one saw unless `again` says otherwise."""

    def __init__(
        self, *limits: TripLimit, infos: Sequence[ChannelInfo] = (), readable: Sequence[str] | None = None
    ) -> None:
        known = {one.channel or "": one for one in (infos or [info(limit.channel) for limit in limits])}
        plan = Profile(name="p", title="", text="", recipe="", stages=(LOAD,), trip_limits=limits, stale_after_s=3.0)
        armed, _ = arm(plan, known, readable)
        self.buffer = RunBuffer()
        self.again: Reading | None = None
        self.looked: list[tuple[str, float]] = []
        self.guard = Guard(self.buffer, armed, plan, known, self.look)

    def look(self, channel: str, now_s: float) -> Reading:
        self.looked.append((channel, now_s))
        return self.again or self.buffer.newest[channel]

    def take(self, t_s: float, stage: Stage = LOAD, **values: float | Reading | None) -> Trip | None:
        readings: Mapping[str, Reading] = {
            name: value if isinstance(value, Reading) else MISSING if value is None else Reading(value=value)
            for name, value in values.items()
        }
        self.buffer.add(t_s, readings)
        return self.guard.check(t_s + 0.01, stage)

    def on(self, t_s: float, share: float = 1.0, *heats: HeatedGroup) -> None:
        self.guard.load_step(t_s, share, steady=True, heats=heats or None)


def ceiling(channel: str = DIE, maximum: float = 90.0) -> TripLimit:
    return TripLimit(channel=channel, maximum=maximum)


# ---- limits and the second look


def test_a_trip_tells_its_channel_value_and_limit() -> None:
    hot = Watch(ceiling()).take(0.0, die_temp_c=91.0)
    assert hot is not None and (hot.rule, hot.channel, hot.value, hot.limit) == ("max", DIE, 91.0, 90.0)
    slow = Watch(TripLimit(channel=FAN, minimum=300.0)).take(0.0, cpu_fan_speed_rpm=299.0)
    assert slow is not None and (slow.rule, slow.channel, slow.value, slow.limit) == ("min", FAN, 299.0, 300.0)
    stuck = Watch(ceiling()).take(0.0, die_temp_c=Reading(value=40.0, quality=Quality.STUCK))
    assert stuck is not None and (stuck.rule, stuck.channel, stuck.value, stuck.limit) == ("stuck", DIE, 40.0, None)


def test_a_maximum_is_not_to_be_reached_and_a_minimum_may_be() -> None:
    assert Watch(ceiling()).take(0.0, die_temp_c=89.99) is None
    assert Watch(ceiling()).take(0.0, die_temp_c=90.0) is not None
    assert Watch(TripLimit(channel=FAN, minimum=300.0)).take(0.0, cpu_fan_speed_rpm=300.0) is None


def test_a_machines_own_limit_that_is_the_lower_one_is_named_as_such() -> None:
    limit = TripLimit(channel=DIE, maximum=99.0, below_machine_limit_k=3.0)
    trip = Watch(limit, infos=[info(DIE, 100.0)]).take(0.0, die_temp_c=97.0)
    assert trip is not None and (trip.rule, trip.limit) == ("machine-limit", 97.0)
    trip = Watch(limit, infos=[info(DIE, 105.0)]).take(0.0, die_temp_c=99.0)
    assert trip is not None and (trip.rule, trip.limit) == ("max", 99.0)


def test_only_a_crossing_is_looked_at_twice_and_at_this_very_moment() -> None:
    watch = Watch(ceiling())
    watch.take(0.0, die_temp_c=80.0)
    assert watch.looked == []
    watch.take(1.0, die_temp_c=95.0)
    assert watch.looked == [(DIE, 1.01)]


@pytest.mark.parametrize("again", [Reading(value=40.0), Reading(value=89.9), MISSING, Reading(value=None)])
def test_a_crossing_that_the_second_look_does_not_confirm_is_no_trip(again: Reading) -> None:
    watch = Watch(ceiling())
    watch.again = again
    assert watch.take(0.0, die_temp_c=95.0) is None


def test_what_nothing_confirmed_makes_no_trend() -> None:
    watch = Watch(TripLimit(channel=DIE, maximum=90.0, max_rate_k_per_s=1.0))
    watch.on(0.0, 0.2)
    watch.again = Reading(value=40.0)
    for t in range(40):
        wild = t == 12
        assert watch.take(float(t), die_temp_c=120.0 if wild else 40.0) is None, t


# ---- silence


@pytest.mark.parametrize("silence", [None, Reading(value=40.0, quality=Quality.STALE), Reading(value=None)])
def test_silence_trips_after_more_than_the_stated_time_from_the_last_reading(silence: Reading | None) -> None:
    watch = Watch(ceiling())
    assert watch.take(10.0, die_temp_c=40.0) is None
    assert watch.take(13.0, die_temp_c=silence) is None
    trip = watch.take(13.1, die_temp_c=silence)
    assert trip is not None and (trip.rule, trip.channel, trip.value, trip.limit) == ("no-reading", DIE, None, 3.0)


def test_a_channel_that_is_not_in_the_sample_is_silent() -> None:
    watch = Watch(ceiling())
    watch.take(0.0, die_temp_c=40.0)
    trip = watch.take(3.5)
    assert trip is not None and trip.rule == "no-reading"


def test_silence_from_the_start_counts_from_the_first_sample() -> None:
    watch = Watch(ceiling())
    assert [watch.take(t, die_temp_c=None) for t in (50.0, 52.0, 53.0)] == [None] * 3
    assert watch.take(53.1, die_temp_c=None) is not None


def test_an_optional_channel_without_a_first_reading_may_stay_silent_and_once_it_spoke_may_not() -> None:
    watch = Watch(TripLimit(channel=DIE, maximum=90.0, optional=True), infos=[info(DIE)], readable=[])
    assert [watch.take(float(t), die_temp_c=None) for t in range(20)] == [None] * 20
    assert watch.take(20.0, die_temp_c=40.0) is None
    assert watch.take(23.0, die_temp_c=None) is None
    assert watch.take(23.5, die_temp_c=None) is not None


def test_crossings_that_cannot_be_read_again_are_silence_from_the_last_good_reading_on() -> None:
    watch = Watch(ceiling())
    watch.take(0.0, die_temp_c=40.0)
    watch.again = MISSING
    assert watch.take(3.0, die_temp_c=127.0) is None
    trip = watch.take(3.1, die_temp_c=127.0)
    assert trip is not None and trip.rule == "no-reading"


# ---- rate


@pytest.mark.parametrize(("k_per_s", "trips"), [(2.0, False), (2.1, True)])
def test_a_rise_over_ten_seconds_may_be_as_steep_as_stated(k_per_s: float, trips: bool) -> None:
    watch = Watch(TripLimit(channel=DIE, maximum=200.0, max_rate_k_per_s=2.0))
    found = [trip for t in range(13) if (trip := watch.take(float(t), die_temp_c=30.0 + k_per_s * t))]
    assert bool(found) is trips
    if trips:
        assert (found[0].rule, found[0].channel, found[0].limit) == ("rate", DIE, 2.0)
        assert found[0].value == pytest.approx(k_per_s)
        assert len(found) == 3  # from 10 s on


def test_what_was_read_where_the_limit_is_not_armed_is_no_part_of_a_rise() -> None:
    watch = Watch(TripLimit(channel=DIE, maximum=200.0, max_rate_k_per_s=2.0, stages=("load",)))
    for t in range(12):
        assert watch.take(float(t), IDLE, die_temp_c=30.0) is None
    assert [watch.take(12.0 + t, die_temp_c=80.0) for t in range(9)] == [None] * 9


# ---- the answer of a heated part


def answered(watch: Watch, step_s: float, after_c: float, until_s: float = 12.0, before_c: float = 30.0) -> list[Trip]:
    """Feed five readings, a step of the load, and then other ones; return what tripped."""
    for t in range(5):
        watch.take(step_s - 5 + t, die_temp_c=before_c)
    watch.on(step_s)
    taken = [watch.take(step_s + k / 2, die_temp_c=after_c) for k in range(int(until_s * 2) + 1)]
    return [trip for trip in taken if trip is not None]


@pytest.mark.parametrize(("moved_k", "trips"), [(1.9, 1), (2.0, 0), (0.0, 1), (-5.0, 1)])
def test_a_part_that_is_heated_moves_by_two_kelvin_within_ten_seconds(moved_k: float, trips: int) -> None:
    found = answered(Watch(ceiling()), 5.0, 30.0 + moved_k)
    assert len(found) == trips
    for trip in found:
        assert (trip.rule, trip.channel, trip.limit) == ("no-reaction", DIE, 2.0)
        assert trip.value == pytest.approx(moved_k)


def test_it_is_not_judged_before_ten_seconds_are_over() -> None:
    assert answered(Watch(ceiling()), 5.0, 30.0, until_s=9.5) == []
    assert len(answered(Watch(ceiling()), 5.0, 30.0, until_s=10.0)) == 1


def test_it_moved_from_the_mean_of_the_last_five_readings_before() -> None:
    watch = Watch(ceiling())
    for t, value in enumerate([80.0, 10.0, 20.0, 30.0, 40.0, 50.0]):
        watch.take(float(t), die_temp_c=value)
    watch.on(6.0)
    trips = [trip for t in range(6, 18) if (trip := watch.take(float(t), die_temp_c=31.5))]
    assert [trip.value for trip in trips] == [pytest.approx(1.5)]


@pytest.mark.parametrize(("share", "judged"), [(0.5, True), (0.49, False)])
def test_only_a_load_of_half_share_or_more_must_be_answered(share: float, judged: bool) -> None:
    watch = Watch(ceiling())
    for t in range(5):
        watch.take(float(t), die_temp_c=30.0)
    watch.on(5.0, share)
    assert any(watch.take(float(t), die_temp_c=30.0) for t in range(5, 17)) is judged


def test_a_load_that_is_not_steady_or_over_again_need_not_be_answered() -> None:
    unsteady, over = Watch(ceiling()), Watch(ceiling())
    for t in range(5):
        unsteady.take(float(t), die_temp_c=30.0)
        over.take(float(t), die_temp_c=30.0)
    unsteady.guard.load_step(5.0, 1.0, steady=False)
    over.on(5.0)
    over.on(8.0, 0.0)
    for t in range(5, 20):
        assert unsteady.take(float(t), die_temp_c=30.0) is None
        assert over.take(float(t), die_temp_c=30.0) is None


def test_a_load_that_goes_on_at_another_share_is_no_new_step() -> None:
    watch = Watch(ceiling())
    for t in range(5):
        watch.take(float(t), die_temp_c=30.0)
    watch.on(5.0)
    found = []
    for t in range(5, 30):
        if t == 12:
            watch.on(12.0, 0.8)
        if trip := watch.take(float(t), die_temp_c=30.0):
            found.append((t, trip.rule))
    assert found == [(15, "no-reaction")]


def test_without_a_reading_before_the_step_nothing_is_judged() -> None:
    watch = Watch(ceiling())
    watch.on(0.0)
    assert [watch.take(float(t), die_temp_c=30.0) for t in range(15)] == [None] * 15


# ---- several dies and cards


def dull(watch: Watch, groups: Sequence[HeatedGroup], **after: float) -> list[tuple[str, str]]:
    before = dict.fromkeys(after, 30.0)
    for t in range(5):
        watch.take(float(t), LOAD, **before)
    watch.on(5.0, 1.0, *groups)
    return [
        (trip.rule, trip.channel) for t in range(5, 17) if (trip := watch.take(float(t), LOAD, **after)) is not None
    ]


def two(*channels: str) -> Watch:
    return Watch(*(ceiling(name) for name in channels if "_2_" not in name), infos=[info(name) for name in channels])


def test_each_die_must_answer_unless_it_is_said_what_is_heated() -> None:
    assert dull(two(DIE, SECOND), (), die_temp_c=50.0, die_2_temp_c=30.0) == [("no-reaction", SECOND)]
    assert dull(two(DIE, SECOND), (), die_temp_c=50.0, die_2_temp_c=50.0) == []


def test_of_several_that_one_may_stand_for_one_answer_is_enough() -> None:
    one_of = HeatedGroup((CARD, OTHER_CARD), every=False)
    assert dull(two(CARD, OTHER_CARD), [one_of], gpu_temp_c=30.0, gpu_2_temp_c=50.0) == []
    assert dull(two(CARD, OTHER_CARD), [one_of], gpu_temp_c=30.0, gpu_2_temp_c=30.0) == [("no-reaction", CARD)]
    each = HeatedGroup((CARD, OTHER_CARD), every=True)
    assert dull(two(CARD, OTHER_CARD), [each], gpu_temp_c=30.0, gpu_2_temp_c=50.0) == [("no-reaction", CARD)]


def test_what_the_load_does_not_heat_need_not_answer() -> None:
    card = HeatedGroup((CARD,), every=True)
    assert dull(two(DIE, CARD), [card], die_temp_c=30.0, gpu_temp_c=50.0) == []
    assert dull(two(DIE, CARD), (), die_temp_c=50.0, gpu_temp_c=30.0) == []


# ---- a dip of the load


def test_what_a_reading_does_in_a_dip_and_two_seconds_after_is_no_trend() -> None:
    watch = Watch(TripLimit(channel=DIE, maximum=90.0, max_rate_k_per_s=1.0))
    watch.on(0.0, 0.2)
    for t in range(20):
        assert watch.take(float(t), die_temp_c=60.0) is None
    watch.guard.load_dips(20.0, over=False)
    assert [watch.take(20.0 + k, die_temp_c=40.0) for k in range(3)] == [None] * 3
    watch.guard.load_dips(23.0, over=True)
    # Back up by 20 K at once: a rise of 2 K/s over ten seconds, did the dip count.
    assert [watch.take(23.0 + k, die_temp_c=60.0) for k in range(20)] == [None] * 20


def test_the_way_back_up_after_a_dip_is_no_rise() -> None:
    watch = Watch(TripLimit(channel=DIE, maximum=90.0, max_rate_k_per_s=1.0))
    watch.on(0.0, 0.2)
    for t in range(20):
        watch.take(float(t), die_temp_c=60.0)
    watch.guard.load_dips(20.0, over=False)
    for t in range(20, 23):
        watch.take(float(t), die_temp_c=40.0)
    watch.guard.load_dips(23.0, over=True)
    back = {23: 42.0, 24: 52.0}
    # Ten seconds after the first of these it would be a rise of 1.8 K/s.
    assert [watch.take(float(t), die_temp_c=back.get(t, 60.0)) for t in range(23, 45)] == [None] * 22


def test_two_seconds_after_a_dip_a_line_is_drawn_anew() -> None:
    watch = Watch(ceiling())
    watch.on(0.0, 0.2)
    watch.guard.load_dips(5.0, over=True)
    course = {t: 50.0 + 5.0 * (t - 5) for t in range(5, 16)}
    found = [(t, trip.rule) for t, value in course.items() if (trip := watch.take(float(t), die_temp_c=value))]
    # 7, 8, 9 s are the first three that count; at 11 s it stands at 80 °C, and at 85.5 °C when one could act next;
    # at 12 s at 85 °C and 90.5 °C.
    assert found[0] == (12, "line")


def test_a_limit_holds_in_a_dip_too() -> None:
    watch = Watch(ceiling())
    watch.on(0.0)
    watch.guard.load_dips(1.0, over=False)
    trip = watch.take(2.0, die_temp_c=95.0)
    assert trip is not None and trip.rule == "max"


# ---- how much is left


def test_the_temperature_nearest_to_its_limit_is_told() -> None:
    watch = Watch(ceiling(DIE, 90.0), ceiling(CARD, 80.0), TripLimit(channel=FAN, minimum=300.0))
    assert watch.guard.least_remaining() is None
    watch.take(0.0, die_temp_c=60.0, gpu_temp_c=55.0, cpu_fan_speed_rpm=301.0)
    assert watch.guard.least_remaining() == LeastRemaining(channel=CARD, remaining_k=25.0)
    watch.take(1.0, die_temp_c=60.0, gpu_temp_c=None, cpu_fan_speed_rpm=301.0)
    assert watch.guard.least_remaining() == LeastRemaining(channel=DIE, remaining_k=30.0)
    watch.take(2.0, die_temp_c=92.0, gpu_temp_c=55.0)
    assert watch.guard.least_remaining() == LeastRemaining(channel=DIE, remaining_k=-2.0)
    watch.take(3.0, die_temp_c=Reading(value=None), gpu_temp_c=Reading(value=79.0, quality=Quality.STALE))
    assert watch.guard.least_remaining() is None


def test_a_speed_with_a_maximum_is_no_temperature_that_is_left() -> None:
    watch = Watch(ceiling(FAN, 5000.0))
    watch.take(0.0, cpu_fan_speed_rpm=4999.0)
    assert watch.guard.least_remaining() is None


def test_a_reading_two_seconds_after_a_dip_counts_again() -> None:
    watch = Watch(ceiling(maximum=85.0))
    watch.on(0.0, 0.2)
    watch.guard.load_dips(5.0, over=True)
    course = {5: 30.0, 6: 40.0, 7: 50.0, 8: 62.0, 9: 74.0, 10: 86.0}
    found = [(t, trip.rule) for t, value in course.items() if (trip := watch.take(float(t), die_temp_c=value))]
    # 7, 8 and 9 s count: 12 K/s from 74 °C are 87.2 °C when one could act next.
    assert found[0] == (9, "line")


def test_the_first_reading_of_a_run_is_one_of_the_five_before_the_step() -> None:
    # Their mean is 32 °C; of the last four alone it would be 30 °C.
    watch = Watch(ceiling())
    for t, value in enumerate((40.0, 30.0, 30.0, 30.0, 30.0)):
        watch.take(float(t), die_temp_c=value)
    watch.on(5.0)
    found = [trip for t in range(5, 16) if (trip := watch.take(float(t), die_temp_c=33.9))]
    assert [trip.rule for trip in found] == ["no-reaction"] and found[0].value == pytest.approx(1.9)


def test_a_card_that_cannot_be_read_does_not_answer_for_another() -> None:
    limit = TripLimit(channel=CARD, maximum=90.0, optional=True)
    watch = Watch(limit, infos=[info(CARD), info(OTHER_CARD)], readable=[CARD])
    for t in range(5):
        watch.take(float(t), gpu_temp_c=30.0, gpu_2_temp_c=None)
    watch.on(5.0, 1.0, HeatedGroup((CARD, OTHER_CARD), every=False))
    found = [trip for t in range(5, 17) if (trip := watch.take(float(t), gpu_temp_c=30.0, gpu_2_temp_c=None))]
    assert ("no-reaction", CARD) in [(trip.rule, trip.channel) for trip in found]
