"""A load that only a person can end: nothing says that it is off before they, or its power, have said so."""

from __future__ import annotations

import io
import itertools
from collections.abc import Callable, Mapping
from dataclasses import replace

import pytest

from tests.fakes import FakeLoad, die_info
from tests.silent import Silent
from tests.test_runner import EXTERNAL_PLAN, Stand
from verifyrig.core.interfaces import Reading
from verifyrig.rig.note_keys import keys_now
from verifyrig.rig.observer import Attention, TickView
from verifyrig.rig.switch_off import BELIEVED_S, SwitchOffOrder
from verifyrig.terminal.lines import PlainLines
from verifyrig.terminal.panel import key_line

PLAN = EXTERNAL_PLAN + '\n[[stage]]\nname = "cooldown"\nkind = "cooldown"\nmax_duration_s = 60\n'
COLUMNS = 60


class Watcher(Silent):
    """Keeps every view and every sentence, and presses keys at their times."""

    def __init__(self, stand: Stand, keys: Mapping[float, str]) -> None:
        self.views: list[TickView] = []
        self.said: list[str] = []
        self.called: list[tuple[int, Attention | None]] = []
        self._stand = stand
        self._keys = dict(keys)

    def tick(self, view: TickView) -> None:
        self.views.append(view)
        for t_s in [t_s for t_s in self._keys if view.t_s >= t_s]:
            self._stand.controls.keys.append(self._keys.pop(t_s))

    def say(self, text: str, *, loud: bool = False) -> None:
        self.said.append(text)

    def attend(self, what: Attention | None) -> None:
        self.called.append((round(self.views[-1].t_s) if self.views else 0, what))


def watched(
    keys: Mapping[float, str], die: Callable[[float, float], float], wall_w: Callable[[float], float] | None = None
) -> tuple[Stand, Watcher]:
    stand = Stand(die, PLAN)
    watcher = Watcher(stand, keys)
    stand.rig = replace(stand.rig, observer=watcher)
    if wall_w is not None:
        sample = stand.bank.sample
        stand.bank.infos = {"die_temp_c": die_info(), "wall_power_w": replace(die_info(), channel="wall_power_w")}

        def with_power(now_s: float, *, load_share: float) -> dict[str, Reading]:
            return {**sample(now_s, load_share=load_share), "wall_power_w": Reading(value=wall_w(now_s - 1000.0))}

        stand.bank.sample = with_power  # type: ignore[method-assign]
    return stand, watcher


def hot_from(t_hot_s: float) -> Callable[[float, float], float]:
    return lambda t_s, share: 95.0 if t_hot_s <= t_s < t_hot_s + 2 else 40.0


def test_after_a_trip_the_order_stands_until_a_person_says_that_it_is_off() -> None:
    stand, watcher = watched({12.0: "l", 45.0: "l"}, hot_from(20.0))
    end = stand.run()
    assert end.outcome == "tripped" and end.trip is not None
    ordered = [round(view.t_s) for view in watcher.views if view.order]
    assert ordered[0] == 20 and ordered[-1] == 45 and len(ordered) == 26
    assert not any("load is off" in text.lower() for text in watcher.said if "Noted" not in text)
    # What is not off is not recorded as off, and the trip says how long it took.
    shares = {round(t): row["load_share"].value for t, row in stand.writer.rows}
    assert shares[19] == shares[30] == shares[44] == 1.0 and shares[47] == 0.0
    assert end.trip["load_off_s"] == pytest.approx(25.0, abs=1.5)


def test_whoever_runs_the_load_is_called_to_switch_it_off_and_no_longer_once_it_is() -> None:
    stand, watcher = watched({12.0: "l", 45.0: "l"}, hot_from(20.0))
    stand.run()
    what = [called for _, called in watcher.called]
    assert what == [Attention.QUESTION, Attention.TRIP, None]
    assert watcher.called[-1][0] in (45, 46)


def test_a_load_that_nobody_marked_is_ordered_off_all_the_same() -> None:
    stand, watcher = watched({}, hot_from(20.0))
    end = stand.run()
    assert end.trip is not None and end.trip["load_off_s"] is None
    assert watcher.views[-1].order
    assert any("may still be on" in text for text in watcher.said)
    assert [kind for _, kind, _ in stand.writer.events].count("load-not-seen-off") == 1


def test_the_order_ends_where_the_power_is_seen_to_fall_back_to_idle() -> None:
    stand, watcher = watched({12.0: "l"}, hot_from(25.0), lambda t: 120.0 if 12 <= t < 40 else 30.0)
    end = stand.run()
    ordered = [round(view.t_s) for view in watcher.views if view.order]
    assert ordered[0] == 25 and 40 <= ordered[-1] <= 44
    assert end.trip is not None and end.trip["load_off_s"] == pytest.approx(17.0, abs=2.0)


def test_a_processor_that_slows_itself_down_is_not_taken_for_one_without_load() -> None:
    # From 120 W to 70 W, at a rest of 30 W: it draws less, and works on.
    stand, watcher = watched({12.0: "l"}, hot_from(25.0), lambda t: 30.0 if t < 12 else 120.0 if t < 26 else 70.0)
    stand.run()
    assert watcher.views[-1].order


def test_a_word_that_the_power_contradicts_is_asked_for_once_more() -> None:
    stand, watcher = watched({12.0: "l", 30.0: "l"}, hot_from(25.0), lambda t: 30.0 if t < 12 else 120.0)
    stand.run()
    assert not [view for view in watcher.views if 31 < view.t_s < 39 and view.order]
    doubted = [view for view in watcher.views if view.t_s > 32 + BELIEVED_S]
    assert doubted and all("really off" in view.order for view in doubted)
    assert doubted[-1].share == 1.0


@pytest.mark.parametrize("keys", [{12.0: "l"}, {12.0: "l", 25.0: " "}])
def test_the_end_of_a_stage_and_the_space_bar_order_it_off_too(keys: dict[float, str]) -> None:
    stand, watcher = watched({t: key for t, key in keys.items() if key != " "}, lambda t_s, share: 40.0)

    def press(load: FakeLoad) -> None:
        if " " in keys.values() and stand.clock.t >= 1025.0:
            stand.controls.press_end_load()

    stand.load.on_status = press
    stand.run()
    assert watcher.views[-1].order and watcher.views[-1].share == 1.0


def test_plain_lines_repeat_the_order_with_a_bell_until_it_is_lifted() -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    stand, watcher = watched({12.0: "l", 45.0: "l"}, hot_from(20.0))
    stand.run()
    out = Terminal()
    face = PlainLines(out)
    face.begin(stand.plan, stand.bank.infos, [])
    for view in watcher.views:
        face.tick(view)
    assert out.getvalue().count("Switch the load on the machine off now") == out.getvalue().count("\a") == 6


def test_the_key_line_fits_in_60_columns_and_names_only_what_works() -> None:
    for load, mark, asked in itertools.product((True, False), ("", "load on", "load off"), (True, False)):
        line = key_line(keys_now(load_may_be_on=load, mark=mark, who_is_here=asked))
        assert len(line) < COLUMNS
        assert ("Space" in line, "L:" in line, "P:" in line) == (load, bool(mark), asked)


def test_the_keys_follow_the_state_of_the_load() -> None:
    _, watcher = stand_and_watcher = watched({12.0: "l", 45.0: "l"}, hot_from(20.0))
    stand_and_watcher[0].run()
    at = {round(view.t_s): dict(view.keys) for view in watcher.views}
    assert at[5] == {"Space": "end load", "Ctrl-C": "end run"}
    assert at[11]["L"] == "load on" and at[15]["L"] == "load off"
    assert at[30] == {"L": "load off", "Ctrl-C": "end run"}
    assert at[50] == {"Ctrl-C": "end run"}


def test_a_power_that_does_not_show_the_load_lifts_nothing() -> None:
    order = SwitchOffOrder()
    for t in range(10):
        order.sample(float(t), {"wall_power_w": Reading(value=30.0)}, 0.0)
    for t in range(10, 20):
        order.sample(float(t), {"wall_power_w": Reading(value=32.0)}, 1.0)
    order.give(20.0, 1.0)
    assert not any(order.sample(float(t), {"wall_power_w": Reading(value=29.0)}, 1.0) for t in range(20, 40))
    assert order.stands
