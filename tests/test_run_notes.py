"""The record and the face of a run, by themselves: what is written when, and what becomes of a record that fails."""

from __future__ import annotations

from typing import Any

import pytest

from tests.fakes import Face, FakeClock, FakeWriter, profile
from verifyrig.core.errors import RecordError
from verifyrig.core.event_kind import EventKind
from verifyrig.core.interfaces import Reading
from verifyrig.core.outcome import StageEnd
from verifyrig.rig.dip import Dip
from verifyrig.rig.observer import Attention
from verifyrig.rig.run_notes import RunNotes
from verifyrig.rig.schedule import Schedule

STAGE = profile().stages[0]
FULL = RecordError("the disk is full", where="record", mend="Make room.")
ROW = {"die_temp_c": Reading(value=40.0)}


class Bench:
    def __init__(self) -> None:
        self.log: list[tuple[Any, ...]] = []
        self.clock, self.writer, self.face = FakeClock(), FakeWriter(self.log), Face()
        self.notes = RunNotes(self.writer, self.face, Schedule(self.clock, 1.0))
        self.failures: list[RecordError] = []
        self.notes.on_failure = self.failures.append


def test_what_is_said_and_who_is_called_goes_to_the_face() -> None:
    bench = Bench()
    bench.notes.say("quiet")
    bench.notes.say("danger", loud=True)
    bench.notes.attend(Attention.TRIP)
    bench.notes.attend(None)
    assert bench.face.said == [("quiet", False), ("danger", True)] and bench.face.calls == [Attention.TRIP, None]


def test_samples_stages_and_events_are_written_with_their_times() -> None:
    bench = Bench()
    bench.clock.t += 7.0
    bench.notes.sample(1.0, 1.7e9, ROW)
    bench.notes.stage_started(STAGE, 2.0)
    bench.notes.stage_ended(STAGE, 3.0, StageEnd.GATE)
    bench.notes.event(EventKind.FINDING, text="pump=silent")
    bench.notes.event(EventKind.LOAD, t_s=4.0, share=1.0)
    bench.notes.dip(Dip(from_s=5.0, until_s=6.0, asked=("die_temp_c",), answered=(), fair=True))
    assert bench.writer.rows == [(1.0, ROW)] and ("stage", "idle") in bench.log
    assert bench.writer.stages == {"idle": "gate"}
    assert bench.writer.events == [
        (7.0, "finding", {"text": "pump=silent"}),
        (4.0, "load", {"share": 1.0}),
        (5.0, "dip", {"until_s": 6.0, "left_out_until_s": 16.0, "asked": ["die_temp_c"], "answered": [], "fair": True}),
    ]


def test_a_record_that_fails_is_told_once_and_written_no_more() -> None:
    bench = Bench()
    bench.writer.fail_at = 1
    for t_s in (0.0, 1.0, 2.0):
        bench.notes.sample(t_s, 1.7e9, ROW)
    bench.notes.event(EventKind.FINDING, text="pump=silent")
    assert [error.what for error in bench.failures] == ["the disk is full"]
    assert len(bench.writer.rows) == 1 and bench.writer.events == []


def test_how_far_the_disk_is_behind_is_asked_and_a_disk_that_fails_is_a_failure() -> None:
    bench = Bench()
    bench.writer.lag = 3.5
    assert bench.notes.check_disk() == 3.5 and bench.failures == [] and bench.face.said == []

    def fail() -> float:
        raise FULL

    bench.writer.lag_s = fail  # type: ignore[method-assign]
    assert bench.notes.check_disk() == bench.notes.check_disk() == 0.0 and bench.failures == [FULL]


def test_a_stick_that_is_pulled_and_plugged_in_again_is_said_once_each_time() -> None:
    bench = Bench()
    for away in (False, True, True, False, False):
        bench.writer.is_away = away  # type: ignore[attr-defined]
        bench.notes.check_disk()
    (gone, was_loud), (back, is_loud) = bench.face.said
    assert "is away" in gone and was_loud and "is back" in back and not is_loud


@pytest.mark.parametrize("fails_at", [None, "fact", "close"])
def test_the_last_facts_are_written_before_the_record_is_closed(fails_at: str | None) -> None:
    bench = Bench()

    def fail(*_words: object) -> None:
        raise FULL

    if fails_at:
        setattr(bench.writer, fails_at, fail)
    error = bench.notes.close({"outcome": "completed", "trip": None})
    if fails_at is None:
        assert error is None and bench.writer.closed and bench.writer.facts == {"outcome": "completed", "trip": None}
        assert bench.face.said == []
    else:
        assert error is FULL and not bench.writer.closed
        assert bench.face.said == [(f"The record could not be closed: {FULL}", True)]
