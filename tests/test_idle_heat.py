"""After a trip or a closed gate: a machine that stays hot, or still warms up with no load, is to be switched off."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import pytest

from verifyrig.core.interfaces import Quality, Reading
from verifyrig.rig.idle_heat import IdleHeat
from verifyrig.rig.run_buffer import RunBuffer

DIE, LIMIT_C = "die_temp_c", 92.0


class Watch:
    """A watch and the samples that it reads."""

    def __init__(self, limits_c: Mapping[str, float]) -> None:
        self.buffer = RunBuffer()
        self._heat = IdleHeat(self.buffer, limits_c)

    def take(self, t_s: float, readings: Mapping[str, Reading]) -> str:
        self.buffer.add(t_s, readings)
        why = self._heat.why_switch_off()
        return "" if why is None else str(why)


def said_at(value_c: Callable[[float], float], seconds: int, *, channel: str = DIE) -> list[float]:
    """Return when it was said to switch off, s, on readings a second apart."""
    watch = Watch({channel: LIMIT_C})
    return [
        float(t_s) for t_s in range(seconds) if watch.take(float(t_s), {channel: Reading(value=value_c(float(t_s)))})
    ]


def test_a_machine_at_its_limit_is_to_be_switched_off_at_once() -> None:
    assert said_at(lambda t: LIMIT_C, 1) == [0.0]
    assert said_at(lambda t: LIMIT_C - 0.1, 300) == []


def test_it_is_said_once_a_minute_and_no_more_often() -> None:
    assert said_at(lambda t: 95.0, 200) == [0.0, 60.0, 120.0, 180.0]


def test_a_rise_with_no_load_is_reported_after_a_third_of_a_minute() -> None:
    # 3 K in a minute: 1.05 K after 21 s, 1.5 K after 30 s.
    (first, *_) = said_at(lambda t: 50.0 + 3.0 * t / 60, 60)
    assert first == pytest.approx(30.0, abs=1.0)
    # 12 K in a minute: 1.5 K are there after 8 s, but a look of less than 20 s is too short to call it a rise.
    (first, *_) = said_at(lambda t: 50.0 + 12.0 * t / 60, 60)
    assert first == pytest.approx(21.0, abs=1.0)


def test_a_rise_below_a_kelvin_and_a_half_in_half_a_minute_is_the_air_and_no_fault() -> None:
    assert said_at(lambda t: 50.0 + 2.8 * t / 60, 600) == []


def test_a_machine_that_cools_or_stands_is_left_alone() -> None:
    assert said_at(lambda t: 85.0 - 0.2 * t, 300) == []
    assert said_at(lambda t: 85.0, 300) == []


def test_only_the_last_half_minute_counts() -> None:
    # It cools by 20 K and then warms up by 1.2 K: less than where it began, and less than 1.5 K in the last 30 s.
    assert said_at(lambda t: 80.0 - t if t < 20 else 60.0 + 0.03 * (t - 20), 60) == []
    # A step of 1.6 K within the last half minute is a rise, however hot it was before.
    assert said_at(lambda t: 90.0 - t if t < 30 else 60.0 + 0.06 * (t - 30), 80) != []


@pytest.mark.parametrize(
    "reading", [Reading(value=99.0, quality=Quality.STALE), Reading(value=None, quality=Quality.MISSING)]
)
def test_what_is_not_to_be_believed_says_nothing(reading: Reading) -> None:
    watch = Watch({DIE: LIMIT_C})
    assert [watch.take(float(t), {DIE: reading}) for t in range(90)] == [""] * 90
    assert watch.take(90.0, {}) == ""


def test_a_speed_has_a_limit_and_no_heat() -> None:
    assert said_at(lambda t: 3000.0, 90, channel="pump_speed_rpm") == []


def test_each_temperature_is_watched_by_its_own_limit_and_past() -> None:
    watch = Watch({DIE: LIMIT_C, "vrm_temp_c": 110.0})
    said = []
    for t_s in range(60):
        readings = {DIE: Reading(value=60.0), "vrm_temp_c": Reading(value=100.0 + 0.1 * t_s)}
        said += [why for why in [watch.take(float(t_s), readings)] if why]
    assert len(said) == 1 and said[0].startswith("vrm_temp_c")


def test_the_reason_names_channel_and_temperature() -> None:
    hot = Watch({DIE: LIMIT_C}).take(0.0, {DIE: Reading(value=95.4)})
    assert DIE in hot and "95 °C" in hot


def test_what_the_load_did_before_is_no_rise_at_idle() -> None:
    # Under the load it rose by 40 K; since it is off it stands. Only samples since the first question count.
    watch = Watch({DIE: LIMIT_C})
    for t_s in range(40):
        watch.buffer.add(float(t_s), {DIE: Reading(value=40.0 + t_s)})
    assert [watch.take(40.0 + t_s, {DIE: Reading(value=80.0)}) for t_s in range(60)] == [""] * 60


def test_the_last_sample_under_load_is_none_of_idle() -> None:
    watch = Watch({DIE: LIMIT_C})
    watch.buffer.add(0.0, {DIE: Reading(value=60.0)})
    assert [watch.take(1.0 + t_s, {DIE: Reading(value=80.0)}) for t_s in range(25)] == [""] * 25


@pytest.mark.parametrize("began_s", [0, 1000])
def test_a_rise_is_one_once_it_was_looked_at_for_more_than_twenty_seconds(began_s: int) -> None:
    watch = Watch({DIE: LIMIT_C})
    said = [t_s for t_s in range(40) if watch.take(float(began_s + t_s), {DIE: Reading(value=50.0 + t_s / 5)})]
    assert said == [21]
