"""A load that a person runs, by itself: ordered off, watched until it is, and never said to be off on trust alone."""

from __future__ import annotations

import math
from typing import Any, cast

import pytest

from tests.fakes import PROFILE, Face, FakeClock, FakeWriter, profile
from tests.test_runner import EXTERNAL_PLAN
from verifyrig.core.interfaces import Controls, Reading
from verifyrig.rig.observer import Attention
from verifyrig.rig.persons_load import PersonsLoad
from verifyrig.rig.run_notes import RunNotes
from verifyrig.rig.schedule import Schedule
from verifyrig.rig.stops import Stops
from verifyrig.rig.switch_off import ORDER

ON_W, OFF_W = 200.0, 40.0


class Bench:
    """A person's load, whose wall power is read."""

    def __init__(self, text: str = EXTERNAL_PLAN) -> None:
        self.steps: list[tuple[float, float, bool]] = []
        self.writer, self.face, self.stops = FakeWriter([]), Face(), Stops(Controls())
        notes = RunNotes(self.writer, self.face, Schedule(FakeClock(), 1.0))
        self.person = PersonsLoad(profile(text), cast(Any, self), self.stops, notes)

    def load_step(self, t_s: float, share: float, *, steady: bool) -> None:
        self.steps.append((t_s, share, steady))

    def power(self, power_w: float, share: float, *times: int) -> None:
        for t_s in times:
            self.person.follow(float(t_s), {"wall_power_w": Reading(value=power_w)}, share)

    def ordered(self) -> Bench:
        """Let it be off, then on, and be ordered off at 20 s."""
        self.power(OFF_W, 0.0, *range(10))
        self.power(ON_W, 1.0, *range(10, 20))
        self.person.order_off(20.0, 1.0)
        return self

    def events(self) -> list[tuple[float, str, dict[str, Any]]]:
        return self.writer.events


def test_only_a_plan_with_such_a_load_has_one() -> None:
    assert Bench().person.planned and not Bench(PROFILE).person.planned
    bench = Bench(PROFILE)
    bench.power(ON_W, 1.0, 1, 2, 3)
    bench.person.order.give(4.0, 1.0)
    bench.power(OFF_W, 0.0, 5, 6, 7, 8)
    assert bench.events() == [] and bench.person.order.stands


def test_an_order_is_given_once_and_its_end_is_not_known() -> None:
    bench = Bench()
    assert bench.person.order_off(20.0, 0.8) == bench.person.order_off(25.0, 0.5) == math.inf
    assert bench.events() == [(20.0, "switch-off-ordered", {"share": 0.8})]
    assert bench.face.said == [(ORDER, True)] and bench.face.calls == [Attention.QUESTION]
    assert bench.person.order.share == 0.8


def test_the_power_shows_when_it_is_off() -> None:
    bench = Bench().ordered()
    bench.power(ON_W, 1.0, 21, 22)
    assert bench.person.order.stands and len(bench.events()) == 1
    bench.power(OFF_W, 1.0, 23, 24, 25)
    assert not bench.person.order.stands and bench.steps == [(25.0, 0.0, False)]
    assert bench.events()[1:] == [(25.0, "load", {"share": 0.0, "gone_s": 5.0, "seen": "power"})]
    assert bench.face.said[-1] == ("The power shows that the load is off.", False) and bench.face.calls[-1] is None


def test_a_person_says_that_it_is_off() -> None:
    bench = Bench().ordered()
    bench.person.said_off(24.0)
    assert not bench.person.order.stands and bench.steps == [(24.0, 0.0, False)]
    assert bench.events()[1:] == [(24.0, "load", {"share": 0.0, "gone_s": 4.0, "seen": "person"})]
    assert bench.face.said[-1] == ("Noted: the load is off.", False)


def test_what_a_person_said_and_the_power_does_not_show_is_ordered_anew() -> None:
    bench = Bench().ordered()
    bench.person.said_off(22.0)
    noted = len(bench.events())
    bench.power(ON_W, 0.0, *range(23, 34))
    assert bench.person.order.stands and bench.person.order.doubted
    assert bench.events()[noted:] == [
        (32.0, "load", {"share": 1.0, "seen": "power"}), (32.0, "switch-off-ordered", {"share": 1.0}),
    ]  # fmt: skip


@pytest.mark.parametrize("by", ["person", "power"])
def test_a_trip_took_until_the_load_was_seen_off(by: str) -> None:
    bench = Bench().ordered()
    bench.stops.trip = {
        "rule": "max", "channel": "die_temp_c", "value": 95.0, "limit": 90.0, "stage": "load", "t_s": 20.0,
        "load_off_s": None,
    }  # fmt: skip
    if by == "person":
        bench.person.said_off(25.0)
    else:
        bench.power(OFF_W, 1.0, 23, 24, 25)
    assert bench.stops.trip["load_off_s"] == 5.0
    # What was seen first stands.
    bench.person.order_off(30.0, 1.0)
    bench.person.said_off(40.0)
    assert bench.stops.trip["load_off_s"] == 5.0


@pytest.mark.parametrize("stands", [True, False])
def test_at_the_end_it_is_said_where_nobody_saw_it_go_off(stands: bool) -> None:
    bench = Bench().ordered()
    if not stands:
        bench.person.said_off(25.0)
    said = len(bench.face.said)
    bench.person.say_at_end()
    assert ("load-not-seen-off" in [kind for _, kind, _ in bench.events()]) is stands
    assert [loud for _, loud in bench.face.said[said:]] == [True] * stands
