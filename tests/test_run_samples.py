"""One sample of a run, and what comes between two: what is shown, warned of, obeyed and ended, told from outside."""

from __future__ import annotations

import itertools
import math

import pytest

from tests.fakes import PROFILE
from tests.test_interruptions import BenchComputer
from tests.test_run_course import (
    COOLDOWN_S,
    END_S,
    IDLE_S,
    LOAD_S,
    PULSES_S,
    SETTLING,
    at,
    ears,
    events,
    stand_of,
    wobbling,
)
from tests.test_runner import EXTERNAL_PLAN, Stand, sound
from verifyrig.core.interfaces import Quality, Reading
from verifyrig.rig import interruptions
from verifyrig.rig.runner import Ambient

STAGES = {
    "idle": (IDLE_S, PULSES_S),
    "pulses": (PULSES_S, LOAD_S),
    "load": (LOAD_S, COOLDOWN_S),
    "cooldown": (COOLDOWN_S, END_S),
}
ASKING = PROFILE.replace('title = "A short plan for tests"', 'title = "t"\nask_presence_every_s = 60').replace(
    "max_duration_s = 60", "max_duration_s = 300"
)


def codes(stand: Stand, kind: str) -> list[str]:
    return [detail["reason"]["code"] for detail in events(stand, kind)]


def press(stand: Stand, when_s: float, *keys: str) -> None:
    at(stand, when_s, lambda: stand.controls.keys.extend(keys))


# ---- what a face is shown


def test_a_view_tells_how_long_the_stage_and_the_run_may_still_last() -> None:
    stand = stand_of()
    stand.run()
    ticks = ears(stand).ticks
    assert len(ticks) == len(stand.writer.rows) and {view.stage.name for view in ticks} == set(STAGES)
    for view in ticks:
        begin_s, end_s = STAGES[view.stage.name]
        assert view.stage_s == pytest.approx(view.t_s - begin_s, abs=0.01)
        assert view.remaining_s == pytest.approx(end_s - view.t_s, abs=0.01)
        assert view.until_end_s == pytest.approx(END_S - view.t_s, abs=0.01)
        assert view.until_question_s is None and view.order == "" and view.buffer.end == len(ticks)
        die_c = view.readings["die_temp_c"].value
        assert die_c is not None and view.margin_k == pytest.approx(90.0 - die_c)
        assert (view.margin_channel, dict(view.limits_c)) == ("die_temp_c", {"die_temp_c": 90.0})


def test_a_view_names_the_forecast_that_comes_nearest_to_its_limit() -> None:
    stand = stand_of(wobbling(31.0), SETTLING)
    stand.run()
    told = [view for view in ears(stand).ticks if view.forecast is not None]
    assert told and {view.forecast_channel for view in told} == {"die_temp_c"}
    assert all(view.forecast_channel == "" for view in ears(stand).ticks if view.forecast is None)


def test_the_keys_are_those_that_have_an_effect_now() -> None:
    stand = stand_of()
    stand.run()
    may_load = (("Space", "end load"), ("Ctrl-C", "end run"))
    for view in ears(stand).ticks:
        assert view.keys == (may_load if view.stage.name != "cooldown" else (("Ctrl-C", "end run"),))


def test_once_no_load_may_follow_the_key_that_ends_it_is_gone() -> None:
    stand = stand_of(lambda t_s, share: 95.0 if 30.0 <= t_s < 35.0 else sound(t_s, share))
    stand.run()
    after = [view.keys for view in ears(stand).ticks if view.t_s > 31.0]
    assert after and set(after) == {(("Ctrl-C", "end run"),)}


def test_a_load_that_a_person_runs_has_a_key_for_on_and_for_off() -> None:
    stand = stand_of(text=EXTERNAL_PLAN)
    press(stand, 15.0, "l")
    stand.run()
    marks = {round(view.t_s): dict(view.keys).get("L") for view in ears(stand).ticks}
    assert (marks[5], marks[12], marks[20]) == (None, "load on", "load off")
    # At the stage's end it is ordered off, and the order stands until somebody says that it is done.
    hot = stand_of(lambda t_s, share: 95.0 if t_s >= 20.0 else 30.0, EXTERNAL_PLAN)
    press(hot, 15.0, "l")
    press(hot, 25.0, "l")
    hot.run()
    orders = {round(view.t_s): (bool(view.order), dict(view.keys).get("L")) for view in ears(hot).ticks}
    assert orders[22] == (True, "load off") and orders[27] == (False, None)


def test_who_is_asked_for_presence_sees_when_and_with_which_key() -> None:
    stand = stand_of(text=ASKING)
    press(stand, 110.0, "p")
    stand.run()
    for view in ears(stand).ticks:
        asked = view.stage.name in ("pulses", "load")
        assert (view.until_question_s is not None) is asked and (dict(view.keys).get("P") == "present") is asked
    left = {round(view.t_s): view.until_question_s for view in ears(stand).ticks}
    # Nobody is asked before the load; P begins the minute anew.
    assert left[100] == pytest.approx(0.0, abs=61.0) and left[112] == pytest.approx(58.0, abs=1.1)


@pytest.mark.parametrize(
    ("ambient", "typed", "known"),
    [
        (Reading(value=25.0), 22.0, 25.0),
        (Reading(value=25.0, quality=Quality.STUCK), 22.0, 22.0),
        (None, 22.0, 22.0),
        (None, None, None),
    ],
)
def test_the_ambient_is_the_probes_else_what_was_typed(
    ambient: Reading | None, typed: float | None, known: float | None
) -> None:
    stand = stand_of(ambient=None if typed is None else Ambient(value_c=typed, u95_k=0.5))
    sample = stand.bank.sample
    more = {} if ambient is None else {"ambient_temp_c": ambient}
    stand.bank.sample = lambda now_s, *, load_share: {**sample(now_s, load_share=load_share), **more}  # type: ignore[method-assign]
    at(stand, 5.0, lambda: stand.controls.quit("operator"))
    stand.run()
    assert ears(stand).ticks[-1].buffer.ambient_c == known


# ---- what a sample makes the run say or do


def test_the_workers_hear_of_each_sample_before_it_is_written() -> None:
    stand = stand_of(beat_every_s=math.inf)
    stand.run()
    rows = [n for n, entry in enumerate(stand.log) if entry[0] == "row"]
    # Once after the sleep, and once more after the guard has judged, however long the reading took.
    gaps = [stand.log[a:b].count(("beat",)) for a, b in itertools.pairwise(rows)]
    assert min(gaps) >= 2


def test_a_machine_that_stays_hot_after_a_trip_is_to_be_switched_off_and_a_sound_one_is_not() -> None:
    hot = stand_of(lambda t_s, share: 95.0 if t_s >= 30.0 else sound(t_s, share))
    hot.run()
    advised = events(hot, "switch-off-advised")
    assert codes(hot, "switch-off-advised")[0] == "stays-hot" and advised[0]["why"]
    said = [text for text in ears(hot).texts(loud=True) if text.startswith("SWITCH THE MACHINE OFF NOW: ")]
    assert len(said) == len(advised) and said[0].endswith(f"{advised[0]['why']}.")
    # It warms up as fast as one that is to be switched off, and nothing was crossed.
    idle = PROFILE[: PROFILE.index('[[stage]]\nname = "pulses"')].replace("max_duration_s = 20", "max_duration_s = 60")
    warm = stand_of(lambda t_s, share: 30.0 + 0.2 * t_s, "".join(idle.splitlines(keepends=True)[:-2]))
    assert warm.run().outcome == "completed" and events(warm, "switch-off-advised") == []


def test_a_machine_that_warms_up_behind_its_closed_gate_is_to_be_switched_off() -> None:
    stand = stand_of(lambda t_s, share: 55.0 + 0.2 * t_s)
    assert stand.run().outcome == "stopped"
    assert codes(stand, "switch-off-advised")[0] == "still-rises"


def test_while_a_persons_load_is_not_off_heat_is_no_wonder() -> None:
    stand = stand_of(lambda t_s, share: 95.0 if t_s >= 20.0 else 30.0, EXTERNAL_PLAN)
    press(stand, 15.0, "l")
    stand.run()
    assert events(stand, "switch-off-ordered") and events(stand, "switch-off-advised") == []


def test_when_parts_may_be_touched_is_told_while_they_cool_and_not_before() -> None:
    def die(t_s: float, share: float) -> float:
        cooling_s = t_s - COOLDOWN_S
        return (
            80.0 if 61.0 <= t_s < COOLDOWN_S else 30.0 + 50.0 * math.exp(-max(0.0, cooling_s) / 8.0) * (cooling_s > 0)
        )

    stand = stand_of(die, PROFILE.replace(", max_rate_k_per_s = 9.0", "", 1))
    stand.run()
    touched = [
        (t, detail["reason"]["code"], detail["why"]) for t, kind, detail in stand.writer.events if kind == "touch"
    ]
    assert touched and all(t >= COOLDOWN_S for t, _, _ in touched) and touched[-1][1] == "touch-now"
    told = [text for text in ears(stand).texts() if "processor" in text]
    assert told[-1] == f"{touched[-1][2][0].upper()}{touched[-1][2][1:]}."


def test_a_target_that_cannot_be_held_is_told_once() -> None:
    text = PROFILE.replace('pattern = "steady", share = 1.0, workers = "all"', "hold = { power_w = 50.0 }")
    stand = stand_of(text=text)
    stand.run()
    (limited,) = events(stand, "hold-limited")
    assert limited["reason"]["code"] == "hold-no-power"
    assert ears(stand).texts().count(f"The target cannot be held: {limited['why']}.") == 1


# ---- what comes between two samples


def test_a_read_that_hangs_is_noted_from_the_very_first_sample_on_and_once() -> None:
    stand = stand_of()
    stand.bank.hanging = lambda: ("die_temp_c",)  # type: ignore[method-assign]
    stand.run()
    hung = [(t, detail) for t, kind, detail in stand.writer.events if kind == "read-hangs"]
    assert hung == [(0.0, {"channels": ["die_temp_c"]})]
    assert sum(text.startswith("Beware: ") for text in ears(stand).texts()) == 1


def test_a_read_that_hangs_under_load_ends_it_at_once_and_idle_it_ends_nothing() -> None:
    stand = stand_of()
    hanging: list[str] = []
    stand.bank.hanging = lambda: tuple(hanging)  # type: ignore[method-assign]
    at(stand, 70.0, lambda: hanging.append("vrm_temp_c"))
    end = stand.run()
    assert end.outcome == "stopped" and codes(stand, "stopped") == ["read-hangs"]
    assert stand.writer.stages == {"idle": "time", "pulses": "time", "load": "stopped", "cooldown": "time"}


def test_a_system_that_slept_ends_the_run_and_says_how_long(monkeypatch: pytest.MonkeyPatch) -> None:
    stand, asleep_s = stand_of(), [100.0]
    monkeypatch.setattr(interruptions, "_suspended_s", lambda: asleep_s[0])
    at(stand, 70.0, lambda: asleep_s.__setitem__(0, 102.5))
    end = stand.run()
    assert events(stand, "suspend") == [{"slept_s": 2.5}] and end.outcome == "interrupted"
    assert [why.code for why in end.reasons] == ["system-slept"] and stand.load.share == 0.0
    assert stand.writer.stages["load"] == "interrupted" and "cooldown" not in stand.writer.stages


def test_the_space_bar_in_an_idle_stage_lets_no_load_follow() -> None:
    stand = stand_of()
    at(stand, 10.0, stand.controls.press_end_load)
    end = stand.run()
    assert end.outcome == "interrupted" and codes(stand, "operator") == ["space-bar"]
    assert stand.writer.stages["idle"] == "time" and stand.writer.stages["cooldown"] == "time"
    assert stand.writer.stages["load"] == "skipped"


# ---- a load that a person runs, and a bench computer


def test_the_power_shows_that_a_persons_load_is_off_as_ordered() -> None:
    stand = stand_of(lambda t_s, share: 95.0 if t_s >= 30.0 else 30.0, EXTERNAL_PLAN)
    sample = stand.bank.sample

    def powered(now_s: float, *, load_share: float) -> dict[str, Reading]:
        on = 15.0 <= now_s - 1000.0 < 34.0  # the person switches it off four seconds after the order
        return {**sample(now_s, load_share=load_share), "wall_power_w": Reading(value=200.0 if on else 40.0)}

    stand.bank.sample = powered  # type: ignore[method-assign]
    press(stand, 15.0, "l")
    stand.run()
    seen = [(t, detail["seen"]) for t, kind, detail in stand.writer.events if kind == "load" and "seen" in detail]
    assert [by for _, by in seen] == ["power"] and 34.0 <= seen[0][0] <= 38.0
    assert events(stand, "load-not-seen-off") == []


def test_a_die_that_stands_under_a_steady_load_is_asked_by_a_dip() -> None:
    stand = stand_of()
    stand.run()
    (dip,) = events(stand, "dip")
    assert dip["asked"] == ["die_temp_c"] == dip["answered"]


def test_what_happens_to_the_link_is_noted_and_said_and_ends_nothing() -> None:
    stand = stand_of(second=BenchComputer("linked", "lost", "resent", "back"))
    assert stand.run().outcome == "completed"
    assert [one["act"] for one in events(stand, "bench-computer")] == ["linked", "lost", "resent", "back"]
    assert sum("bench computer" in text for text in ears(stand).texts()) == 3


# ---- a load on its way up, and one that ends amid a dip


def test_a_trip_without_a_load_took_no_time_to_end_it() -> None:
    stand = stand_of(lambda t_s, share: 95.0 if 10.0 <= t_s < 15.0 else sound(t_s, share))
    trip = stand.run().trip
    assert trip is not None and trip["load_off_s"] is not None and trip["load_off_s"] < 0.9
