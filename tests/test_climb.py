"""The climb's decisions: up where nothing can pass its limit before the next look, and no further."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from verifyrig.analysis.climb import Climb
from verifyrig.analysis.climb_terms import STOP_S, ClimbAct, ClimbRules, Decision, Sight, look_ahead_s
from verifyrig.analysis.plausible import Settling
from verifyrig.core.trace import FloatArray

DIE = "die_temp_c"
LIMIT_C = 92.0


@dataclass
class Machine:
    """A machine of one lump as an outlook would show it: `rise_k` at full share in the end, `quick_k` of it at once."""

    idle_c: float = 35.0
    rise_k: float = 30.0
    quick_k: float = 20.0
    u_k: float = 1.0
    refresh_s: float = 1.0
    share: float = 0.0
    asked: list[float] = field(default_factory=list)
    full: Settling | None = None
    # What it draws at a share, of 100 W above its 15 W at full share; None: in proportion.
    draws: Callable[[float], float] | None = None

    @property
    def power_w(self) -> float:
        return 15.0 + 100.0 * (self.draws or float)(self.share)

    def power_at_w(self, share: float) -> float:
        return 15.0 + 100.0 * share

    def hottest_c(self, share: float, within_s: float) -> tuple[float, float]:
        self.asked.append(within_s)
        return self.idle_c + self.quick_k * share, self.u_k

    def risk(self, share: float, limit_c: float, within_s: float) -> float:
        hottest_c, u_k = self.hottest_c(share, within_s)
        return 0.5 * math.erfc((limit_c - hottest_c) / (u_k * math.sqrt(2)))

    def answer_k(self, share: float, within_s: float) -> FloatArray:
        return np.full(10, self.quick_k * (share - self.share))

    def settles(self, share: float) -> Settling:
        return self.full or Settling(self.idle_c + self.rise_k * share, 1.96 * self.u_k)


def rules() -> ClimbRules:
    return ClimbRules(
        full_share=1.0,
        limits_c={DIE: LIMIT_C},
        own_limits_c={DIE: 95.0},
        resolution_k={DIE: 1.0},
        look_ahead_s=4.0,
    )


def walk(
    machine: Machine,
    *,
    until_s: float = 200.0,
    answers: bool = True,
    unwatched: Callable[[float], Mapping[str, float]] = lambda _share: {},
    climb: Climb | None = None,
    ends: Mapping[str, Settling] | None = None,
) -> list[tuple[float, Decision]]:
    """Look every 2 s; return the decisions that were more than to hold."""
    climb = climb or Climb(rules(), 0.0)
    found = []
    for t_s in np.arange(0.0, until_s, 2.0):
        shown_c = machine.idle_c + machine.quick_k * (climb.share if answers else 0.0)
        machine.share = climb.share
        decision = climb.look(
            Sight(t_s=float(t_s), temps_c={DIE: shown_c}, outlooks={DIE: machine}, unwatched=unwatched, ends=ends or {})
        )
        if decision.act is not ClimbAct.HOLD:
            found.append((float(t_s), decision))
        if decision.act is ClimbAct.END:
            break
    return found


def test_a_cool_machine_comes_to_full_share_in_four_steps_each_long_enough_to_be_seen() -> None:
    found = walk(Machine())
    assert [decision.share for _, decision in found] == [0.25, 0.5, 0.75, 1.0]
    assert all(decision.act is ClimbAct.RISE for _, decision in found)
    times = [t_s for t_s, _ in found]
    assert np.diff(times).min() >= 10.0


def test_it_looks_as_far_ahead_as_a_reading_is_old_at_worst_and_longer() -> None:
    machine = Machine()
    walk(machine)
    assert min(machine.asked) > 4.0


def test_a_slow_sensor_makes_it_dwell_longer() -> None:
    times = [t_s for t_s, _ in walk(Machine(refresh_s=8.0))]
    assert np.diff(times).min() >= 20.0


def test_it_takes_the_largest_step_that_the_bound_allows() -> None:
    # 40 °C and 50 K: full share reads 90 °C, and 1 K below 92 °C is kept with 1.2 K of uncertainty. 7/8 reads 83.75 °C.
    shares = [decision.share for _, decision in walk(Machine(idle_c=40.0, quick_k=50.0, rise_k=48.0, u_k=1.2))]
    assert shares[:5] == [0.25, 0.5, 0.75, 0.875, 0.9375]
    assert max(shares) < 1.0


def test_it_ends_below_full_share_with_the_figure_and_the_forecast() -> None:
    machine = Machine(quick_k=90.0, rise_k=90.0, u_k=12.0)
    _, last = walk(machine)[-1]
    assert last.act is ClimbAct.END
    assert last.share < 1.0
    assert last.full is not None
    assert last.full.at_c == pytest.approx(125.0)
    assert last.nearest == DIE
    assert last.why.code in ("climb-bound", "climb-full-too-hot")


def test_the_risk_is_one_budget_for_the_whole_climb() -> None:
    # Each step alone takes a third of what is left; their sum stays within the whole.
    machine = Machine(quick_k=55.0, rise_k=50.0, u_k=0.6)
    for _, decision in walk(machine):
        assert decision.risk <= 0.005


def test_no_rise_before_the_sensor_has_answered_the_last_one() -> None:
    found = walk(Machine(), answers=False)
    assert [(decision.act, decision.share) for _, decision in found] == [
        (ClimbAct.RISE, 0.25),
        (ClimbAct.END, 0.25),
    ]
    assert found[-1][1].why.code == "climb-no-answer"


def test_from_half_share_on_two_kelvin_in_ten_seconds_are_asked_for_as_the_guard_does() -> None:
    # 1.5 K a quarter: less than two steps of the sensor, so the first rise asks for nothing.
    found = walk(Machine(quick_k=6.0), answers=False)
    assert [decision.share for _, decision in found] == [0.25, 0.5, 0.5]
    assert found[-1][1].why.code == "climb-no-answer"
    assert found[-1][0] - found[-2][0] <= 14.0


def test_a_reading_of_whole_degrees_may_show_half_a_step_less_than_is_asked() -> None:
    # A sound simulated machine behind a sensor of whole degrees: 2.02 K were expected at least, half of it is asked
    # for, and 36 °C had become 37 °C, which may have been 1.9 K as well as 0.1 K.
    machine, climb, shown = Machine(idle_c=36.0, quick_k=8.08), Climb(rules(), 0.0), []
    for t_s in np.arange(0.0, 60.0, 2.0):
        machine.share = climb.share
        shown_c = 36.0 + {0.0: 0.0, 0.25: 1.0}.get(climb.share, 8.0 * climb.share)
        sight = Sight(t_s=float(t_s), temps_c={DIE: shown_c}, outlooks={DIE: machine}, unwatched=lambda _share: {})
        shown.append(climb.look(sight))
    assert [one.share for one in shown if one.act is ClimbAct.RISE] == [0.25, 0.5, 0.75, 1.0]
    assert not any(one.act is ClimbAct.END for one in shown)


@pytest.mark.parametrize("falls_k", [0.0, 1.0])
def test_a_part_that_draws_nothing_at_a_small_share_has_nothing_to_answer(falls_k: float) -> None:
    # A data-centre card between short blocks: at a quarter of its duty its clocks fell, and it drew 82 W, 70 W at rest
    # and about 300 at half share (read from such a card).
    machine = Machine(draws=lambda share: 0.05 if share <= 0.25 else share)
    climb, shown = Climb(rules(), 0.0), []
    for t_s in np.arange(0.0, 80.0, 2.0):
        machine.share = climb.share
        rise_k = machine.quick_k * climb.share if climb.share > 0.25 else -falls_k * (climb.share > 0)
        shown_c = machine.idle_c + rise_k
        sight = Sight(t_s=float(t_s), temps_c={DIE: shown_c}, outlooks={DIE: machine}, unwatched=lambda _share: {})
        shown.append(climb.look(sight))
    assert [one.share for one in shown if one.act is ClimbAct.RISE] == [0.25, 0.5, 0.75, 1.0]
    assert not any(one.act is ClimbAct.END for one in shown)


def test_a_part_that_draws_what_was_expected_and_shows_none_of_it_ends_the_climb() -> None:
    machine = Machine(draws=lambda share: 0.05 if share <= 0.25 else share)
    found = walk(machine, answers=False)
    assert [decision.share for _, decision in found] == [0.25, 0.5, 0.5]
    assert found[-1][1].why.code == "climb-no-answer"


def test_of_several_cards_one_must_answer() -> None:
    cards = ("gpu_temp_c", "gpu_2_temp_c")
    both = ClimbRules(
        full_share=1.0, limits_c=dict.fromkeys(cards, LIMIT_C), own_limits_c={}, resolution_k={}, look_ahead_s=4.0,
        any_of=(frozenset(cards),),
    )  # fmt: skip
    machine, climb = Machine(), Climb(both, 0.0)
    for t_s in range(0, 60, 2):
        machine.share = climb.share
        temps_c = {cards[0]: 35.0 + 20.0 * climb.share, cards[1]: 35.0}
        climb.look(Sight(t_s=t_s, temps_c=temps_c, outlooks=dict.fromkeys(cards, machine), unwatched=lambda _share: {}))
    assert climb.reached


def test_it_steps_back_where_the_bound_comes_near_and_stays_below_from_then_on() -> None:
    machine, climb = Machine(quick_k=40.0, rise_k=40.0), Climb(rules(), 0.0)
    walk(machine, climb=climb, until_s=100.0)
    assert climb.reached
    machine.idle_c = 52.0
    sight = Sight(t_s=102.0, temps_c={DIE: 92.0}, outlooks={DIE: machine}, unwatched=lambda _share: {})
    decision = climb.look(sight)
    assert decision.act is ClimbAct.STEP_BACK
    assert decision.share <= 0.875
    assert not climb.reached
    assert machine.risk(decision.share, LIMIT_C, 10.0) < 0.005
    assert climb.share < 1.0


def test_it_gives_up_where_no_share_is_left() -> None:
    machine = Machine(idle_c=91.5)
    _, last = walk(machine)[-1]
    assert last.act is ClimbAct.END
    assert last.share == 0.0
    assert last.why.code in ("climb-bound", "climb-full-too-hot")


def test_what_nobody_watches_keeps_the_share_down() -> None:
    _, last = walk(Machine(), unwatched=lambda share: {"regulator": 0.02 if share > 0.3 else 0.001})[-1]
    assert last.act is ClimbAct.END
    assert last.share == 0.25
    assert last.why.code == "climb-unwatched"


def after_a_step_back_for_what_nobody_watches(
    chances: list[float], chance_later: float
) -> list[tuple[float, Decision]]:
    """A climb at full share whose coolant seems too hot for one look for each of `chances`, and not after it."""
    climb, left = Climb(rules(), 0.0), list(chances)
    assert walk(Machine(), climb=climb, until_s=60.0)[-1][1].share == 1.0

    def coolant(share: float) -> Mapping[str, float]:
        if share < 1.0:
            return {"coolant": 1e-6}
        return {"coolant": left[0] if left and climb.share == 1.0 else chance_later}

    found = []
    for t_s in np.arange(60.0, 400.0, 2.0):
        machine = Machine(share=climb.share)
        shown_c = machine.idle_c + machine.quick_k * climb.share
        before = climb.share
        decision = climb.look(Sight(t_s=float(t_s), temps_c={DIE: shown_c}, outlooks={DIE: machine}, unwatched=coolant))
        if left and before == 1.0:
            left.pop(0)
        if decision.act is not ClimbAct.HOLD:
            found.append((float(t_s), decision))
        if decision.act is ClimbAct.END:
            break
    return found


def test_what_nobody_watches_may_turn_out_cooler_and_then_the_share_comes_back() -> None:
    """A forecast sent it back, no reading: once more is known the forecast of before does not hold any more."""
    found = after_a_step_back_for_what_nobody_watches([0.017], chance_later=0.001)
    assert [decision.act for _, decision in found][:1] == [ClimbAct.STEP_BACK]
    assert found[-1][1].act is ClimbAct.RISE
    assert found[-1][1].share == 1.0


def test_what_is_stepped_back_from_must_be_much_safer_before_the_share_comes_back() -> None:
    found = after_a_step_back_for_what_nobody_watches([0.017], chance_later=0.006)
    assert max(decision.share for _, decision in found) < 1.0
    last = found[-1][1]
    assert last.act is ClimbAct.END
    assert last.why.code == "climb-unwatched"
    assert last.why.values["risk"] == 0.006, "what is said is what is known now"


def test_each_step_back_asks_for_more_before_the_share_comes_back() -> None:
    found = after_a_step_back_for_what_nobody_watches([0.017, 0.017, 0.017, 0.017], chance_later=0.001)
    assert [decision.act for _, decision in found].count(ClimbAct.STEP_BACK) == 2
    assert found[-1][1].act is ClimbAct.END


def test_what_a_watched_part_forbade_is_not_tried_again_whatever_nobody_watches() -> None:
    machine, climb = Machine(quick_k=40.0, rise_k=40.0), Climb(rules(), 0.0)
    walk(machine, climb=climb, until_s=100.0)
    assert climb.reached
    machine.idle_c = 52.0
    sight = Sight(
        t_s=102.0,
        temps_c={DIE: 92.0},
        outlooks={DIE: machine},
        unwatched=lambda share: {"coolant": 0.02 if share == 1.0 else 0.0},
    )
    assert climb.look(sight).act is ClimbAct.STEP_BACK
    machine.idle_c = 35.0
    for t_s in range(104, 160, 2):
        climb.look(replace(sight, t_s=float(t_s), temps_c={DIE: 65.0}, unwatched=lambda _share: {}))
    assert climb.share == 0.9375


def test_full_share_is_given_up_where_it_would_surely_settle_too_hot() -> None:
    machine = Machine(rise_k=80.0, u_k=2.0)
    found = walk(machine)
    last = found[-1][1]
    assert last.act is ClimbAct.END
    assert last.why.code == "climb-full-too-hot"
    assert last.share <= 0.5


@pytest.mark.parametrize(("fails_above_c", "ends"), [(80.5, True), (82.0, False), (math.inf, False)])
def test_full_share_that_surely_fails_its_threshold_is_not_held_for_longer_than_a_minute(
    fails_above_c: float, ends: bool
) -> None:
    # It settles at 87 ± 3.9 °C, below its trip limit: held for ever it would come to nothing but a fail. At 82 °C one
    # look in 160 would err, at 80.5 °C one in 1700 (normal distribution).
    climb = Climb(replace(rules(), fails_above_c={DIE: fails_above_c}), 0.0)
    found = walk(Machine(idle_c=37.0, rise_k=50.0, quick_k=30.0, u_k=2.0), climb=climb, until_s=400.0)
    full_s = next(t_s for t_s, decision in found if decision.share == 1.0)
    last_s, last = found[-1]
    assert (last.act is ClimbAct.END) == ends
    if ends:
        assert last.why.code == "climb-surely-fails"
        assert last_s == pytest.approx(full_s + 60.0, abs=2.1)


@pytest.mark.parametrize(("ends_at_c", "u95_k", "gives_up"), [(85.0, 7.0, False), (101.0, 7.0, True)])
def test_at_full_share_the_stage_s_own_forecast_says_whether_it_settles_too_hot(
    ends_at_c: float, u95_k: float, gives_up: bool
) -> None:
    """An outlook is about the next seconds: from its 95 ± 26 °C of a machine that ends at 84 nothing follows."""
    unsure = Settling(92.0 + 1e-3, 26.0)
    machine = Machine(idle_c=50.0, rise_k=35.0, quick_k=30.0, full=unsure)
    found = walk(machine, until_s=400.0, ends={DIE: Settling(ends_at_c, u95_k)})
    assert 1.0 in [decision.share for _, decision in found]
    assert (found[-1][1].act is ClimbAct.END) == gives_up
    if gives_up:
        assert found[-1][1].why.code == "climb-full-too-hot" and found[-1][1].why.values["peak_c"] == ends_at_c


@pytest.mark.parametrize("forecast_comes", [True, False])
def test_full_share_is_not_given_up_by_an_outlook_before_the_stage_s_own_forecast_can_have_come(
    forecast_comes: bool,
) -> None:
    """Once at full share its outlook says 150 ± 13 °C; a forecast of 84 ± 7 °C comes half a minute later, or none."""
    climb, machine = Climb(rules(), 0.0), Machine(idle_c=50.0, rise_k=35.0, quick_k=30.0)
    full_s, ended_s = math.inf, math.inf
    for t_s in np.arange(0.0, 300.0, 2.0).tolist():
        machine.share = climb.share
        machine.full = Settling(150.0, 13.0) if climb.share == 1.0 else None
        decision = climb.look(
            Sight(
                t_s=t_s,
                temps_c={DIE: machine.idle_c + machine.quick_k * climb.share},
                outlooks={DIE: machine},
                unwatched=lambda _share: {},
                ends={DIE: Settling(84.0, 7.0)} if forecast_comes and t_s >= full_s + 30.0 else {},
            )
        )
        full_s = min(full_s, t_s) if climb.share == 1.0 else full_s
        if decision.act is ClimbAct.END:
            ended_s = t_s
            break
    assert full_s < 100.0
    # By the outlook alone it ends after a minute, in which it has learned enough.
    assert ended_s == (math.inf if forecast_comes else full_s + 60.0)


def test_without_an_outlook_it_does_not_begin() -> None:
    climb = Climb(rules(), 0.0)
    decision = climb.look(Sight(t_s=5.0, temps_c={DIE: 35.0}, outlooks={}, unwatched=lambda _share: {}))
    assert decision.act is ClimbAct.HOLD
    assert climb.share == 0.0


def learning_climb(at_c: float, u_k: float) -> list[tuple[float, Decision]]:
    """A machine whose rises come near enough to its limit to wear it, and whose full share is so uncertain."""
    machine = Machine(idle_c=40.0, quick_k=44.0, u_k=0.8, full=Settling(at_c, 1.96 * u_k))
    return walk(machine, until_s=400.0)


def test_as_likely_as_not_too_hot_it_learns_for_a_minute_and_then_goes_on() -> None:
    # 94 ± 12 °C against 92 °C: six in ten.
    found = learning_climb(94.0, 6.0)
    shares = [decision.share for _, decision in found]
    half_s = next(t_s for t_s, decision in found if decision.share == 0.5)
    after_s = next(t_s for t_s, decision in found if decision.share > 0.5)
    assert shares[:2] == [0.25, 0.5] and 60.0 <= after_s - half_s <= 75.0
    assert found[-1][1].act is ClimbAct.END and 180.0 <= found[-1][0] - half_s <= 200.0


def test_likely_too_hot_it_ends_after_a_minute() -> None:
    # 99 ± 12 °C against 92 °C: seven in eight.
    found = learning_climb(99.0, 6.0)
    half_s = next(t_s for t_s, decision in found if decision.share == 0.5)
    assert found[-1][1].act is ClimbAct.END and found[-1][1].share == 0.5
    assert 60.0 <= found[-1][0] - half_s <= 65.0


def test_less_likely_than_not_it_waits_for_nothing() -> None:
    found = learning_climb(88.0, 6.0)
    assert [decision.share for _, decision in found][:3] == [0.25, 0.5, 0.75]
    assert found[2][0] - found[1][0] <= 12.0


def test_the_look_ahead_is_the_worst_age_of_a_reading_and_the_stop() -> None:
    # Fresh every 2 s, sampled every second; a doubtful reading counts as none, and 3 s may pass without one.
    assert look_ahead_s(period_s=1.0, refresh_s=2.0, stale_after_s=3.0, stop_s=0.5) == pytest.approx(2 + 3 + 1 + 0.5)
    # Where a period is longer than what may pass without a reading, it is looked at a second time a period later.
    assert look_ahead_s(period_s=2.0, refresh_s=4.0, stale_after_s=1.0, stop_s=0.5) == pytest.approx(4 + 4 + 0.5)
    # Nobody's stop is thought to be quicker than what was measured under load.
    assert look_ahead_s(period_s=0.5, refresh_s=1.0, stale_after_s=0.5) == pytest.approx(2.0 + STOP_S)
