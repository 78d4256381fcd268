"""Bounds that the runner keeps by itself: a load nobody sees, deadlines that were missed, a gate before any load."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import pytest

from tests.fakes import Ears, FakeBank, FakeClock, FakeLoad, FakeWriter, profile
from verifyrig.core.interfaces import Controls
from verifyrig.rig.arming import arm, limits_of
from verifyrig.rig.blind_time import BlindTime
from verifyrig.rig.load_permit import LoadPermit
from verifyrig.rig.runner import Ambient, Rig, RunEnd, Runner
from verifyrig.rig.schedule import Schedule

BLIND = """
name = "blind"
title = "A load that nobody sees the temperature of"
blind_load_s = 12

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 5

[[stage]]
name = "pulses"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 15, count = 4, workers = "quarter" }

[[stage]]
name = "load"
kind = "load"
load = { work = "linear-algebra", pattern = "steady", share = 1.0 }
max_duration_s = 60

[[stage]]
name = "cooldown"
kind = "cooldown"
max_duration_s = 5
"""


class Stand:
    """A rig of fakes without any temperature: no limit is armed, so the permit has none to hold a load against."""

    def __init__(self, text: str, *, blind: bool) -> None:
        self.log: list[tuple[Any, ...]] = []
        self.clock, self.writer, self.ears = FakeClock(), FakeWriter(self.log), Ears()
        bank = FakeBank(lambda t_s, share: 30.0)
        bank.infos = {}
        bank.sample = lambda now_s, *, load_share: {}  # type: ignore[method-assign]
        self.rig = Rig(
            profile=profile(text), clock=self.clock, bank=bank, load=FakeLoad(self.log), writer=self.writer,
            controls=Controls(), observer=self.ears, armed=(), ambient=None, blind=blind,
            permit=LoadPermit(limits_c=limits_of(())),
        )  # fmt: skip

    def run(self) -> RunEnd:
        return Runner(self.rig).run()

    def on_s(self) -> list[tuple[float, float]]:
        """Return the spans in which the load was on, from the run's own events."""
        edges = [(t_s, detail["share"]) for t_s, kind, detail in self.writer.events if kind == "load"]
        return [(a[0], b[0]) for a, b in itertools.pairwise(edges) if a[1] > 0]


def blind_spans(text: str) -> list[float]:
    stand = Stand(text, blind=True)
    stand.run()
    return [round(end - start, 3) for start, end in stand.on_s()]


def test_blind_pulses_are_whole_ones_and_together_no_longer_than_the_profile_allows() -> None:
    # Of 12 s two pulses of 5 s fit; the third would be cut, and a cut pulse is none. 2 s are left for the steady load.
    assert blind_spans(BLIND) == [5.0, 5.0, 2.0]


def test_a_blind_stage_of_pulses_ends_with_the_last_whole_one() -> None:
    stand = Stand(BLIND, blind=True)
    stand.run()
    start = {name: t for t, name in _stage_starts(stand)}
    assert start["load"] - start["pulses"] == pytest.approx(2 * (5 + 15), abs=0.5)


def test_all_that_blind_pulses_use_up_is_gone_for_the_load_after_them() -> None:
    stand = Stand(BLIND.replace("blind_load_s = 12", "blind_load_s = 10"), blind=True)
    stand.run()
    assert [round(end - start, 3) for start, end in stand.on_s()] == [5.0, 5.0]
    assert stand.writer.stages["load"] == "skipped"


def test_blind_pulses_longer_than_allowed_are_not_begun() -> None:
    stand = Stand(BLIND.replace("blind_load_s = 12", "blind_load_s = 4"), blind=True)
    end = stand.run()
    assert stand.on_s() == [] and stand.writer.stages["pulses"] == "skipped"
    assert end.outcome == "stopped"


def test_a_profile_that_allows_no_blind_load_allows_none_at_all() -> None:
    plan = profile(BLIND.replace("blind_load_s = 12\n", ""))
    assert [BlindTime(plan).on_s(stage) for stage in plan.stages if stage.load is not None] == [0.0, 0.0]


def test_fewer_pulses_than_allowed_stay_as_planned() -> None:
    assert blind_spans(BLIND.replace("blind_load_s = 12", "blind_load_s = 30"))[:4] == [5.0] * 4
    stand = Stand(BLIND.replace("count = 4", "count = 1"), blind=True)
    stand.run()
    assert [round(end - start, 3) for start, end in stand.on_s()] == [5.0, 7.0]


def _stage_starts(stand: Stand) -> list[tuple[float, str]]:
    found, last = [], 0.0
    for entry in stand.log:
        if entry[0] == "row":
            last = entry[1]
        if entry[0] == "stage":
            found.append((last, entry[1]))
    return found


# ---- deadlines

IDLE = """
name = "rest"
title = "Half a minute of rest"

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 30
"""


def sampled_at(late_s: dict[float, float], period_s: float = 1.0) -> list[float]:
    """Return when samples were taken where the first sleep that begins after a time ends late by so much, s."""
    stand = Stand(IDLE.replace("[[stage]]", f"[sampling]\nperiod_s = {period_s}\n\n[[stage]]"), blind=False)

    def oversleep() -> float:
        for at_s in sorted(late_s):
            if stand.clock.t - 1000.0 >= at_s - 1e-9:
                return late_s.pop(at_s)
        return 0.0

    stand.clock.late = oversleep
    stand.run()
    return [round(t_s, 6) for t_s, _ in stand.writer.rows]


def test_samples_that_were_slept_through_are_left_out_and_not_made_up_for() -> None:
    # 3.4 s late at 8 s: the deadlines of 8 to 11 s have gone by. One sample is taken at once; then the grid goes on.
    times = sampled_at({7.7: 3.4})
    assert times[7:12] == [7.0, 11.4, 12.0, 13.0, 14.0]


def test_a_sample_that_is_a_little_late_shifts_none_after_it() -> None:
    assert sampled_at({7.7: 0.3})[7:11] == [7.0, 8.3, 9.0, 10.0]


def test_a_deadline_that_is_met_late_by_a_whole_number_of_periods_is_not_taken_twice() -> None:
    assert sampled_at({7.7: 2.0})[7:11] == [7.0, 10.0, 11.0, 12.0]


def test_a_deadline_is_met_and_not_missed_at_its_own_instant() -> None:
    clock = FakeClock()
    schedule = Schedule(clock, 0.1)
    for n in range(1, 50):
        # 0.1 s is no binary fraction: k periods after the start may come out a hair short of k of them.
        schedule.advance(1000.0 + 0.1 * n)
        assert schedule.next_sample_s == pytest.approx(1000.0 + 0.1 * (n + 1), abs=1e-6)
    # One that is taken early, since somebody wanted something, is not taken again at its deadline.
    schedule.advance(1004.95)
    assert schedule.next_sample_s == pytest.approx(1005.1, abs=1e-6)


def test_the_grid_is_the_plans_own_period() -> None:
    assert sampled_at({9.8: 3.4}, period_s=2.5)[2:7] == [5.0, 7.5, 13.4, 15.0, 17.5]


# ---- a gate that only the forecast closes

GATED = """
name = "gated"
title = "A rest whose end alone is too hot"

[trip]
die_temp_c = { max = 90.0 }

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 200
gate = { channel = "die_temp_c", max = 50.0 }

[[stage]]
name = "load"
kind = "load"
load = { work = "linear-algebra", pattern = "steady", share = 1.0 }
max_duration_s = 60
"""


def test_an_idle_stage_that_will_settle_above_its_gate_lets_no_load_start_though_no_reading_was_too_high() -> None:
    # A first-order rise from 30 °C towards 56 °C with a time constant of 250 s stands at 44.3 °C after 200 s.
    stand = Stand(GATED, blind=False)
    bank = FakeBank(lambda t_s, share: 56.0 - 26.0 * 2.718281828 ** (-t_s / 250.0))
    stand.rig = _with_bank(stand, bank)
    end = stand.run()
    rows = [row["die_temp_c"].value for _, row in stand.writer.rows]
    assert max(value for value in rows[:200] if value is not None) < 50.0
    assert stand.writer.stages["idle"] == "gate" and stand.writer.stages["load"] == "skipped"
    assert end.outcome == "stopped"


def _with_bank(stand: Stand, bank: FakeBank) -> Rig:
    armed, _ = arm(stand.rig.profile, bank.infos)
    permit = LoadPermit(limits_c=limits_of(armed), infos=bank.infos)
    return replace(stand.rig, bank=bank, armed=tuple(armed), ambient=Ambient(value_c=22.0, u95_k=0.5), permit=permit)
