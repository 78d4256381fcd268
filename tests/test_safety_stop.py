"""The end of a load for safety, by itself: first the load, then what the record, the screen and the room hear of it."""

from __future__ import annotations

import math
import time
from typing import Any, cast

import pytest

from tests.fakes import profile
from verifyrig.core.event_kind import EventKind
from verifyrig.core.interfaces import Controls
from verifyrig.core.reason import reason
from verifyrig.rig.observer import Attention
from verifyrig.rig.run_notes import kept
from verifyrig.rig.safety_stop import SafetyStop
from verifyrig.rig.stops import StopKind, Stops
from verifyrig.rig.switch_off import SwitchOffOrder
from verifyrig.rig.trip import Trip

TRIP = Trip(rule="max", channel="die_temp_c", value=95.0, limit=90.0, why=reason("trip-at-limit"))
WHY = reason("nobody-present")
STAGE = profile().stages[2]


class Around:
    """The load, the person who may run it, the record, the screen and the run's time, all in the order they hear."""

    def __init__(self, *, gone_s: float = 0.3, planned: bool = False) -> None:
        self.heard: list[tuple[Any, ...]] = []
        self.planned = planned
        self.order = SwitchOffOrder()
        self.share = 0.6
        self.t_s = 42.0
        self._gone_s = gone_s
        self.stops = Stops(Controls())
        me = cast(Any, self)
        self.safety = SafetyStop(me, me, self.stops, me, me)

    def end(self, t_s: float) -> float:
        self.heard.append(("end", t_s))
        self.share = 0.0
        return self._gone_s

    def order_off(self, t_s: float, share: float) -> float:
        self.heard.append(("order", t_s, share))
        self.order.give(t_s, share)
        return math.inf

    def event(self, kind: EventKind, **detail: Any) -> None:
        self.heard.append((kind, detail))

    def say(self, text: str, *, loud: bool = False) -> None:
        self.heard.append(("say", text, loud))

    def attend(self, what: Attention | None) -> None:
        self.heard.append(("attend", what))


@pytest.fixture(autouse=True)
def stopped_counter(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "perf_counter", lambda: 10.0)


def test_a_trip_ends_the_load_first_and_counts_from_its_sample_to_the_last_worker() -> None:
    around = Around(gone_s=0.25)
    around.safety.trip(TRIP, STAGE, 40.0, 9.5)
    noted = {
        "rule": "max", "channel": "die_temp_c", "value": 95.0, "limit": 90.0, "stage": "load", "t_s": 40.0,
        "load_off_s": 0.75,
    }  # fmt: skip
    assert around.heard == [
        ("end", 40.0),
        (EventKind.TRIP, {**kept(TRIP.why), **noted}),
        ("say", f"Tripped: die_temp_c: {TRIP.why}. The load is off.", True),
        ("attend", Attention.TRIP),
    ]
    assert around.stops.trip == noted and around.stops.tripped


@pytest.mark.parametrize("at_s", [None, 40.0])
def test_another_stop_is_of_now_unless_a_time_is_given(at_s: float | None) -> None:
    around = Around()
    around.safety.stop(StopKind.NOBODY_PRESENT, WHY, at_s)
    assert around.heard == [
        ("end", 42.0 if at_s is None else 40.0),
        (EventKind.STOPPED, kept(WHY)),
        ("say", f"Stopped: {WHY}. The load is off.", True),
        ("attend", Attention.STOP),
    ]
    assert around.stops.happened(StopKind.NOBODY_PRESENT) and around.stops.for_safety == [WHY]


def test_a_worker_that_was_not_seen_to_end_is_no_load_that_is_off() -> None:
    around = Around(gone_s=math.inf)
    around.safety.trip(TRIP, STAGE, 40.0, 9.5)
    around.safety.stop(StopKind.LOAD_LOST, WHY)
    said = [one[1] for one in around.heard if one[0] == "say"]
    assert len(said) == 2 and all(text.endswith("not seen to end: switch the machine off now.") for text in said)
    assert around.stops.trip is not None and around.stops.trip["load_off_s"] is None


def test_a_persons_load_is_ordered_off_by_what_was_on_and_nothing_says_that_it_is_off() -> None:
    around = Around(planned=True)
    around.safety.stop(StopKind.READ_HANGS, WHY, 40.0)
    assert around.heard[:2] == [("end", 40.0), ("order", 40.0, 0.6)]
    assert ("say", f"Stopped: {WHY}.", True) in around.heard
