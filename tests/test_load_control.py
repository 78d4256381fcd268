"""The load of a run by itself: what its begin, steps and end tell the guard, the dips, the record and the person."""

from __future__ import annotations

import math
import threading
from dataclasses import replace
from typing import Any, cast

import pytest

from tests.fakes import FakeLoad, die_info
from verifyrig.core.errors import LoadError
from verifyrig.core.event_kind import EventKind
from verifyrig.core.heat_sources import HeatedGroup
from verifyrig.core.interfaces import LoadDemand, Quality, Reading, WorkFault
from verifyrig.core.profile import Hold, LoadPattern, LoadPlan, WorkName
from verifyrig.rig.dip import Dip
from verifyrig.rig.load_control import LoadControl
from verifyrig.rig.load_readings import load_readings
from verifyrig.rig.switch_off import SwitchOffOrder

STEADY = LoadPlan(work=WorkName.LINEAR_ALGEBRA, share=0.8)
PULSES = replace(STEADY, pattern=LoadPattern.PULSES, on_s=5.0, off_s=15.0, count=2)
CLIMB = replace(STEADY, pattern=LoadPattern.CLIMB)
EXTERNAL = LoadPlan(work=WorkName.EXTERNAL, share=1.0)
DIES = HeatedGroup(("die_temp_c",), every=True)
OVER = Dip(from_s=3.0, until_s=9.0, asked=("die_temp_c",), answered=(), fair=True)


class Told:
    """All whom a load tells of its steps; keeps what each heard."""

    def __init__(self) -> None:
        self.guard: list[tuple[Any, ...]] = []
        self.dips: list[tuple[float, float, object]] = []
        self.open: object = None
        self.ended_dips: list[float] = []
        self.events: list[tuple[str, dict[str, Any]]] = []
        self.recorded_dips: list[Dip] = []
        self.said: list[tuple[str, bool]] = []
        self.order = SwitchOffOrder()

    def load_step(self, t_s: float, share: float, *, steady: bool, heats: object = None, bounded: bool = False) -> None:
        self.guard.append((t_s, share, steady, heats, bounded))

    def load_commanded(self, t_s: float, share: float, load: object) -> None:
        self.dips.append((t_s, share, load))

    def end(self, t_s: float) -> Dip:
        self.open = None
        self.ended_dips.append(t_s)
        return OVER

    def event(self, kind: EventKind, **detail: Any) -> None:
        self.events.append((kind, detail))

    def dip(self, dip: Dip) -> None:
        self.recorded_dips.append(dip)

    def say(self, text: str, *, loud: bool = False) -> None:
        self.said.append((text, loud))

    def order_off(self, t_s: float, share: float) -> float:
        self.order.give(t_s, share)
        return math.inf


class Slow(FakeLoad):
    """A load that comes up when it is let, or when it is ended."""

    def __init__(self) -> None:
        super().__init__([])
        self.let = threading.Event()

    def start(self, demand: LoadDemand) -> None:
        assert self.let.wait(30.0)
        super().start(demand)

    def stop(self) -> float:
        self.let.set()
        return super().stop()


def control_of(load: FakeLoad | None = None) -> tuple[LoadControl, Told, FakeLoad]:
    told, load = Told(), load or FakeLoad([])
    infos = {"die_temp_c": die_info()}
    heard = cast(Any, told)
    return LoadControl(load, infos, heard, heard, heard, heard), told, load


def on(plan: LoadPlan, t_s: float = 1.0) -> tuple[LoadControl, Told, FakeLoad]:
    """Return a load that is up and has begun."""
    control, told, load = control_of()
    control.come_up(plan, threading.Event(), 5.0)
    assert control.is_up() and control.take_over() is None
    control.begin(t_s)
    return control, told, load


# ---- up


def test_before_a_load_there_is_none() -> None:
    control, told, load = control_of()
    assert (control.share, control.heating, control.is_under_way) == (0.0, {"die_temp_c": 0.0}, False)
    assert control.is_up() and control.longest_stop_s == 0.0 and control.next_step_s(3.0) == math.inf
    control.begin(0.0)
    control.follow_pattern(0.0)
    assert control.end(0.0) == 0.0
    assert not any([load.log, told.guard, told.dips, told.events, told.said])


def test_a_load_comes_up_in_the_background_and_is_under_way_until_it_is_taken_over() -> None:
    slow = Slow()
    control, told, _ = control_of(slow)
    wake = threading.Event()
    control.come_up(PULSES, wake, 0.0)
    assert not control.is_up() and control.is_under_way and control.driver is None
    slow.let.set()
    assert wake.wait(30.0)
    while not control.is_up():
        pass
    assert slow.log == [("start", "all")]
    assert control.take_over() is None
    assert control.driver is not None and control.driver.plan == PULSES and told.events == []


def test_a_load_that_comes_up_at_once_is_waited_for() -> None:
    control, _, _ = control_of()
    control.come_up(STEADY, threading.Event(), 30.0)
    assert control.is_up()


def test_a_load_that_did_not_come_up_is_not_driven() -> None:
    class Broken(FakeLoad):
        def start(self, demand: LoadDemand) -> None:
            raise LoadError("no worker came", where="the load", mend="Look.")

    control, _, load = control_of(Broken([]))
    control.come_up(STEADY, threading.Event(), 30.0)
    assert control.is_up()
    failure = control.take_over()
    assert failure is not None and failure.what == "no worker came"
    assert control.driver is None and control.share == 0.0 and load.log == []


def test_a_load_on_its_way_up_is_ended_once_and_that_is_on_record() -> None:
    control, told, slow = control_of(Slow())
    control.come_up(STEADY, threading.Event(), 0.0)
    gone_s = control.end(2.0)
    assert 0.0 <= gone_s < 30.0 and not control.is_under_way and slow.share == 0.0
    assert told.events == [("bring-up-ended", {"t_s": 2.0, "gone_s": gone_s})]
    # No load was on: nobody hears of a step, and asked again nothing more happens.
    assert control.end(3.0) == 0.0 and len(told.events) == 1 and told.guard == []


# ---- on


def test_a_steady_load_must_be_answered_by_what_it_heats() -> None:
    control, told, load = on(STEADY)
    assert load.log[-1] == ("share", 0.8) and (control.share, control.heating) == (0.8, {"die_temp_c": 0.8})
    assert told.guard == [(1.0, 0.8, True, (DIES,), False)]
    assert told.dips == [(1.0, 0.8, LoadDemand(work="linear-algebra", workers="all", memory_share=0.5))]
    assert told.events == [("load", {"t_s": 1.0, "share": 0.8})]
    assert told.said == [] and control.is_under_way


def test_a_quarter_of_the_workers_heat_a_quarter() -> None:
    control, _, _ = on(replace(STEADY, workers="quarter"))
    assert control.share == 0.8 and control.heating == pytest.approx({"die_temp_c": 0.2})


def test_pulses_are_commanded_as_they_fall_due_and_are_no_steady_load() -> None:
    control, told, load = on(PULSES)
    assert control.next_step_s(1.0) == pytest.approx(6.0)
    control.follow_pattern(3.0)
    assert len(told.events) == 1
    control.follow_pattern(6.0)
    assert load.share == control.share == 0.0
    assert told.events[1:] == [("load", {"t_s": 6.0, "share": 0.0})]
    assert [(t_s, share, steady) for t_s, share, steady, _, _ in told.guard] == [(1.0, 0.8, False), (6.0, 0.0, False)]


def test_a_step_of_a_climb_is_one_that_was_shown_to_be_safe() -> None:
    control, told, _ = on(CLIMB)
    control.step(4.0, 0.3)
    assert [bounded for *_, bounded in told.guard] == [True, True]


def test_a_person_is_asked_to_start_their_load_and_nothing_dips_it() -> None:
    control, told, load = on(EXTERNAL)
    ((said, loud),) = told.said
    assert "press L" in said and not loud
    assert load.log == [("start", "all")] and told.events == told.guard == []
    assert control.driver is not None
    control.step(4.0, control.driver.mark())
    assert told.events == [("load", {"t_s": 4.0, "share": 1.0})] and told.dips == [] and control.share == 1.0


def test_a_step_that_nobody_drives_is_noted_all_the_same() -> None:
    # A person's load whose order stands: the program drives nothing any more.
    control, told, _ = control_of()
    control.step(4.0, 1.0)
    assert told.guard == [(4.0, 1.0, False, (), False)] and told.dips == []
    assert told.events == [("load", {"t_s": 4.0, "share": 1.0})]


# ---- off


def test_the_end_of_a_load_is_told_to_all() -> None:
    control, told, load = on(STEADY)
    for heard in (told.guard, told.dips, told.events):
        heard.clear()
    assert control.driver is not None
    control.driver.counts.checks_done = 7
    assert control.end(9.0) == 0.001
    assert load.alive == 0 and control.share == 0.0 and not control.is_under_way
    assert told.guard == [(9.0, 0.0, False, None, False)] and told.dips == [(9.0, 0.0, None)]
    assert told.events == [("load", {"t_s": 9.0, "share": 0.0, "gone_s": 0.001, "checks_done": 7})]
    assert told.recorded_dips == [] and control.longest_stop_s == 0.001


def test_a_load_that_ends_amid_a_dip_ends_the_dip() -> None:
    control, told, _ = on(STEADY)
    told.open = "a dip"
    control.end(9.0)
    assert told.ended_dips == [9.0] and told.recorded_dips == [OVER] and told.open is None


@pytest.mark.parametrize(("took_s", "kept"), [((0.2, 0.5, 0.3), 0.5), ((math.inf, 0.2), 0.2), ((math.inf,), 0.0)])
def test_the_longest_end_that_was_seen_is_kept(took_s: tuple[float, ...], kept: float) -> None:
    control, told, load = control_of()
    ends = iter(took_s)
    load.stop = lambda: next(ends)  # type: ignore[method-assign]
    for one_s in took_s:
        control.come_up(STEADY, threading.Event(), 30.0)
        assert control.is_up() and control.take_over() is None
        assert control.end(9.0) == one_s
    assert control.longest_stop_s == kept
    # An end that was not seen is no number.
    assert told.events[0][1]["gone_s"] == (None if math.isinf(took_s[0]) else took_s[0])


@pytest.mark.parametrize("marked", [True, False])
def test_a_persons_load_is_ordered_off_where_it_was_marked_as_on(marked: bool) -> None:
    control, told, _ = on(EXTERNAL)
    assert control.driver is not None
    if marked:
        control.driver.mark()
    told.events.clear()
    assert control.end(9.0) == (math.inf if marked else 0.0)
    assert told.order.stands is marked and told.events == told.guard == told.dips == []
    # Until it is seen off it counts as on, and heats what it is on.
    assert (control.share, control.heating) == (1.0 if marked else 0.0, {"die_temp_c": 1.0 if marked else 0.0})


def test_at_the_runs_end_all_that_is_left_ends() -> None:
    control, _, slow = control_of(Slow())
    control.come_up(STEADY, threading.Event(), 0.0)
    control.close()
    assert slow.log.count(("stop",)) >= 2 and not control.is_under_way
    control, _, load = control_of()
    control.close()
    assert load.log == [("stop",)]


# ---- what it says of itself in each sample


def test_without_a_load_only_its_share_is_recorded() -> None:
    control, told, _ = control_of()
    assert load_readings(control, cast(Any, told), 3.0, {}) == {"load_share": Reading(value=0.0)}


def test_a_load_is_recorded_with_its_share_its_rate_and_its_errors() -> None:
    control, told, load = on(STEADY)
    first = load_readings(control, cast(Any, told), 2.0, {})
    assert first["work_rate_per_s"].quality is Quality.MISSING and first["work_rate_per_s"].note
    assert first["work_rate_per_s"].value is None
    load.work += 40.0
    second = load_readings(control, cast(Any, told), 4.0, {})
    # 80 units by the fake, 40 by hand, in two seconds.
    assert second == {
        "load_share": Reading(value=0.8),
        "work_rate_per_s": Reading(value=60.0),
        "compute_errors": Reading(value=0.0),
    }


def test_the_share_that_is_recorded_is_the_one_at_which_the_work_was_done() -> None:
    control, told, load = on(replace(STEADY, hold=Hold(die_temp_c=60.0)))
    for t_s in (2.0, 3.0, 4.0):
        before = load.share
        row = load_readings(control, cast(Any, told), t_s, {"die_temp_c": Reading(value=40.0)})
        assert row["load_share"].value == before
    assert load.share > 0.5  # it is steered up, from half of the load


def test_each_wrong_result_is_recorded_and_said_loudly_with_its_place() -> None:
    control, told, load = on(STEADY)
    told.events.clear()
    status = load.status
    faults = (
        WorkFault(work="transform", core=3, t_s=1.5, detail="a sum is off"),
        WorkFault(work="gpu-linear-algebra", core=None, t_s=1.6, detail="another"),
    )
    load.status = lambda: replace(status(), faults=faults, compute_errors=2)  # type: ignore[method-assign]
    row = load_readings(control, cast(Any, told), 2.0, {})
    assert row["compute_errors"] == Reading(value=2.0)
    assert [detail for _, detail in told.events] == [
        {"work": "transform", "core": 3, "at_s": 1.5, "detail": "a sum is off"},
        {"work": "gpu-linear-algebra", "core": None, "at_s": 1.6, "detail": "another"},
    ]
    assert {kind for kind, _ in told.events} == {"compute-error"}
    assert told.said == [
        ("Wrong result on core 3: a sum is off.", True),
        ("Wrong result on the graphics processor: another.", True),
    ]
