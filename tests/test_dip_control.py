"""Carries a dip out, by itself: when the load goes and comes back, and what guard, record and person hear of it."""

from __future__ import annotations

import math
import threading
from dataclasses import replace
from typing import Any

from tests.fakes import PROFILE, Face, die_info
from tests.test_runner import EXTERNAL_PLAN, Stand, sound
from verifyrig.core.interfaces import Reading
from verifyrig.core.profile import Hold
from verifyrig.rig.dip_control import DipControl
from verifyrig.rig.parts import Parts


class Bench:
    """A load that is on at full share, and dips that are due, over or impossible by script."""

    def __init__(self, text: str = PROFILE, *, hold: bool = False, load: bool = True) -> None:
        self.stand = Stand(sound, text)
        self.stand.bank.infos = {"die_temp_c": replace(die_info(), resolution=1.0)}
        self.face = Face()
        self.stand.rig = replace(self.stand.rig, observer=self.face)
        self.parts = Parts(self.stand.rig)
        self.control = DipControl(self.stand.rig, self.parts)
        self.guarded: list[tuple[float, bool]] = []
        self.parts.guard.load_dips = lambda t_s, *, over: self.guarded.append((t_s, over))  # type: ignore[method-assign]
        self.due: tuple[str, ...] = ()
        self.dull: tuple[str, ...] = ()
        self.parts.dips.due = lambda t_s, share: self.due if share == 1.0 else ()  # type: ignore[method-assign]
        self.parts.dips.cannot_answer = lambda t_s, share: self.dull if share == 1.0 else ()  # type: ignore[method-assign]
        self.die(30.0)
        if load:
            plan = self.stand.plan.stages[-1 if "external" in text else 2].load
            assert plan is not None
            plan = replace(plan, hold=Hold(die_temp_c=60.0), share=1.0) if hold else plan
            self.parts.load.come_up(plan, threading.Event(), 30.0)
            assert self.parts.load.is_up() and self.parts.load.take_over() is None
            self.parts.load.begin(0.0)
        self.parts.schedule.advance(1000.0)

    def die(self, value: float) -> None:
        reading = {"die_temp_c": Reading(value=value)}
        self.parts.dips.take(self.parts.schedule.t_s, reading)
        self.stand.bank.reread = lambda channel, now_s: reading[channel]  # type: ignore[method-assign]

    def at(self, t_s: float) -> float:
        self.stand.clock.t = 1000.0 + t_s
        return t_s

    @property
    def share(self) -> float:
        return self.stand.load.share

    def events(self, kind: str) -> list[tuple[float, dict[str, Any]]]:
        return [(t_s, detail) for t_s, name, detail in self.stand.writer.events if name == kind]

    def dipping(self) -> Bench:
        self.due = ("die_temp_c",)
        self.control.follow(self.at(1.0))
        self.due = ()
        return self


def test_nobody_is_asked_without_a_load_of_our_own() -> None:
    for bench in (Bench(load=False), Bench(EXTERNAL_PLAN)):
        driver = bench.parts.load.driver
        if driver is not None:
            driver.mark()
        bench.due = bench.dull = ("die_temp_c",)
        bench.control.follow(bench.at(1.0))
        bench.control.look()
        assert bench.parts.dips.open is None and bench.guarded == [] and bench.events("dip-not-possible") == []


def test_where_nobody_is_due_nothing_happens() -> None:
    bench = Bench()
    bench.control.follow(bench.at(1.0))
    assert bench.share == 1.0 and bench.parts.dips.open is None and bench.face.said == []


def test_a_dip_takes_the_load_away_tells_the_guard_and_is_explained_the_first_time() -> None:
    bench = Bench().dipping()
    assert bench.share == 0.0 and bench.guarded == [(1.0, False)]
    assert bench.parts.dips.open is not None and bench.parts.dips.open.asked == {"die_temp_c": 30.0}
    ((said, loud),) = bench.face.said
    assert "dips for a moment" in said and not loud
    bench.die(20.0)
    bench.control.follow(bench.at(2.0))
    bench.dipping()
    assert len(bench.face.said) == 1


def test_an_answer_in_a_sample_brings_the_load_back_and_the_dip_on_record() -> None:
    bench = Bench().dipping()
    bench.control.follow(bench.at(2.0))
    assert bench.share == 0.0
    bench.die(20.0)
    bench.control.follow(bench.at(3.0))
    assert bench.share == 1.0 and bench.guarded == [(1.0, False), (3.0, True)] and bench.parts.dips.open is None
    ((began_s, dip),) = bench.events("dip")
    assert began_s == 1.0 and (dip["until_s"], dip["answered"]) == (3.0, ["die_temp_c"])
    # What comes back is what was on: no step of the plan.
    assert [detail["share"] for _, detail in bench.events("load")] == [1.0]


def test_an_answer_between_two_samples_is_heard_at_once() -> None:
    bench = Bench().dipping()
    bench.stand.bank.reread = lambda channel, now_s: Reading(value=29.0)  # type: ignore[method-assign]
    bench.at(1.0)
    bench.control.look()  # the next sample is due, and takes the answer
    assert bench.share == 0.0
    bench.parts.schedule.advance(1001.0)
    bench.at(1.25)
    bench.control.look()
    assert bench.share == 1.0 and bench.events("dip")[0][1]["until_s"] == 1.25
    bench.control.look()
    assert len(bench.events("dip")) == 1


def test_whoever_does_not_answer_between_two_samples_has_time_left() -> None:
    bench = Bench().dipping()
    bench.parts.schedule.advance(1001.0)
    bench.at(1.5)
    bench.control.look()
    assert bench.share == 0.0 and bench.control.next_look_s == 1.75
    bench.parts.load.end(1.6)
    assert bench.control.next_look_s == math.inf


def test_a_plan_that_went_on_meanwhile_is_followed_and_a_held_share_is_no_step() -> None:
    bench = Bench().dipping()
    driver = bench.parts.load.driver
    assert driver is not None
    driver.plan = replace(driver.plan, share=0.5)
    bench.die(20.0)
    bench.control.follow(bench.at(3.0))
    assert bench.share == 0.5 and bench.events("load")[-1] == (3.0, {"share": 0.5})
    held = Bench(hold=True)
    held.parts.dips.due = lambda t_s, share: ("die_temp_c",)  # type: ignore[method-assign]
    held.control.follow(held.at(1.0))
    driver = held.parts.load.driver
    assert driver is not None and driver.holding is not None
    for t_s in (2.0, 3.0):
        driver.holding.update(t_s, {"die_temp_c": Reading(value=40.0)})
    held.die(20.0)
    held.control.follow(held.at(4.0))
    assert held.share > 0.5 and len(held.events("load")) == 1


def test_whoever_cannot_answer_is_named() -> None:
    bench = Bench()
    bench.dull = ("die_temp_c",)
    bench.control.follow(bench.at(1.0))
    assert bench.events("dip-not-possible") == [(1.0, {"channel": "die_temp_c"})]
    ((said, _),) = bench.face.said
    assert said.startswith("die_temp_c has stood for a minute")
