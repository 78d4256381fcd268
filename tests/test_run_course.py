"""The whole course of a run, told from outside: what begins and ends when, what is recorded, said and handed back."""

from __future__ import annotations

import math
import os
from dataclasses import replace
from typing import Any

import pytest

from tests.fakes import PROFILE, Ears, FakeLoad
from tests.test_runner import EXTERNAL_PLAN, Stand, sound
from verifyrig.core.errors import LoadError, RecordError
from verifyrig.core.interfaces import DangerNotice, Reading
from verifyrig.core.profile import Stage
from verifyrig.core.reason import reason
from verifyrig.rig.observer import TickView

# Fake samples come at 0, 1, 2, ... s: the stages of PROFILE begin at these times.
IDLE_S, PULSES_S, LOAD_S, COOLDOWN_S, END_S = 0.0, 20.0, 60.0, 120.0, 150.0
WITHOUT_COOLDOWN = PROFILE[: PROFILE.index('[[stage]]\nname = "cooldown"')]


class Watcher(Ears):
    """A face that keeps all it is shown."""

    def __init__(self) -> None:
        super().__init__()
        self.stages: list[tuple[str, int, float]] = []
        self.ticks: list[TickView] = []

    def stage(self, stage: Stage, index: int, t_s: float) -> None:
        self.stages.append((stage.name, index, round(t_s, 3)))

    def tick(self, view: TickView) -> None:
        self.ticks.append(view)

    def texts(self, *, loud: bool = False) -> list[str]:
        return [text for text, was_loud in self.said if was_loud == loud]


def stand_of(die: Any = sound, text: str = PROFILE, *, permit: dict[str, Any] | None = None, **rig: Any) -> Stand:
    stand = Stand(die, text, **(permit or {}))
    stand.ears = Watcher()
    stand.rig = replace(stand.rig, observer=stand.ears, **rig)
    return stand


def ears(stand: Stand) -> Watcher:
    assert isinstance(stand.ears, Watcher)
    return stand.ears


def events(stand: Stand, kind: str) -> list[dict[str, Any]]:
    return [detail for _, name, detail in stand.writer.events if name == kind]


def begun(stand: Stand) -> list[str]:
    return [entry[1] for entry in stand.log if entry[0] == "stage"]


def at(stand: Stand, when_s: float, do: Any) -> None:
    """Do something once in the first sample at or after a time of the run."""
    sample = stand.bank.sample
    done: list[Any] = []

    def look(now_s: float, *, load_share: float) -> Any:
        if now_s - 1000.0 >= when_s and not done:
            done.append(do())
        return sample(now_s, load_share=load_share)

    stand.bank.sample = look  # type: ignore[method-assign]


def dead_worker(stand: Stand) -> None:
    def lose(load: FakeLoad) -> None:
        load.alive = 1

    stand.load.on_status = lose


def test_a_sound_run_from_beginning_to_end() -> None:
    stand = stand_of()
    end = stand.run()
    assert ears(stand).stages == [
        ("idle", 0, IDLE_S), ("pulses", 1, PULSES_S), ("load", 2, LOAD_S), ("cooldown", 3, COOLDOWN_S),
    ]  # fmt: skip
    assert begun(stand) == ["idle", "pulses", "load", "cooldown"]
    assert [entry[1] for entry in stand.log if entry[0] == "start"] == ["quarter", "all"]
    # Nothing goes on after the last planned second: not the minute that follows a stop.
    assert stand.clock.t - 1000.0 == pytest.approx(END_S, abs=1.5)
    assert (end.outcome, end.cause, end.trip, end.messages, end.reasons, end.recorded) == (
        "completed", None, None, (), (), True,
    )  # fmt: skip
    facts = stand.writer.facts
    assert facts["outcome"] == "completed" and facts["stopped_because"] == [] and facts["stopped_reasons"] == []
    assert facts["trip"] is None and facts["cause"] is None and facts["danger"] is None and facts["cause_reasons"] == []
    assert facts["own_cost_share"] >= 0.0
    assert any(text.startswith("Measuring itself took") for text in ears(stand).texts())
    assert events(stand, "load-refused") == events(stand, "load-left-out") == events(stand, "stopped") == []


def test_each_load_is_off_the_moment_its_stage_ends() -> None:
    stand = stand_of()
    stand.run()
    ends = [t for t, kind, detail in stand.writer.events if kind == "load" and "gone_s" in detail]
    assert [round(t, 3) for t in ends] == [LOAD_S, COOLDOWN_S]
    assert all(row["load_share"].value == 0.0 for t, row in stand.writer.rows if t > COOLDOWN_S + 0.5)
    assert stand.log[-1] == ("stop",)


def test_the_load_is_closed_even_where_no_stage_had_one() -> None:
    stand = stand_of(text=PROFILE[: PROFILE.index('[[stage]]\nname = "pulses"')])
    stand.run()
    assert [entry for entry in stand.log if entry[0] in ("start", "stop")] == [("stop",)]


def test_simulated_time_is_charged_no_cost_of_measuring() -> None:
    stand = stand_of(beat_every_s=float("inf"))
    stand.run()
    assert stand.writer.facts["own_cost_share"] is None
    assert not any("Measuring itself" in text for text in ears(stand).texts())


@pytest.mark.parametrize("asked", ["operator", "terminated", "hangup"])
def test_no_stage_begins_once_somebody_asked_for_the_end(asked: str) -> None:
    stand = stand_of()
    at(stand, 30.0, lambda: stand.controls.quit(asked))
    end = stand.run()
    assert begun(stand) == ["idle", "pulses"]
    assert stand.writer.stages == {"idle": "time", "pulses": "interrupted"}
    assert stand.clock.t - 1000.0 == pytest.approx(30.0, abs=1.5)
    assert end.cause is not None and end.reasons and stand.writer.facts["cause"] == end.cause
    assert stand.writer.facts["cause_reasons"] == [end.reasons[0].as_json()]
    assert stand.writer.facts["stopped_because"] == []


@pytest.mark.parametrize("why", ["trip", "lost worker"])
def test_a_stop_in_the_last_stage_is_watched_for_another_minute_without_load(why: str) -> None:
    hot = lambda t_s, share: 95.0 if why == "trip" and 70.0 <= t_s < 75.0 else sound(t_s, share)  # noqa: E731
    stand = stand_of(hot, WITHOUT_COOLDOWN)
    if why == "lost worker":
        at(stand, 70.0, lambda: dead_worker(stand))
    end = stand.run()
    assert end.outcome == ("tripped" if why == "trip" else "stopped")
    last_s = stand.writer.rows[-1][0]
    assert 128.0 <= last_s <= 133.0  # a minute of samples after the stop at about 70 s
    assert len(stand.writer.rows) == pytest.approx(last_s + 1, abs=2)
    assert all(row["load_share"].value == 0.0 for t, row in stand.writer.rows if t > 75.0)
    assert ears(stand).ticks[-1].stage.name == "load" and ears(stand).ticks[-1].stage_s == 0.0
    assert ears(stand).ticks[-1].remaining_s is None


def test_a_run_that_ends_as_planned_is_not_watched_any_longer() -> None:
    stand = stand_of(text=WITHOUT_COOLDOWN)
    assert stand.run().outcome == "completed"
    assert stand.writer.rows[-1][0] == pytest.approx(COOLDOWN_S, abs=1.5)


def test_after_a_stop_with_a_cooldown_planned_that_cooldown_is_all_that_follows() -> None:
    stand = stand_of()
    at(stand, 70.0, lambda: dead_worker(stand))
    stand.run()
    assert stand.writer.stages["cooldown"] == "time"
    assert stand.writer.rows[-1][0] == pytest.approx(70.0 + 30.0, abs=3)


def test_a_load_that_nobody_wants_is_left_out_and_the_run_goes_on() -> None:
    stand = stand_of(no_load=True)
    end = stand.run()
    # Pulses of a quarter heat little, and tell much; they stay.
    assert stand.writer.stages == {"idle": "time", "pulses": "time", "load": "skipped", "cooldown": "time"}
    assert events(stand, "load-left-out") == [{"stage": "load"}]
    assert events(stand, "load-refused") == [] and end.outcome == "completed" and end.messages == ()
    assert begun(stand) == ["idle", "pulses", "load", "cooldown"]


def test_a_refused_load_is_skipped_said_loudly_and_makes_the_run_a_stopped_one() -> None:
    why = reason("not-answered", question="is there a leak?")
    stand = stand_of(permit={"refusals": [why]})
    end = stand.run()
    (refused,) = events(stand, "load-refused")
    assert refused["stage"] == "load" and refused["reason"]["code"] == "answers-forbid"
    assert refused["why"] and "leak" in refused["why"]
    assert any(text.startswith("No load in stage load:") and "leak" in text for text in ears(stand).texts(loud=True))
    assert stand.writer.facts["stopped_because"] == list(end.messages) and len(end.messages) == 1
    assert [one["code"] for one in stand.writer.facts["stopped_reasons"]] == ["of-stage"]
    assert end.reasons[0].code == "of-stage"
    # It was never begun, and both its ends lie where it would have begun.
    assert begun(stand) == ["idle", "pulses", "load", "cooldown"] and stand.writer.stages["load"] == "skipped"


def test_a_second_load_after_a_trip_is_refused_without_another_word() -> None:
    stand = stand_of(lambda t_s, share: 95.0 if 30.0 <= t_s < 35.0 else sound(t_s, share))
    end = stand.run()
    (refused,) = events(stand, "load-refused")
    assert refused["reason"]["code"] == "no-load-after-stop"
    assert not any("No load in stage" in text for text, _ in ears(stand).said)
    assert end.outcome == "tripped" and end.messages == () and stand.writer.facts["trip"] == end.trip


def test_a_load_does_not_start_while_a_read_hangs() -> None:
    stand = stand_of()
    hanging: list[str] = []
    stand.bank.hanging = lambda: tuple(hanging)  # type: ignore[method-assign]
    at(stand, 10.0, lambda: hanging.append("die_temp_c"))
    stand.run()
    assert not any(entry[0] == "start" for entry in stand.log)
    assert [one["reason"]["code"] for one in events(stand, "load-refused")] == ["read-hangs", "no-load-after-stop"]


def test_a_load_that_is_to_obey_a_link_does_not_start_while_that_is_silent() -> None:
    stand = stand_of()
    at(stand, 10.0, lambda: setattr(stand.controls, "link_silent", True))
    stand.run()
    assert not any(entry[0] == "start" for entry in stand.log)
    assert [one["reason"]["code"] for one in events(stand, "load-refused")] == ["link-silent", "no-load-after-stop"]


def test_a_load_that_cannot_be_started_is_refused_with_its_own_words() -> None:
    stand = stand_of()

    def fail(demand: Any) -> None:
        raise LoadError("no worker came", where="the load", mend="Look.")

    stand.load.start = fail  # type: ignore[method-assign]
    end = stand.run()
    assert [one["reason"]["code"] for one in events(stand, "load-refused")] == ["load-failed", "no-load-after-stop"]
    # Nothing was unsafe, so it is no stop for safety.
    assert end.outcome == "interrupted" and end.cause is not None and end.cause["class"] == "load-failed"
    assert "no worker came" in str(end.reasons[0]) and end.messages == ()
    assert all(row["load_share"].value == 0.0 for _, row in stand.writer.rows)


def test_what_a_load_has_to_say_of_itself_is_recorded_and_told_once_a_stage() -> None:
    stand = stand_of()
    note = reason("memory-not-locked")
    stand.load.notes = (note,)  # type: ignore[attr-defined]
    stand.run()
    assert events(stand, "load-note") == [
        {"stage": name, "note": str(note), "reason": note.as_json()} for name in ("pulses", "load")
    ]
    assert ears(stand).texts().count(f"Load: {note}.") == 2


def test_other_programs_at_work_while_idle_are_reported_with_their_share() -> None:
    stand = stand_of()
    sample = stand.bank.sample

    def busy(now_s: float, *, load_share: float) -> dict[str, Reading]:
        return sample(now_s, load_share=load_share) | {"busy_share": Reading(value=0.6)}

    stand.bank.sample = busy  # type: ignore[method-assign]
    stand.run()
    assert events(stand, "rest-disturbed") == [{"stage": "idle", "busy_share": pytest.approx(0.6)}]
    assert sum("60%" in text for text in ears(stand).texts()) == 1


def test_a_record_that_cannot_be_closed_is_told_and_the_run_is_not_called_recorded() -> None:
    stand = stand_of()

    def full() -> None:
        raise RecordError("no room left", where="record", mend="Make room.", cause="disk is full")

    stand.writer.close = full  # type: ignore[method-assign]
    end = stand.run()
    assert not end.recorded and [one.code for one in end.reasons] == ["record-not-writable"]
    assert any("could not be closed" in text for text in ears(stand).texts(loud=True))


def test_a_danger_that_was_noted_ends_all_and_stands_in_the_record_by_its_code() -> None:
    stand = stand_of()
    notice = DangerNotice(code="leak", noted="leak=seen", what="a leak", do="Switch it off.")
    at(stand, 30.0, lambda: stand.controls.warn_of(notice))
    end = stand.run()
    assert end.outcome == "stopped" and stand.writer.facts["danger"] == "leak"
    assert events(stand, "danger") == [{"code": "leak", "noted": "leak=seen"}]
    assert ears(stand).texts(loud=True)[-1] == "Switch it off."
    assert stand.writer.stages == {"idle": "time", "pulses": "stopped"}


def test_a_load_that_a_person_runs_is_asked_back_at_the_end() -> None:
    stand = stand_of(text=EXTERNAL_PLAN)
    at(stand, 15.0, lambda: stand.controls.keys.append("l"))
    stand.run()
    assert events(stand, "switch-off-ordered") and events(stand, "load-not-seen-off") == [{}]
    assert any("may still be on" in text for text in ears(stand).texts(loud=True))


def test_blind_load_is_refused_once_its_time_is_used_up_and_the_reason_states_the_time() -> None:
    text = PROFILE.replace('title = "A short plan for tests"', 'title = "t"\nblind_load_s = 10')
    stand = stand_of(text=text, blind=True)
    stand.run()
    (refused,) = events(stand, "load-refused")
    assert refused["stage"] == "load" and refused["reason"]["code"] == "blind-time-used-up"
    assert refused["reason"]["values"]["time_s"] == pytest.approx(10.0)


def test_a_load_that_comes_up_slowly_is_sampled_meanwhile_as_the_stage_before() -> None:
    stand = stand_of()
    start, up_s = stand.load.start, 1026.0

    def slowly(demand: Any) -> None:
        while stand.clock.t < up_s:
            os.sched_yield()
        start(demand)

    stand.load.start = slowly  # type: ignore[method-assign]
    stand.run()
    waiting = [view for view in ears(stand).ticks if PULSES_S < view.t_s < up_s - 1000.0 - 0.5]
    assert len(waiting) >= 4 and {view.stage.name for view in waiting} == {"idle"}
    assert all(view.stage_s == 0.0 and view.share == 0.0 for view in waiting)
    # The fakes' clock runs on while the thread that started the workers is seen to be over.
    name, index, began_s = ears(stand).stages[1]
    assert (name, index) == ("pulses", 1) and began_s >= up_s - 1000.0
    assert stand.writer.stages["pulses"] == "time"


def test_what_happens_while_a_load_comes_up_lets_it_not_begin() -> None:
    stand = stand_of()
    start = stand.load.start

    def slowly(demand: Any) -> None:
        while stand.clock.t < 1026.0 and not stand.controls.end_load.is_set():
            os.sched_yield()
        start(demand)

    stand.load.start = slowly  # type: ignore[method-assign]
    at(stand, 22.0, stand.controls.press_end_load)
    end = stand.run()
    assert end.outcome == "interrupted"
    assert all(share == 0.0 for share in stand.shares())
    assert stand.writer.stages["pulses"] == "skipped"
    assert events(stand, "load-refused")[0]["reason"]["code"] in ("ended-while-coming-up", "no-load-after-stop")


def test_whoever_ends_a_load_on_its_way_up_is_obeyed_at_once() -> None:
    stand = stand_of()
    start = stand.load.start

    def slowly(demand: Any) -> None:
        while stand.clock.t < 1026.0:
            os.sched_yield()
        start(demand)

    stand.load.start = slowly  # type: ignore[method-assign]
    at(stand, 22.0, stand.controls.press_end_load)
    stand.run()
    ((ended_s, _),) = [(t_s, detail) for t_s, kind, detail in stand.writer.events if kind == "operator"]
    assert ended_s == pytest.approx(22.0, abs=1.5)  # and not when the workers are up, at 26 s


SETTLING = """
name = "settling"
title = "Stages that end once it is known where the die settles"

[trip]
die_temp_c = { max = 90.0 }

[[stage]]
name = "idle"
kind = "idle"
min_duration_s = 30
max_duration_s = 400
settle = { channel = "die_temp_c", within_k = 2.0, slowest_time_constant_s = 60 }
gate = { channel = "die_temp_c", max = 50.0 }

[[stage]]
name = "cooldown"
kind = "cooldown"
max_duration_s = 200
"""


def wobbling(level_c: float) -> Any:
    # A sensor of eighths of a degree that is never quite still, so that its spread is no mystery.
    return lambda t_s, share: level_c + 0.125 * (int(t_s) % 2)


def test_a_stage_that_may_settle_lasts_its_least_time_and_no_longer_than_it_takes_to_know() -> None:
    stand = stand_of(wobbling(31.0), SETTLING)
    assert stand.run().outcome == "completed"
    assert stand.writer.stages["idle"] == "settled"
    (_, _, ended_s) = ears(stand).stages[1]
    assert 30.0 <= ended_s < 400.0


def test_a_gate_is_asked_once_more_where_its_stage_has_settled() -> None:
    # On its way to 52 °C, and not yet above the limit of 50: at the end of the stage the forecast itself counts.
    def warming(t_s: float, share: float) -> float:
        return round(8 * (52.0 - 22.0 * math.exp(-t_s / 40.0))) / 8 + 0.125 * (int(t_s) % 2)

    stand = stand_of(warming, SETTLING.replace("within_k = 2.0", "within_k = 5.0"))
    stand.run()
    ended_s = ears(stand).stages[1][2]
    assert ended_s < 400.0 and stand.writer.stages["idle"] == "gate"
    assert not any((row["die_temp_c"].value or 0.0) > 50.0 for t, row in stand.writer.rows if t <= ended_s)
    (closed,) = events(stand, "gate-closed")
    assert closed["reason"]["code"] == "will-be-too-hot" and 50.0 < closed["value"] < 57.0
