"""One load by itself: what it is commanded and when, what steers it, and what it says of its work."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from tests.fakes import FakeLoad
from verifyrig.core.interfaces import LoadDemand, LoadStatus, Quality, Reading, WorkFault
from verifyrig.core.profile import Hold, LoadPattern, LoadPlan, WorkName
from verifyrig.rig.holding import Holding
from verifyrig.rig.load_counts import LoadCounts
from verifyrig.rig.load_driver import LoadDriver, demand_of, heating_of

STEADY = LoadPlan(work=WorkName.LINEAR_ALGEBRA, share=0.8)
PULSES = replace(STEADY, pattern=LoadPattern.PULSES, on_s=5.0, off_s=15.0, count=2)
CLIMB = replace(STEADY, pattern=LoadPattern.CLIMB)
EXTERNAL = replace(STEADY, work=WorkName.EXTERNAL)
HOLD = Hold(die_temp_c=60.0)
HELD = replace(STEADY, hold=HOLD)
COLD = {"die_temp_c": Reading(value=40.0)}


def driven(plan: LoadPlan, from_s: float = 100.0) -> tuple[LoadDriver, FakeLoad]:
    load = FakeLoad([])
    driver = LoadDriver(load, plan)
    driver.begin(from_s)
    return driver, load


def shares(load: FakeLoad) -> list[float]:
    return [entry[1] for entry in load.log if entry[0] == "share"]


# ---- commanded


def test_nothing_is_commanded_before_the_load_begins() -> None:
    load = FakeLoad([])
    driver = LoadDriver(load, STEADY)
    assert driver.share == 0.0 and load.log == []
    assert driver.begin(100.0) == 0.8 == driver.share and shares(load) == [0.8]


def test_a_driver_that_has_not_begun_counts_from_the_runs_begin() -> None:
    assert LoadDriver(FakeLoad([]), PULSES).next_step_s(0.0) == 5.0


@pytest.mark.parametrize(
    ("plan", "steady"),
    [(STEADY, True), (PULSES, False), (CLIMB, False), (HELD, False), (EXTERNAL, False)],
)
def test_only_a_share_that_the_program_keeps_must_be_answered(plan: LoadPlan, steady: bool) -> None:
    assert LoadDriver(FakeLoad([]), plan).steady is steady


def test_pulses_step_at_their_moments_and_between_them_nothing_is_commanded() -> None:
    driver, load = driven(PULSES)
    assert driver.next_step_s(100.0) == pytest.approx(105.0)
    assert driver.step(104.9) is None
    assert driver.step(driver.next_step_s(104.9)) == 0.0
    assert driver.next_step_s(105.0) == pytest.approx(120.0)
    assert driver.step(120.0) == 0.8 and driver.step(121.0) is None
    assert shares(load) == [0.8, 0.0, 0.8]
    # After the last pause there is nothing to come.
    assert driver.next_step_s(125.0) == math.inf
    assert driven(STEADY)[0].next_step_s(100.0) == math.inf


@pytest.mark.parametrize("off_by_s", [-1e-7, 0.0, 1e-7])
def test_rounding_leaves_no_old_share_on_and_asks_for_no_step_twice(off_by_s: float) -> None:
    driver, _ = driven(PULSES)
    assert driver.step(105.0 + off_by_s) == 0.0
    assert driver.next_step_s(105.0 + off_by_s) == pytest.approx(120.0)


def test_a_persons_load_is_only_marked() -> None:
    driver, load = driven(EXTERNAL)
    assert driver.external and driver.share == 0.0 and driver.begin(100.0) == 0.0
    assert driver.step(101.0) is None
    assert [driver.mark(), driver.share, driver.mark(), driver.share] == [0.8, 0.8, 0.0, 0.0]
    assert load.log == []


def test_a_climb_goes_where_it_was_decided_to() -> None:
    driver, load = driven(replace(CLIMB, hold=HOLD))
    assert driver.share == 0.0 and driver.holding is None
    driver.go_to(0.3, 105.0)
    assert driver.share == 0.3 and driver.step(106.0) is None
    driver.pause(107.0)
    assert driver.resume(109.0) == 0.3
    driver.hold_from_here()
    assert driver.holding is not None and driver.holding.share == 0.3
    assert shares(load) == [0.0, 0.3, 0.0, 0.3]
    driver, _ = driven(CLIMB)
    driver.hold_from_here()
    assert driver.holding is None


def test_a_pause_takes_the_load_away_and_its_plan_says_what_comes_back() -> None:
    driver, load = driven(PULSES)
    driver.pause(102.0)
    assert driver.share == 0.0 and driver.step(103.0) is None
    # The first pulse is over meanwhile.
    assert driver.resume(106.0) == 0.0
    assert driver.step(120.0) == 0.8
    driver.pause(121.0)
    assert driver.resume(122.0) == 0.8 == driver.share
    assert shares(load) == [0.8, 0.0, 0.0, 0.8, 0.0, 0.8]


def test_the_time_at_work_counts_from_the_command() -> None:
    driver, load = driven(STEADY)
    load.status = lambda: status_of(0.0)  # type: ignore[method-assign]
    driver.counts.take(100.0)
    driver.counts.take(109.9)
    assert driver.counts.lost is None
    driver.counts.take(110.0)
    assert driver.counts.lost is not None


# ---- steered


def test_a_held_load_begins_at_half_and_below_where_less_is_planned() -> None:
    assert driven(HELD)[0].share == 0.5
    assert driven(replace(HELD, share=0.3))[0].share == 0.3


def test_a_held_load_goes_where_the_reading_steers_it() -> None:
    driver, load = driven(HELD)
    assert driver.step(101.0) is None
    assert driver.steer(101.0, COLD) == 0.5
    risen = driver.steer(102.0, COLD)
    assert risen is not None and risen > 0.5 and risen == driver.share == load.share
    assert driven(STEADY)[0].steer(101.0, COLD) is None


def test_what_a_reading_shows_of_a_pause_moves_no_share() -> None:
    driver, load = driven(HELD)
    driver.steer(101.0, COLD)
    driver.pause(102.0)
    assert driver.steer(102.5, COLD) == 0.0
    assert driver.resume(103.0) == 0.5
    # A reading of power is up to two samples old, and one for luck: 3 s (common practice, no source).
    assert driver.steer(105.9, COLD) == 0.5 == load.share
    after = driver.steer(106.0, COLD)
    assert after is not None and after > 0.5


def test_the_hottest_of_several_dies_steers() -> None:
    hot = {**COLD, "die_2_temp_c": Reading(value=80.0)}
    holding = Holding(HOLD, 0.5)
    holding.update(1.0, hot)
    assert holding.update(2.0, hot) < 0.5
    holding = Holding(HOLD, 0.5)
    doubted = {**COLD, "die_2_temp_c": Reading(value=80.0, quality=Quality.STUCK)}
    holding.update(1.0, doubted)
    assert holding.update(2.0, doubted) > 0.5


@pytest.mark.parametrize(
    ("hold", "channel"),
    [
        (Hold(power_w=100.0), "package_power_w"),
        (Hold(die_temp_c=60.0), "die_temp_c"),
        (Hold(gpu_power_w=100.0), "gpu_power_w"),
        (Hold(gpu_temp_c=60.0), "gpu_temp_c"),
    ],
)
def test_each_target_is_steered_by_its_own_channel(hold: Hold, channel: str) -> None:
    def after(low: float) -> float:
        holding = Holding(hold, 0.5)
        names = ("package_power_w", "die_temp_c", "gpu_power_w", "gpu_temp_c")
        readings = {name: Reading(value=low if name == channel else 70.0) for name in names}
        holding.update(1.0, readings)
        return holding.update(2.0, readings)

    assert after(40.0) > 0.5 > after(140.0)


def test_a_power_is_steered_as_a_power() -> None:
    # Integral action alone, 0.25 of the error per second (loads/hold.py): 100 W asked, 50 W at half of the load.
    holding = Holding(Hold(power_w=100.0), 0.5)
    for t_s in (1.0, 2.0):
        share = holding.update(t_s, {"package_power_w": Reading(value=50.0)})
    assert share == pytest.approx(0.5 + 0.25 * 50.0 / 100.0)
    # A temperature: proportional and integral, 0.02 of the load a kelvin and 25 s.
    holding = Holding(HOLD, 0.5)
    for t_s in (1.0, 2.0):
        share = holding.update(t_s, COLD)
    assert share == pytest.approx(0.5 + 0.02 * 20.0 / 25.0)


@pytest.mark.parametrize("reading", [None, Reading(value=50.0, quality=Quality.STALE)])
def test_a_power_that_is_not_to_be_believed_moves_no_share_and_that_is_said_once(reading: Reading | None) -> None:
    holding = Holding(Hold(power_w=100.0), 0.5)
    readings = {} if reading is None else {"package_power_w": reading}
    said = []
    for t_s in range(30):
        assert holding.update(float(t_s), readings) == 0.5 == holding.share
        said.append(holding.newly_limited())
    (why,) = [one for one in said if one is not None]
    assert why.code == "hold-no-power"
    # Once it is read again nothing is wrong, and after another ten seconds of silence it is said anew.
    holding.update(30.0, {"package_power_w": Reading(value=50.0)})
    assert holding.newly_limited() is None
    holding.update(45.0, readings)
    assert holding.newly_limited() == why and holding.newly_limited() is None


# ---- asked for, and what it is of the whole


def test_what_is_brought_up_and_what_it_heats_follow_from_the_plan() -> None:
    quarter = replace(STEADY, workers="quarter", memory_share=0.3)
    assert demand_of(quarter) == LoadDemand(work="linear-algebra", workers="quarter", memory_share=0.3)
    assert heating_of(STEADY, 0.8) == {"die_temp_c": 0.8}
    assert heating_of(quarter, 0.8) == {"die_temp_c": pytest.approx(0.2)}
    both = replace(STEADY, work=WorkName.GPU_AND_PROCESSOR)
    assert heating_of(both, 0.5) == {"die_temp_c": 0.5, "gpu_temp_c": 0.5}


# ---- what it says of its work


def status_of(work: float, **more: int | bool | tuple[WorkFault, ...]) -> LoadStatus:
    status = LoadStatus(work_done=work, compute_errors=0, workers_wanted=2, workers_alive=2)
    return replace(status, **more)  # type: ignore[arg-type]


class Script(FakeLoad):
    """A load that reports by script."""

    def __init__(self, *found: LoadStatus) -> None:
        super().__init__([])
        self.found = list(found)

    def status(self) -> LoadStatus:
        return self.found.pop(0) if len(self.found) > 1 else self.found[0]


def test_the_rate_is_the_work_since_the_last_report() -> None:
    counts = LoadCounts(Script(status_of(1000.0), status_of(1060.0), status_of(1060.0), status_of(1100.0)))
    assert [counts.take(1.0), counts.take(4.0)] == [None, 20.0]
    # Two reports of one moment make no rate; the next one counts from the later.
    assert counts.take(4.0) is None and counts.take(6.0) == 20.0


def test_before_the_first_report_nothing_is_wrong() -> None:
    counts = LoadCounts(Script(status_of(0.0)))
    assert (counts.lost, counts.errors, counts.checks_done, counts.new_faults) == (None, 0, 0, [])


def test_errors_and_checks_are_those_of_the_last_report() -> None:
    fault = WorkFault(work="transform", core=0, t_s=1.0, detail="d")
    counts = LoadCounts(Script(status_of(1.0, compute_errors=3, checks_done=9, faults=(fault,)), status_of(2.0)))
    counts.take(1.0)
    assert (counts.errors, counts.checks_done, counts.new_faults) == (3, 9, [fault])
    counts.take(2.0)
    assert counts.new_faults == []


@pytest.mark.parametrize(("alive", "gone"), [(2, None), (1, 1), (0, 2)])
def test_a_worker_that_is_gone_is_a_lost_load(alive: int, gone: int | None) -> None:
    counts = LoadCounts(Script(status_of(1.0, workers_alive=alive)))
    counts.take(1.0)
    if gone is None:
        assert counts.lost is None
    else:
        assert counts.lost is not None and counts.lost.code == "workers-gone"
        assert dict(counts.lost.values) == {"gone": gone, "count": 2}


def idle_for(*commands: tuple[float, float], until_s: int = 14, **more: int | bool) -> list[bool]:
    """Return for each second whether the load is lost whose workers finish nothing, commanded at times (s, share)."""
    counts = LoadCounts(Script(status_of(5.0, **more)))
    lost, left = [], list(commands)
    for t_s in range(until_s + 1):
        while left and left[0][0] <= t_s:
            at_s, share = left.pop(0)
            counts.commanded(share, at_s)
        counts.take(float(t_s))
        lost.append(counts.lost is not None)
        if counts.lost is not None:
            assert counts.lost.code == "workers-idle" and float(str(dict(counts.lost.values)["time_s"])) >= 10.0
    return lost


def test_workers_that_finish_nothing_for_ten_seconds_at_work_are_a_lost_load() -> None:
    assert idle_for((0.0, 0.8)).index(True) == 10
    # It counts from the command, not from the sample after it.
    assert idle_for((0.5, 0.8)).index(True) == 11
    # From one pulse to the next what was without work adds up; the second in which a pulse ends is not counted.
    assert idle_for((0.0, 0.8), (4.5, 0.0), (7.0, 0.8), until_s=20).index(True) == 13
    # Another share while they are at work is no new begin.
    assert idle_for((0.0, 0.8), (5.0, 0.4)).index(True) == 10


@pytest.mark.parametrize("share", [0.0, 0.049])
def test_workers_that_have_next_to_no_share_need_finish_nothing(share: float) -> None:
    assert True not in idle_for((0.0, share))
    assert True in idle_for((0.0, 0.05))


def test_who_does_not_count_work_or_has_no_workers_is_not_called_idle() -> None:
    assert True not in idle_for((0.0, 0.8), counts_work=False)
    assert True not in idle_for((0.0, 0.8), workers_wanted=0, workers_alive=0)


def test_one_block_that_is_finished_begins_the_wait_anew() -> None:
    script = [status_of(5.0)] * 9 + [status_of(6.0)] * 12
    counts = LoadCounts(Script(*script))
    counts.commanded(0.8, 0.0)
    lost = []
    for t_s in range(20):
        counts.take(float(t_s))
        lost.append(counts.lost is not None)
    # The block came in the report at 9 s.
    assert lost.index(True) == 19
