"""The runner's order of things and the safety rules, on a clock that moves only when somebody sleeps."""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Callable
from typing import Any

import pytest

from tests.fakes import PROFILE, Ears, FakeBank, FakeClock, FakeLoad, FakeWriter, profile
from verifyrig.core.errors import RecordError
from verifyrig.core.interfaces import Controls, LoadDemand, MachineOff, Quality, Reading
from verifyrig.core.reason import reason
from verifyrig.rig.arming import arm, limits_of
from verifyrig.rig.load_permit import LoadPermit
from verifyrig.rig.runner import Ambient, Rig, RunEnd, Runner


class Stand:
    """A rig of fakes; `die` gives the die's temperature from time and the share of all that the workers can do."""

    def __init__(self, die: Callable[[float, float], Reading | float], text: str = PROFILE, **permit: Any) -> None:
        self.log: list[tuple[Any, ...]] = []
        self.clock = FakeClock()
        self.load = FakeLoad(self.log)
        self.bank = FakeBank(lambda t_s, share: die(t_s, share * self.load.part))
        self.writer = FakeWriter(self.log)
        self.controls = Controls()
        self.ears = Ears()
        self.plan = profile(text)
        armed, _ = arm(self.plan, self.bank.infos)
        self.rig = Rig(
            profile=self.plan, clock=self.clock, bank=self.bank, load=self.load, writer=self.writer,
            controls=self.controls, observer=self.ears, armed=tuple(armed),
            ambient=Ambient(value_c=22.0, u95_k=0.5),
            permit=LoadPermit(limits_c=limits_of(armed), infos=self.bank.infos, **permit),
        )  # fmt: skip

    def run(self) -> RunEnd:
        return Runner(self.rig).run()

    def shares(self) -> list[float]:
        return [entry[1] for entry in self.log if entry[0] == "share"]


def sound(t_s: float, share: float) -> float:
    # A machine that is cooled so well that two pulses of a quarter tell enough: 40 °C under full load, 90 °C allowed.
    return 30.0 + 10.0 * share


def test_a_sound_machine_goes_through_all_stages() -> None:
    stand = Stand(sound)
    end = stand.run()
    assert end.outcome == "completed"
    assert stand.writer.stages == {"idle": "time", "pulses": "time", "load": "time", "cooldown": "time"}
    assert stand.writer.closed and not stand.writer.abandoned


def test_samples_lie_on_absolute_deadlines_however_late_a_sleep_ends() -> None:
    stand = Stand(sound)
    stand.clock.late = lambda: 0.013
    stand.run()
    times = [t for t, _ in stand.writer.rows]
    drift = max(abs(t - round(t)) for t in times)
    assert len(times) == pytest.approx(20 + 40 + 60 + 30, abs=3)
    assert drift < 0.05


def test_pulses_begin_and_end_at_their_steps() -> None:
    stand = Stand(sound)
    stand.run()
    edges = [(t, d["share"]) for t, kind, d in stand.writer.events if kind == "load"]
    start = edges[0][0]
    assert [(round(t - start, 3), share) for t, share in edges[:4]] == [(0, 1.0), (5, 0.0), (20, 1.0), (25, 0.0)]


def test_a_closed_gate_lets_no_load_start_and_says_switch_off() -> None:
    stand = Stand(lambda t_s, share: 40.0 + t_s)
    end = stand.run()
    assert end.outcome == "stopped"
    assert not any(entry[0] == "start" for entry in stand.log)
    assert all(row["load_share"].value == 0.0 for _, row in stand.writer.rows)
    assert stand.writer.stages["idle"] == "gate" and stand.writer.stages["load"] == "skipped"
    assert any(loud and "Switch the machine off" in text for text, loud in stand.ears.said)


def test_a_gate_without_a_reading_counts_as_closed() -> None:
    gone = Reading(value=None, quality=Quality.MISSING)
    # Only the gate watches here: the trip limit is armed under load alone.
    stand = Stand(lambda t_s, share: gone, PROFILE.replace("max_rate_k_per_s = 9.0", 'in = ["load"]'))
    assert stand.run().outcome == "stopped"
    assert not any(entry[0] == "start" for entry in stand.log)


def test_a_trip_ends_the_load_before_its_sample_is_written_and_forbids_further_load() -> None:
    stand = Stand(lambda t_s, share: 30.0 + (70.0 if share and t_s > 30 else 10 * share))
    end = stand.run()
    assert end.outcome == "tripped" and end.trip is not None
    assert end.trip["rule"] in ("max", "rate") and end.trip["stage"] == "pulses"
    at = next(i for i, entry in enumerate(stand.log) if entry == ("row", end.trip["t_s"]))
    assert ("stop",) in stand.log[:at]
    assert sum(1 for entry in stand.log if entry[0] == "start") == 1
    assert stand.writer.stages["load"] == "skipped" and stand.writer.stages["cooldown"] == "time"


def test_the_heartbeat_comes_more_often_than_every_half_second() -> None:
    stand = Stand(sound)
    beats: list[float] = []
    stand.load.beat = lambda: beats.append(stand.clock.t)  # type: ignore[method-assign]
    stand.run()
    assert max(b - a for a, b in itertools.pairwise(beats)) <= 0.5


def test_space_ends_the_load_at_once_and_recording_goes_on() -> None:
    stand = Stand(sound)

    def press(load: FakeLoad) -> None:
        if load.work > 1000:
            stand.controls.press_end_load()

    stand.load.on_status = press
    end = stand.run()
    assert end.outcome == "interrupted" and end.cause is not None and end.cause["class"] == "operator"
    assert stand.writer.stages["cooldown"] == "time"
    assert stand.load.alive == 0


@pytest.mark.parametrize(
    ("reason", "kind"), [("operator", "operator"), ("terminated", "terminated"), ("hangup", "terminated")]
)
def test_a_signal_ends_the_load_and_closes_the_record(reason: str, kind: str) -> None:
    stand = Stand(sound)
    stand.load.on_status = lambda load: stand.controls.quit(reason) if load.work > 800 else None
    end = stand.run()
    assert end.outcome == "interrupted" and end.cause is not None and end.cause["class"] == kind
    assert stand.writer.closed and stand.load.alive == 0
    assert stand.writer.facts["outcome"] == "interrupted"


def test_a_worker_that_is_gone_stops_the_run() -> None:
    stand = Stand(sound)

    def lose(load: FakeLoad) -> None:
        load.alive = 1 if load.work > 800 else load.alive

    stand.load.on_status = lose
    end = stand.run()
    assert end.outcome == "stopped" and "1 of 2 workers" in end.messages[0]


def test_workers_that_are_there_and_do_no_work_stop_the_run() -> None:
    # Heat comes from work alone: a stage "under load" without any would be measured while idle, and pass.
    stand = Stand(sound)

    def idle(load: FakeLoad) -> None:
        if ("stage", "load") in stand.log:
            load.work = min(load.work, 300.0)

    stand.load.on_status = idle
    end = stand.run()
    assert end.outcome == "stopped" and "did no work in" in end.messages[0]
    assert stand.writer.stages["load"] == "stopped" and stand.load.alive == 0
    assert [d["why"] for _, kind, d in stand.writer.events if kind == "stopped"] == list(end.messages[:1])


def test_pulses_that_fall_between_two_samples_are_not_taken_for_idle_workers() -> None:
    # Nothing can be forecast from pulses that no sample sees: a quarter of the load is all that may follow.
    text = PROFILE.replace("[trip]", "[sampling]\nperiod_s = 10.0\n\n[trip]", 1).replace("share = 1.0", "share = 0.25")
    stand = Stand(sound, text.replace("stale_after_s = 3.0", "stale_after_s = 30.0"))
    before = [0.0]

    def reported_by_the_next_sample(load: FakeLoad) -> None:
        load.work += 100 * (before[0] - load.share)
        before[0] = load.share

    stand.load.on_status = reported_by_the_next_sample
    assert stand.run().outcome == "completed"


def test_a_full_disk_ends_the_load_and_is_told() -> None:
    stand = Stand(sound)
    stand.writer.fail_at = 25
    end = stand.run()
    assert end.outcome == "stopped" and "disk is full" in end.messages[0]
    assert stand.load.alive == 0
    assert any(loud and "cannot be written" in text for text, loud in stand.ears.said)


def test_a_full_disk_ends_an_idle_stage_too_and_is_reported_in_one_clear_clause() -> None:
    stand = Stand(sound)

    def full() -> float:
        if len(stand.writer.rows) >= 3:
            full_disk = "database or disk is full"
            raise RecordError(f"cannot be written ({full_disk})", where="record", mend="Make room.", cause=full_disk)
        return 0.0

    stand.writer.lag_s = full  # type: ignore[method-assign]
    end = stand.run()
    assert end.messages == ("the record cannot be written (database or disk is full); what was committed stays",)
    assert stand.clock.t - 1000.0 < 10.0  # the plan's rest lasts 20 s, and nothing of it would be kept


def test_a_stalling_disk_ends_the_load_after_five_seconds() -> None:
    stand = Stand(sound)
    stand.load.on_status = lambda load: setattr(stand.writer, "lag", 6.0)
    end = stand.run()
    assert end.outcome == "stopped" and "6 s behind" in end.messages[0]


def test_a_machine_gone_dark_leaves_the_record_as_it_is() -> None:
    stand = Stand(sound)

    def dark(load: FakeLoad) -> None:
        if load.work > 800:
            raise MachineOff

    stand.load.on_status = dark
    # The workers of a dark machine are gone with it; the rig abandons the record.
    with pytest.raises(MachineOff):
        stand.run()
    assert not stand.writer.closed and "outcome" not in stand.writer.facts


def test_an_unanswered_question_keeps_loads_above_quarter_pulses_off() -> None:
    stand = Stand(sound, refusals=[reason("not-answered", question="is there a leak?")])
    end = stand.run()
    assert stand.writer.stages["pulses"] == "time" and stand.writer.stages["load"] == "skipped"
    assert end.outcome == "stopped" and "leak" in end.messages[0]


def test_a_load_with_a_hot_forecast_is_not_started() -> None:
    # 30 °C while idle and 12 K in five seconds on a quarter: four times the load cannot stay below 60 °C.
    text = PROFILE.replace("max = 90.0", "max = 60.0")
    stand = Stand(lambda t_s, share: 30.0 + 12.0 * min(share, 1.0), text)
    end = stand.run()
    assert stand.writer.stages["load"] == "skipped"
    assert end.outcome == "stopped"


def test_own_channels_are_always_recorded_under_load() -> None:
    stand = Stand(sound)
    stand.run()
    under = [row for _, row in stand.writer.rows if row["load_share"].value]
    assert under and all(row["compute_errors"].value == 0 for row in under)
    rates = [row["work_rate_per_s"].value for row in under[1:]]
    assert any(rate is not None and math.isfinite(rate) and rate > 0 for rate in rates)


def test_nobody_present_lets_the_load_fall_back_to_idle() -> None:
    text = PROFILE.replace("max_duration_s = 60", "max_duration_s = 600").replace(
        'title = "A short plan for tests"', 'title = "t"\nask_presence_every_s = 100'
    )
    stand = Stand(sound, text)
    end = stand.run()
    assert end.outcome == "stopped" and "present" in end.messages[0]


EXTERNAL_PLAN = """
name = "outside"
title = "A load that a person runs"

[trip]
die_temp_c = { max = 90.0 }

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 10

[[stage]]
name = "load"
kind = "load"
load = { work = "external", pattern = "steady" }
max_duration_s = 40
"""


def test_a_person_marks_an_external_load_on_and_off() -> None:
    stand = Stand(sound, EXTERNAL_PLAN)
    at = {15.0: "l", 30.0: "l"}

    def watch(load: FakeLoad) -> None:
        for t_s, key in list(at.items()):
            if stand.clock.t - 1000.0 >= t_s:
                stand.controls.keys.append(key)
                del at[t_s]

    stand.load.on_status = watch
    end = stand.run()
    edges = [(round(t), d["share"]) for t, kind, d in stand.writer.events if kind == "load"]
    assert end.outcome == "completed"
    assert edges[:2] == [(15, 1.0), (30, 0.0)]
    told = [row["load_share"].value for _, row in stand.writer.rows]
    assert told[5] == 0.0 and told[20] == 1.0 and told[35] == 0.0


def test_a_finding_is_noted_with_one_key() -> None:
    stand = Stand(sound)
    stand.load.on_status = lambda load: stand.controls.keys.append("c") if load.work == 100 else None
    stand.run()
    assert [d["text"] for _, kind, d in stand.writer.events if kind == "finding"] == ["radiator=cold"]


def test_only_an_idle_stage_is_called_disturbed_and_not_the_load_that_was_slow_to_come_up(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    stand = Stand(sound)
    sample, start = stand.bank.sample, stand.load.start

    def busy_sample(now_s: float, *, load_share: float) -> dict[str, Reading]:
        return sample(now_s, load_share=load_share) | {"busy_share": Reading(value=0.6)}

    def slow_start(demand: LoadDemand) -> None:
        until_s = stand.clock.t + 5.0
        while stand.clock.t < until_s:
            time.sleep(0.001)
        start(demand)

    monkeypatch.setattr(stand.bank, "sample", busy_sample)
    monkeypatch.setattr(stand.load, "start", slow_start)
    stand.run()
    assert [d["stage"] for _, kind, d in stand.writer.events if kind == "rest-disturbed"] == ["idle"]
