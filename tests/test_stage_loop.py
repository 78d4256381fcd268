"""One stage at a time, by the loop itself: when it samples, beats and steps, and by what it ends."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import pytest

from tests.fakes import Face, FakeWriter, die_info
from tests.test_runner import Stand
from verifyrig.analysis import Forecast
from verifyrig.core.interfaces import Quality, Reading
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import Gate, LoadPattern, LoadPlan, Settle, Stage, StageKind, WorkName
from verifyrig.core.reason import reason
from verifyrig.rig.blind_time import BlindTime
from verifyrig.rig.dip_control import DipControl
from verifyrig.rig.interruptions import Interruptions
from verifyrig.rig.observer import Attention
from verifyrig.rig.parts import Parts
from verifyrig.rig.sampler import Sampler
from verifyrig.rig.stage_loop import StageLoop
from verifyrig.rig.stops import StopKind

SETTLE = Settle(channel="die_temp_c", within_k=1.0, slowest_time_constant_s=60.0)
GATE = Gate(channel="die_temp_c", max_c=50.0)
STEADY = LoadPlan(work=WorkName.LINEAR_ALGEBRA)
PULSES = replace(STEADY, pattern=LoadPattern.PULSES, on_s=2.5, off_s=7.5, count=2)

IDLE = Stage(name="idle", kind=StageKind.IDLE, max_duration_s=20.0)
LOAD = Stage(name="load", kind=StageKind.LOAD, max_duration_s=20.0, load=STEADY)
COOLDOWN = Stage(name="cooldown", kind=StageKind.COOLDOWN, max_duration_s=20.0)


class Forecasts:
    """What a stage's forecasts say, by script."""

    def __init__(self) -> None:
        self.known = False
        self.found: Mapping[str, Forecast] = {}
        self.begun: list[tuple[str, float]] = []
        self.updated: list[float] = []

    def begin(self, stage: Stage, t_s: float) -> None:
        self.begun.append((stage.name, t_s))

    def update(self, t_s: float) -> None:
        self.updated.append(t_s)

    def worst(self) -> None:
        return None


class ScriptedClimb:
    """A climb that goes by script: below its full share until told otherwise."""

    def __init__(self) -> None:
        self.is_below_full = False
        self.full_since_s: float | None = None
        self.told: list[tuple[Any, ...]] = []

    def from_s(self, start_s: float) -> float:
        return start_s if self.full_since_s is None else self.full_since_s

    def begin(self, stage: Stage, t_s: float) -> None:
        self.told.append(("begin", stage.name, t_s))

    def follow(self, t_s: float) -> None:
        self.told.append(("follow", t_s))

    def time_is_up(self, t_s: float) -> None:
        self.told.append(("time is up", t_s))

    def end(self, ended: StageEnd) -> None:
        self.told.append(("end", ended))


class Looks(DipControl):
    """Wants one look at those who are asked, between two samples."""

    def __init__(self, stand: Stand, parts: Parts, at_s: float) -> None:
        super().__init__(stand.rig, parts)
        self.at_s, self.parts = at_s, parts
        self.looked: list[float] = []

    @property
    def next_look_s(self) -> float:
        return self.at_s

    def look(self) -> None:
        if self.parts.schedule.t_s >= self.at_s:
            self.looked.append(self.parts.schedule.t_s)
            self.at_s = math.inf


class Loop:
    """A stage loop on a rig of fakes; the forecasts, the climb and the moment of a dip's look go by script."""

    def __init__(
        self, stage: Stage, die: Callable[[float, float], Reading | float] | float = 30.0, *, blind_s: float = 0.0
    ) -> None:
        self.stand = Stand(die if callable(die) else lambda t_s, share: die)
        self.face = Face()
        plan = replace(self.stand.plan, stages=(stage,), blind_load_s=blind_s or None)
        self.stand.rig = replace(self.stand.rig, profile=plan, observer=self.face, blind=blind_s > 0)
        self.stage = stage
        self.parts = Parts(self.stand.rig)
        self.forecasts = Forecasts()
        self.climb = ScriptedClimb()
        self.dips = Looks(self.stand, self.parts, math.inf)
        between = Interruptions(self.stand.rig, self.parts)
        sampler = Sampler(self.stand.rig, self.parts, between, self.dips)
        sampler.forecasts = self.forecasts  # type: ignore[assignment]
        self.loop = StageLoop(self.stand.rig, self.parts, between, self.dips, sampler, BlindTime(plan))
        self.loop._climbing = self.climb  # type: ignore[assignment]

    @property
    def writer(self) -> FakeWriter:
        return self.stand.writer

    @property
    def t_s(self) -> float:
        return self.parts.schedule.t_s

    def let_pass(self, seconds_s: float) -> None:
        """Let the run be so old, with its last sample a second ago."""
        if seconds_s:
            self.stand.clock.t += seconds_s
            self.parts.schedule.advance(self.stand.clock.t - 1.0)

    def run(self, start_s: float = 0.0) -> tuple[StageEnd, float]:
        """Run the stage, its load up, from a time of the run on; return how it ended, and how long it took, s."""
        self.let_pass(start_s)
        if self.stage.load is not None:
            self.parts.load.come_up(self.stage.load, self.stand.controls.wake, 5.0)
            assert self.parts.load.is_up() and self.parts.load.take_over() is None
            self.stand.controls.wake.clear()
        ended = self.loop.run(self.stage, start_s)
        return ended, round(self.t_s - start_s, 6)

    def at(self, when_s: float, do: Callable[[], object]) -> None:
        """Do something once, while the sample at this time of the run is taken."""
        sample, done = self.stand.bank.sample, list[object]()

        def look(now_s: float, *, load_share: float) -> dict[str, Reading]:
            if now_s - 1000.0 >= when_s - 1e-6 and not done:
                done.append(do())
            return sample(now_s, load_share=load_share)

        self.stand.bank.sample = look  # type: ignore[method-assign]

    def sampled_s(self) -> list[float]:
        return [round(t_s, 6) for t_s, _ in self.writer.rows]

    def events(self, kind: str) -> list[tuple[float, dict[str, Any]]]:
        return [(round(t_s, 6), detail) for t_s, name, detail in self.writer.events if name == kind]

    def shares(self) -> list[tuple[float, float]]:
        return [(t_s, detail["share"]) for t_s, detail in self.events("load")]


def seconds(first: int, last: int) -> list[float]:
    return [float(t_s) for t_s in range(first, last + 1)]


# ---- when it samples, beats and steps


@pytest.mark.parametrize("start_s", [0.0, 40.0])
def test_a_stage_lasts_its_time_to_the_instant_and_is_sampled_each_second(start_s: float) -> None:
    loop = Loop(IDLE)
    assert loop.run(start_s) == (StageEnd.TIME, 20.0)
    assert loop.sampled_s() == seconds(int(start_s), int(start_s) + 20)


def test_each_sample_carries_the_forecasts_and_the_climb_on_and_the_climb_hears_how_it_ended() -> None:
    loop = Loop(LOAD)
    loop.run()
    assert loop.forecasts.begun == [("load", 0.0)]
    assert loop.forecasts.updated == pytest.approx(seconds(0, 20))
    follows = [one[1] for one in loop.climb.told[1:-1]]
    assert (loop.climb.told[0], loop.climb.told[-1]) == (("begin", "load", 0.0), ("end", StageEnd.TIME))
    assert follows == pytest.approx(seconds(0, 20))


def test_a_steps_of_a_pattern_are_commanded_at_their_moments_and_not_with_the_next_sample() -> None:
    loop = Loop(replace(LOAD, load=PULSES))
    loop.run()
    assert loop.shares() == [(0.0, 1.0), (2.5, 0.0), (10.0, 1.0), (12.5, 0.0)]
    assert 2.5 not in loop.sampled_s()


def test_a_pulse_that_would_begin_with_the_stages_end_does_not_flash_up() -> None:
    loop = Loop(replace(LOAD, load=PULSES, max_duration_s=10.0))
    assert loop.run() == (StageEnd.TIME, 10.0)
    assert loop.shares() == [(0.0, 1.0), (2.5, 0.0)]


def test_those_whom_a_dip_asks_are_looked_at_between_two_samples() -> None:
    loop = Loop(IDLE)
    loop.dips.at_s = 3.25
    loop.run()
    assert loop.dips.looked == pytest.approx([3.25]) and 3.25 not in loop.sampled_s()


def test_a_wait_ends_to_the_instant_with_a_heartbeat_every_04_s() -> None:
    loop = Loop(IDLE)
    loop.loop.wait_until(1002.0)
    assert loop.stand.clock.t == pytest.approx(1002.0, abs=1e-8)
    assert loop.stand.log == [("beat",)] * 5


def test_a_wait_for_what_is_past_costs_no_time_and_whoever_wants_something_ends_one() -> None:
    loop = Loop(IDLE)
    loop.loop.wait_until(999.0)
    loop.stand.controls.wake.set()
    loop.loop.wait_until(1002.0)
    assert loop.stand.clock.t == 1000.0 and loop.stand.log == []


def test_a_read_that_hangs_is_noticed_between_two_samples() -> None:
    loop = Loop(IDLE)
    loop.stand.bank.hanging = lambda: ("die_temp_c",) if loop.t_s > 4.5 else ()  # type: ignore[method-assign]
    loop.run()
    ((t_s, detail),) = loop.events("read-hangs")
    assert 4.5 < t_s < 5.0 and detail == {"channels": ["die_temp_c"]}


def test_a_disk_that_falls_behind_is_noticed_with_the_next_sample() -> None:
    loop = Loop(LOAD)
    loop.at(5.0, lambda: setattr(loop.writer, "lag", 6.0))
    assert loop.run() == (StageEnd.STOPPED, 5.0)
    assert [why.code for why in loop.parts.stops.for_safety] == ["record-behind"]


# ---- after a stop


@pytest.mark.parametrize("since_s", [0.0, 5.0])
def test_after_a_stop_a_minute_is_recorded_and_no_more(since_s: float) -> None:
    loop = Loop(IDLE)
    loop.let_pass(since_s)
    loop.loop.record_after_stop(IDLE)
    assert loop.sampled_s() == seconds(int(since_s), int(since_s) + 60)


def test_in_that_minute_people_are_obeyed_and_may_end_it() -> None:
    loop = Loop(IDLE)
    loop.at(5.0, lambda: loop.stand.controls.keys.append("c"))
    loop.at(10.0, lambda: loop.stand.controls.quit("operator"))
    loop.loop.record_after_stop(IDLE)
    assert loop.sampled_s() == seconds(0, 10)
    assert loop.events("finding") == [(5.0, {"text": "radiator=cold"})]


# ---- by what it ends


def test_whoever_asks_for_the_end_gets_it_at_once() -> None:
    loop = Loop(IDLE)
    loop.at(7.0, lambda: loop.stand.controls.quit("operator"))
    assert loop.run() == (StageEnd.INTERRUPTED, 7.0)


@pytest.mark.parametrize("stage", [IDLE, COOLDOWN])
def test_a_record_that_fails_ends_every_stage(stage: Stage) -> None:
    loop = Loop(stage)
    loop.writer.fail_at = 5
    assert loop.run() == (StageEnd.STOPPED, 5.0)


@pytest.mark.parametrize(
    ("stage", "ends"),
    [(IDLE, (StageEnd.TRIPPED, 5.0)), (LOAD, (StageEnd.TRIPPED, 5.0)), (COOLDOWN, (StageEnd.TIME, 20.0))],
)
def test_a_trip_ends_every_stage_but_the_cooldown(stage: Stage, ends: tuple[StageEnd, float]) -> None:
    loop = Loop(stage, lambda t_s, share: 95.0 if t_s >= 5.0 else 80.0)
    assert loop.run() == ends and loop.parts.stops.tripped


@pytest.mark.parametrize(("stage", "ends"), [(IDLE, (StageEnd.TIME, 20.0)), (LOAD, (StageEnd.STOPPED, 5.0))])
def test_a_stop_for_safety_ends_a_load_and_no_stage_without_one(stage: Stage, ends: tuple[StageEnd, float]) -> None:
    loop = Loop(stage)
    loop.at(5.0, lambda: loop.parts.stops.add(StopKind.NOBODY_PRESENT, reason("nobody-present")))
    assert loop.run() == ends


@pytest.mark.parametrize(("stage", "lasts_s"), [(IDLE, 7.0), (COOLDOWN, 7.0), (LOAD, 20.0)])
def test_nobody_wants_more_of_a_stage_without_load(stage: Stage, lasts_s: float) -> None:
    loop = Loop(stage)
    loop.at(7.0, loop.stand.controls.press_enough)
    assert loop.run() == (StageEnd.TIME, lasts_s)


def test_a_stage_whose_end_is_known_lasts_its_least_time() -> None:
    for start_s in (0.0, 40.0):
        loop = Loop(replace(IDLE, settle=SETTLE, min_duration_s=10.0))
        loop.forecasts.known = True
        assert loop.run(start_s) == (StageEnd.SETTLED, 10.0)


def test_the_least_time_of_a_climb_counts_from_its_full_share() -> None:
    loop = Loop(replace(LOAD, settle=SETTLE, min_duration_s=5.0))
    loop.forecasts.known, loop.climb.full_since_s = True, 12.0
    assert loop.run() == (StageEnd.SETTLED, 17.0)


def test_no_stage_settles_that_has_no_condition_to_or_whose_end_is_not_known_or_whose_climb_goes_on() -> None:
    without, unknown, below = (Loop(replace(LOAD, settle=settle)) for settle in (None, SETTLE, SETTLE))
    without.forecasts.known = below.forecasts.known = below.climb.is_below_full = True
    assert without.run() == unknown.run() == (StageEnd.TIME, 20.0)
    # A climb that never came to its full share proved nothing.
    assert below.run() == (StageEnd.STOPPED, 20.0)
    assert ("time is up", pytest.approx(20.0)) in below.climb.told
    assert not any(one[0] == "time is up" for one in without.climb.told)


def test_a_pattern_is_over_with_its_last_pause_or_with_the_stages_time() -> None:
    assert Loop(replace(LOAD, load=PULSES, max_duration_s=None)).run() == (StageEnd.TIME, 20.0)
    assert Loop(replace(LOAD, load=PULSES, max_duration_s=15.0)).run() == (StageEnd.TIME, 15.0)


def test_a_load_that_nobody_sees_is_on_no_longer_than_the_profile_allows() -> None:
    assert Loop(LOAD, blind_s=10.0).run() == (StageEnd.TIME, 10.0)
    # No load, no bound.
    assert Loop(COOLDOWN, blind_s=10.0).run() == (StageEnd.TIME, 20.0)


def test_behind_a_closed_gate_a_minute_of_cooldown_is_enough() -> None:
    long = replace(COOLDOWN, max_duration_s=100.0)
    assert Loop(long).run() == (StageEnd.TIME, 100.0)
    loop = Loop(long)
    loop.parts.stops.add(StopKind.GATE, reason("gate-closed", stage="idle", channel="die_temp_c", why=()))
    assert loop.run() == (StageEnd.TIME, 60.0)


# ---- the gate


def test_a_reading_above_the_gate_closes_it_and_the_machine_is_to_be_switched_off() -> None:
    loop = Loop(replace(IDLE, gate=GATE), lambda t_s, share: 55.0 if t_s >= 5.0 else 45.0)
    assert loop.run() == (StageEnd.GATE, 5.0)
    ((t_s, detail),) = loop.events("gate-closed")
    why = detail.pop("reason")
    assert why["code"] == "is-too-hot" and "55" in detail.pop("why")
    assert (t_s, detail) == (5.0, {"stage": "idle", "channel": "die_temp_c", "value": 55.0, "limit": 50.0})
    assert loop.parts.stops.happened(StopKind.GATE) and loop.face.calls == [Attention.GATE]
    ((said, loud),) = loop.face.said
    assert loud and "die_temp_c" in said and "Switch the machine off now" in said


def test_a_gate_that_nobody_answers_is_closed_and_nothing_says_that_the_machine_is_hot() -> None:
    gone = Reading(value=None, quality=Quality.MISSING)
    loop = Loop(replace(IDLE, gate=GATE), lambda t_s, share: gone)
    # The trip limit of the same die comes as soon; here only the gate is looked at.
    loop.stand.rig = replace(loop.stand.rig, armed=())
    loop.parts.guard.check = lambda now_s, stage: None  # type: ignore[method-assign]
    ended, _ = loop.run()
    assert ended is StageEnd.GATE
    ((said, loud),) = loop.face.said
    assert loud and "Switch the machine off" not in said


def test_a_die_that_nobody_can_read_closes_no_gate() -> None:
    loop = Loop(replace(IDLE, gate=GATE))
    loop.stand.bank.infos = {
        "die_temp_c": die_info(), "die_2_temp_c": replace(die_info(unreadable="denied"), channel="die_2_temp_c"),
    }  # fmt: skip
    assert loop.run() == (StageEnd.TIME, 20.0)


def forecast_of(settles_at_c: float, u95_k: float) -> dict[str, Forecast]:
    one = Forecast(settles_at_c=settles_at_c, u95_k=u95_k, known=True, remaining_s=0.0, slow=False)
    return {"die_temp_c": one}


@pytest.mark.parametrize("known", [True, False])
def test_at_the_end_of_a_stage_its_forecast_itself_must_lie_below_the_gate(known: bool) -> None:
    # 55 °C ± 10 K: before the end that closes nothing, since it may well be 45 °C.
    loop = Loop(replace(IDLE, gate=GATE, settle=SETTLE, min_duration_s=10.0))
    loop.forecasts.known, loop.forecasts.found = known, forecast_of(55.0, 10.0)
    assert loop.run() == (StageEnd.GATE, 10.0 if known else 20.0)
    ((_, detail),) = loop.events("gate-closed")
    assert (detail["reason"]["code"], detail["value"]) == ("will-be-too-hot", 55.0)


@pytest.mark.parametrize("before", ["stop", "trip"])
def test_a_run_that_was_stopped_already_closes_no_gate(before: str) -> None:
    # In a cooldown a trip ends nothing; the gate would.
    loop = Loop(replace(COOLDOWN, gate=GATE), 55.0)
    if before == "stop":
        loop.parts.stops.add(StopKind.NOBODY_PRESENT, reason("nobody-present"))
    else:
        loop.parts.stops.trip = {
            "rule": "max", "channel": "die_temp_c", "value": 95.0, "limit": 90.0, "stage": "load", "t_s": 0.0,
            "load_off_s": 0.0,
        }  # fmt: skip
    assert loop.run() == (StageEnd.TIME, 20.0)
    assert loop.events("gate-closed") == [] and loop.face.calls == []
