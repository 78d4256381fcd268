"""How a guarded reading moves, by `Motion` alone: what is held, what a dip breaks, and what makes no line."""

from __future__ import annotations

import pytest

from tests.fakes import die_info
from verifyrig.core.interfaces import Reading
from verifyrig.core.profile import TripLimit
from verifyrig.rig.arming import ArmedLimit
from verifyrig.rig.motion import Motion
from verifyrig.rig.run_buffer import RunBuffer

DIE = "die_temp_c"


class Watch:
    """Feeds one die to `Motion`, under load."""

    def __init__(self, *, maximum: float | None = None, max_rate: float | None = None) -> None:
        self.buffer = RunBuffer()
        self.motion = Motion(self.buffer, {DIE: die_info()}, 1.0)
        limit = TripLimit(channel=DIE, maximum=maximum, max_rate_k_per_s=max_rate)
        self.armed = ArmedLimit(limit=limit, channel=DIE, maximum=maximum, from_machine=False)

    def add(self, t_s: float, value: float) -> str:
        """Return the rule by which the reading trips, empty where it does not."""
        self.buffer.add(t_s, {DIE: Reading(value=value)})
        trip = self.motion.check(self.armed, value, 0, is_loaded=True)
        return "" if trip is None else trip.rule


def risen() -> Watch:
    """Return a die that stood at 30 °C for ten seconds and then showed 50 °C: more than 1 K/s over ten seconds."""
    watch = Watch(max_rate=1.0)
    for t_s in range(10):
        assert watch.add(float(t_s), 30.0) == ""
    assert watch.add(10.0, 50.0) == "rate"
    return watch


@pytest.mark.parametrize(("after_s", "rule"), [(0.5, ""), (4.9, ""), (5.0, "rate")])
def test_a_reading_that_has_not_changed_is_held_for_five_seconds_and_is_no_trend(after_s: float, rule: str) -> None:
    watch = risen()
    watch.motion.hold_readings(10.0)
    assert watch.add(10.0 + after_s, 50.0) == rule


def test_once_it_changed_it_is_held_no_more_though_it_comes_back() -> None:
    watch = risen()
    watch.motion.hold_readings(10.0)
    assert [watch.add(11.0, 50.0), watch.add(12.0, 50.0)] == ["", ""]
    assert [watch.add(13.0, 51.0), watch.add(14.0, 50.0)] == ["rate", "rate"]


def test_readings_from_before_a_dip_make_no_line_with_those_after_it() -> None:
    watch = Watch(maximum=96.0)
    watch.motion.begin_lines(0.0)
    assert [watch.add(float(t_s), 76.0 + t_s) for t_s in range(3, 9)] == [""] * 6
    watch.motion.load_dips(9.0, over=False)
    assert watch.add(9.0, 60.0) == ""
    watch.motion.load_dips(10.0, over=True)
    # With 83 and 84 °C before the dip it would come to 97 °C and more by the next sample.
    assert [watch.add(float(t_s), 95.0) for t_s in (10, 11, 12)] == ["", "", ""]


def test_what_a_sensor_still_shows_of_a_dip_is_no_trend_when_the_load_is_back() -> None:
    watch = risen()
    watch.motion.load_dips(10.0, over=True)
    assert [watch.add(float(t_s), 50.0) for t_s in (11, 12, 13, 14, 15)] == ["", "", "", "", "rate"]


def test_what_was_measured_in_a_dip_and_comes_after_it_makes_no_line_while_it_stands() -> None:
    # A sensor that is fresh every 4 s, sampled every 2 s; the machine stands at 70 °C all the time.
    watch = Watch(maximum=76.0)
    watch.motion.begin_lines(-60.0)
    assert [watch.add(float(t_s), 70.0) for t_s in range(-10, 1, 2)] == [""] * 6
    watch.motion.load_dips(0.0, over=False)
    assert watch.add(2.0, 71.0) == ""
    watch.motion.load_dips(3.5, over=True)
    after = {4: 52.0, 6: 52.0, 8: 70.0, 10: 70.0, 12: 71.0}
    assert [watch.add(float(t_s), value) for t_s, value in after.items()] == [""] * 5


def test_without_a_maximum_or_before_any_step_there_is_no_line() -> None:
    steep = [(float(t_s), 60.0 + 5.0 * t_s) for t_s in range(6)]
    without = Watch()
    without.motion.begin_lines(-10.0)
    assert [without.add(*one) for one in steep] == [""] * 6
    before = Watch(maximum=90.0)
    assert [before.add(*one) for one in steep] == [""] * 6
    stepped = Watch(maximum=90.0)
    stepped.motion.begin_lines(-10.0)
    assert [stepped.add(*one) for one in steep][-1] == "line"


def test_a_reading_that_is_back_where_it_was_has_not_risen() -> None:
    watch = Watch(maximum=86.0)
    watch.motion.begin_lines(-10.0)
    # Their mean is above the limit; one wild reading is no rise.
    assert [watch.add(float(t_s), value) for t_s, value in enumerate([80.0, 100.0, 80.0])] == [""] * 3
