"""What comes between two samples, by itself: people, signals, a danger, a silent link, a read that hangs, the disk."""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from typing import Any, cast

import pytest

from tests.fakes import PROFILE, Face
from tests.test_runner import EXTERNAL_PLAN, Stand, sound
from verifyrig.core.errors import RecordError
from verifyrig.core.interfaces import DangerNotice, LoadEndedBy
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import Stage
from verifyrig.rig import interruptions
from verifyrig.rig.interruptions import Interruptions
from verifyrig.rig.observer import Attention
from verifyrig.rig.parts import Parts
from verifyrig.rig.stops import StopKind

ASKING = PROFILE.replace('title = "A short plan for tests"', 'title = "t"\nask_presence_every_s = 60')
LEAK = DangerNotice(code="leak", noted="leak=seen", what="a leak", do="Switch it off.")


class BenchComputer:
    """A second computer by hand: what it says of the link, and how often it heard that the load is off."""

    def __init__(self, *acts: str) -> None:
        self.acts = list(acts)
        self.ended = 0

    def news(self) -> list[dict[str, str]]:
        told, self.acts = self.acts, []
        return [{"act": act} for act in told]

    def load_ended(self) -> None:
        self.ended += 1


class Between:
    """A run that stands still, a load up or not, and what comes to it from outside."""

    def __init__(self, text: str = PROFILE, *, load: bool = False, second: BenchComputer | None = None) -> None:
        self.stand = Stand(sound, text)
        self.face = Face()
        self.stand.rig = replace(self.stand.rig, observer=self.face, second=cast(Any, second))
        self.controls = self.stand.controls
        self.parts = Parts(self.stand.rig)
        self.it = Interruptions(self.stand.rig, self.parts)
        self.idle, self.loaded = self.stage("idle"), self.stage("load")
        if load:
            plan = self.loaded.load
            assert plan is not None
            self.parts.load.come_up(plan, threading.Event(), 30.0)
            assert self.parts.load.is_up() and self.parts.load.take_over() is None
            self.parts.load.begin(0.0)

    def stage(self, name: str) -> Stage:
        found = self.stand.plan.stage(name)
        assert isinstance(found, Stage)
        return found

    def hang(self, *channels: str) -> None:
        self.stand.bank.hanging = lambda: channels  # type: ignore[method-assign]

    def after(self, seconds_s: float) -> Between:
        self.stand.clock.t += seconds_s
        return self

    @property
    def is_on(self) -> bool:
        return self.stand.load.share > 0.0

    def stopped(self) -> list[str]:
        """The codes of what stopped the run for safety."""
        return [why.code for why in self.parts.stops.for_safety]

    def events(self, kind: str) -> list[dict[str, Any]]:
        return [detail for _, name, detail in self.stand.writer.events if name == kind]


# ---- asked for


@pytest.mark.parametrize("load", [True, False])
def test_where_nobody_wants_anything_all_goes_on(load: bool) -> None:
    run = Between(load=load)
    run.controls.wake.set()
    assert run.it.obey(run.loaded) is None and run.it.obey(run.idle) is None
    assert not run.controls.wake.is_set() and run.is_on is load
    assert not run.face.said and not run.face.calls and not run.parts.stops.no_more_load


def test_a_danger_ends_load_and_run_whatever_the_stage_and_is_told_once() -> None:
    run = Between(load=True)
    run.controls.warn_of(LEAK)
    assert run.it.obey(run.loaded) is StageEnd.STOPPED and not run.is_on
    assert run.it.obey(run.idle) is StageEnd.STOPPED
    assert run.stopped() == ["danger-noted"] and run.parts.stops.happened(StopKind.DANGER)
    assert run.events("danger") == [{"code": "leak", "noted": "leak=seen"}]
    assert run.face.said[-1] == ("Switch it off.", True) and [text for text, _ in run.face.said].count(LEAK.do) == 1


@pytest.mark.parametrize(
    ("by", "code", "said"),
    [
        (LoadEndedBy.KEYBOARD, "space-bar", []),
        (LoadEndedBy.BENCH_COMPUTER, "ended-from-bench-computer", [True]),
    ],
)
def test_who_ends_the_load_ends_it_once_and_the_stage_that_is_nothing_without_it(
    by: LoadEndedBy, code: str, said: list[bool]
) -> None:
    second = BenchComputer()
    run = Between(load=True, second=second)
    run.controls.press_end_load(by)
    assert run.it.obey(run.loaded) is StageEnd.INTERRUPTED and not run.is_on
    assert run.it.obey(run.idle) is None
    (noted,) = run.events("operator")
    assert noted["reason"]["code"] == code and second.ended == 1 and run.stopped() == []
    interrupted = run.parts.stops.interrupted
    kinds = {"space-bar": StopKind.SPACE_BAR, "ended-from-bench-computer": StopKind.BENCH_COMPUTER}
    assert interrupted is not None and (interrupted.kind, interrupted.why.code) == (kinds[code], code)
    assert [loud for _, loud in run.face.said] == said
    if said:
        assert run.face.said[0][0] == f"{noted['why'][0].upper()}{noted['why'][1:]}."


def test_the_end_of_a_load_needs_no_bench_computer_and_an_idle_stage_goes_on() -> None:
    run = Between()
    run.controls.press_end_load()
    assert run.it.obey(run.idle) is None and len(run.events("operator")) == 1


@pytest.mark.parametrize("load", [True, False])
def test_a_silent_link_ends_a_load_that_is_to_obey_it_and_nothing_else(load: bool) -> None:
    run = Between(load=load)
    run.controls.link_silent = True
    assert run.it.obey(run.loaded) is (StageEnd.INTERRUPTED if load else None)
    assert run.stopped() == (["link-silent"] if load else []) and not run.is_on
    assert run.it.obey(run.idle) is None and len(run.stopped()) == load


def test_a_link_that_is_silent_ends_a_load_once_though_it_does_not_end() -> None:
    run = Between(load=True)
    run.controls.link_silent = True
    run.parts.load.end = lambda t_s: 0.001  # type: ignore[method-assign]
    assert run.it.obey(run.loaded) is StageEnd.INTERRUPTED
    assert run.it.obey(run.loaded) is None and run.stopped() == ["link-silent"]


@pytest.mark.parametrize("asked", ["operator", "terminated", "hangup"])
def test_whoever_ends_the_run_ends_its_load_first_and_any_stage(asked: str) -> None:
    run = Between(load=True)
    run.controls.quit(asked)
    assert run.it.obey(run.idle) is StageEnd.INTERRUPTED and not run.is_on
    assert run.stand.log[-1] == ("stop",) and run.stopped() == []


# ---- keys


def test_keys_are_taken_once_and_each_finding_is_noted_once() -> None:
    run = Between()
    run.controls.keys += ["c", "c", "x", "g"]
    run.it.obey(run.idle)
    assert run.controls.keys == []
    run.it.obey(run.idle)
    assert run.events("finding") == [{"text": "radiator=cold"}, {"text": "noise=gurgle"}]
    assert run.face.said == [("Noted: radiator=cold, noise=gurgle.", False)]


@pytest.mark.parametrize(("times", "share"), [(1, 1.0), (2, 0.0), (3, 1.0)])
def test_a_persons_load_is_marked_by_l_and_a_second_l_takes_it_back(times: int, share: float) -> None:
    run = Between(EXTERNAL_PLAN, load=True)
    run.controls.keys += ["l"] * times
    run.it.obey(run.loaded)
    assert run.parts.load.share == share
    assert run.events("load") == ([{"share": 1.0}] if share else [])


def test_l_means_nothing_where_the_program_runs_the_load_or_none_is_on() -> None:
    for run in (Between(load=True), Between()):
        before = run.parts.load.share
        run.controls.keys.append("l")
        run.it.obey(run.loaded)
        assert run.parts.load.share == before and run.events("load")[1:] == []


def test_l_answers_an_order_to_switch_off_before_it_marks_anything() -> None:
    run = Between(EXTERNAL_PLAN, load=True)
    driver = run.parts.load.driver
    assert driver is not None
    run.parts.person.order_off(0.0, 1.0)
    run.it.obey(run.loaded)
    assert run.parts.person.order.stands
    run.controls.keys += ["l", "l"]
    run.it.obey(run.loaded)
    assert not run.parts.person.order.stands and driver.share == 0.0
    assert [detail["seen"] for detail in run.events("load")] == ["person"]


# ---- who is here


def test_who_is_here_is_asked_under_load_alone_and_where_the_profile_wants_it() -> None:
    assert Between(load=True).it.until_question_s() is None
    assert Between(ASKING).it.until_question_s() is None
    run = Between(ASKING, load=True)
    assert run.it.until_question_s() == 60.0
    assert run.after(25.0).it.until_question_s() == 35.0
    assert run.after(45.0).it.until_question_s() == 0.0


def test_the_question_comes_once_with_its_time_and_whoever_answers_is_asked_again_later() -> None:
    run = Between(ASKING, load=True)
    assert run.after(59.9).it.obey(run.loaded) is None and run.face.said == []
    assert run.after(0.1).it.obey(run.loaded) is None
    ((text, loud),) = run.face.said
    assert loud and text.startswith("Who is here?") and run.face.calls == [Attention.QUESTION]
    assert run.after(1.0).it.obey(run.loaded) is None and len(run.face.said) == 1
    run.controls.keys.append("p")
    assert run.after(1.0).it.obey(run.loaded) is None
    assert run.face.calls == [Attention.QUESTION, None] and run.it.until_question_s() == 60.0
    assert run.after(118.0).it.obey(run.loaded) is None and run.is_on


@pytest.mark.parametrize(("late_s", "ends"), [(59.9, False), (60.0, True)])
def test_whoever_does_not_answer_within_a_minute_loses_the_load(late_s: float, ends: bool) -> None:
    run = Between(ASKING, load=True).after(60.0 + late_s)
    assert run.it.obey(run.loaded) is (StageEnd.INTERRUPTED if ends else None)
    assert run.stopped() == (["nobody-present"] if ends else []) and run.is_on is not ends
    # An idle stage needs nobody.
    again = Between(ASKING, load=True).after(60.0 + late_s)
    assert again.it.obey(again.idle) is None and again.is_on is not ends


def test_without_a_question_the_time_since_an_answer_counts_from_now() -> None:
    for text, load in ((PROFILE, True), (ASKING, False)):
        run = Between(text, load=load).after(600.0)
        assert run.it.obey(run.loaded) is None and run.stopped() == [] and run.face.said == []


# ---- the link, the disk, sleep, a read that hangs


def test_what_happens_to_the_link_is_noted_and_said_and_ends_nothing() -> None:
    run = Between(load=True, second=BenchComputer("linked", "lost", "resent", "back"))
    run.it.watch_link()
    run.it.watch_link()
    assert [detail["act"] for detail in run.events("bench-computer")] == ["linked", "lost", "resent", "back"]
    assert [text.split(" bench ")[0] for text, _ in run.face.said] == ["The", "The link to the", "The link to the"]
    assert run.is_on
    Between().it.watch_link()


@pytest.mark.parametrize(("lag_s", "stops"), [(5.0, 0), (5.1, 1)])
def test_a_disk_more_than_five_seconds_behind_ends_the_load_once(lag_s: float, stops: int) -> None:
    run = Between(load=True)
    run.stand.writer.lag = lag_s
    run.it.watch_disk()
    run.it.watch_disk()
    assert run.stopped() == ["record-behind"] * stops and run.is_on is not bool(stops)


def test_a_disk_that_falls_behind_after_a_trip_is_no_second_stop() -> None:
    run = Between()
    run.parts.stops.trip = {
        "rule": "max", "channel": "die_temp_c", "value": 95.0, "limit": 90.0, "stage": "load", "t_s": 0.0,
        "load_off_s": 0.0,
    }  # fmt: skip
    run.stand.writer.lag = 9.0
    run.it.watch_disk()
    assert run.stopped() == []


def test_a_record_that_fails_ends_the_load() -> None:
    run = Between(load=True)
    run.parts.notes.on_failure(RecordError("no room left", where="record", mend="Make room.", cause="disk is full"))
    assert run.stopped() == ["record-not-writable"] and not run.is_on


@pytest.mark.parametrize(("slept_s", "ends"), [(1.0, False), (1.5, True)])
def test_a_system_that_slept_ends_the_load_once_and_says_how_long(
    monkeypatch: pytest.MonkeyPatch, slept_s: float, ends: bool
) -> None:
    asleep_s = [100.0]
    monkeypatch.setattr(interruptions, "_suspended_s", lambda: asleep_s[0])
    run = Between(load=True)
    asleep_s[0] += slept_s
    run.it.watch_suspend()
    asleep_s[0] += 7.0 if ends else 0.0
    run.it.watch_suspend()
    assert run.events("suspend") == ([{"slept_s": slept_s}] if ends else [])
    assert run.is_on is not ends
    assert run.it.obey(run.idle) is (StageEnd.INTERRUPTED if ends else None)


def test_how_long_the_system_slept_is_what_one_clock_counts_and_the_other_does_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # clock_gettime(2): CLOCK_BOOTTIME is CLOCK_MONOTONIC with the time that the system is suspended.
    monkeypatch.setattr(time, "clock_gettime", lambda clock: 150.0)
    monkeypatch.setattr(time, "monotonic", lambda: 120.0)
    assert interruptions._suspended_s() == 30.0
    monkeypatch.delattr(time, "CLOCK_BOOTTIME")
    assert interruptions._suspended_s() == 0.0


@pytest.mark.parametrize("load", [True, False])
def test_a_read_that_hangs_is_noted_once_and_ends_a_load(load: bool) -> None:
    run = Between(load=load)
    run.it.watch_reads(1.0)
    assert run.stand.writer.events[1:] == []
    run.hang("die_temp_c")
    run.it.watch_reads(2.5)
    run.it.watch_reads(2.9)
    assert [(t_s, kind) for t_s, kind, _ in run.stand.writer.events if kind == "read-hangs"] == [(2.5, "read-hangs")]
    assert run.events("read-hangs") == [{"channels": ["die_temp_c"]}]
    assert [text for text, _ in run.face.said if text.startswith("Beware: ")] == [
        f"Beware: {interruptions.hang_reason(('die_temp_c',))}."
    ]
    assert run.stopped() == (["read-hangs"] if load else []) and not run.is_on


def test_another_read_that_hangs_is_noted_too_and_one_that_came_back_may_hang_again() -> None:
    run = Between()
    for channels in (("die_temp_c",), ("die_temp_c", "vrm_temp_c"), (), ("die_temp_c",)):
        run.hang(*channels)
        run.it.watch_reads(1.0)
    assert [detail["channels"] for detail in run.events("read-hangs")] == [
        ["die_temp_c"], ["die_temp_c", "vrm_temp_c"], ["die_temp_c"],
    ]  # fmt: skip


def test_a_read_that_hangs_ends_a_load_on_its_way_up_too() -> None:
    run = Between()
    let = threading.Event()
    start = run.stand.load.start
    run.stand.load.start = lambda demand: let.wait(30.0) and start(demand)  # type: ignore[method-assign, assignment]
    plan = run.loaded.load
    assert plan is not None
    run.parts.load.come_up(plan, threading.Event(), 0.0)
    run.hang("vrm_temp_c")
    run.it.watch_reads(1.0)
    assert run.stopped() == ["read-hangs"] and len(run.events("bring-up-ended")) == 1
    let.set()
