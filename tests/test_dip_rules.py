"""Dips by hand, sample by sample: who is asked when, who must answer, and whose silence is held against them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pytest

from tests.fakes import die_info
from tests.test_runner import Stand, sound
from verifyrig.core.channels import number_of
from verifyrig.core.interfaces import Quality, Reading
from verifyrig.rig.dip import OpenDip
from verifyrig.rig.dip_control import DipControl
from verifyrig.rig.dips import Dips
from verifyrig.rig.parts import Parts
from verifyrig.rig.watched import Watched


class Hand:
    """`Dips` fed by hand, a second each."""

    def __init__(self, *channels: str, resolution: float = 1.0) -> None:
        infos = {
            c: replace(die_info(), channel=c, resolution=resolution, device=f"card:{number_of(c)}:{c}")
            for c in channels
        }
        self.dips = Dips(infos)
        self.t_s = 0.0
        self.load: object = "work"

    def feed(self, seconds: int, share: float, **values: float) -> list[dict[str, Reading]]:
        if share != self.dips.share and self.dips.open is None:
            self.dips.load_commanded(self.t_s, share, self.load)
        found = []
        for _ in range(seconds):
            self.t_s += 1.0
            found.append(self.dips.take(self.t_s, {name: Reading(value=value) for name, value in values.items()}))
        return found

    def until_due(self, share: float = 1.0, **values: float) -> tuple[str, ...]:
        for _ in range(120):
            self.feed(1, share, **values)
            if due := self.dips.due(self.t_s, share):
                return due
        return ()


def test_each_numbered_die_is_asked_by_itself() -> None:
    hand = Hand("die_temp_c", "die_2_temp_c")
    hand.feed(10, 0.0, die_temp_c=30.0, die_2_temp_c=31.0)
    hand.feed(15, 1.0, die_temp_c=60.0, die_2_temp_c=62.0)
    due = hand.until_due(die_temp_c=61.0, die_2_temp_c=63.0)
    assert due == ("die_temp_c", "die_2_temp_c")
    hand.dips.begin(hand.t_s, due)
    marked = hand.feed(10, 1.0, die_temp_c=50.0, die_2_temp_c=63.0)[-1]
    assert marked["die_temp_c"].ok
    assert marked["die_2_temp_c"].quality is Quality.STUCK
    assert hand.dips.end(hand.t_s).answered == ("die_temp_c",)


def test_no_answer_is_held_against_nobody_while_other_programs_keep_the_machine_busy() -> None:
    hand = Hand("die_temp_c", "package_power_w", "busy_share")
    hand.feed(10, 0.0, die_temp_c=30.0, package_power_w=20.0, busy_share=0.05)
    hand.feed(15, 1.0, die_temp_c=60.0, package_power_w=100.0, busy_share=1.0)
    due = hand.until_due(die_temp_c=61.0, package_power_w=100.0, busy_share=1.0)
    hand.dips.begin(hand.t_s, due)
    readings = hand.feed(12, 1.0, die_temp_c=61.0, package_power_w=98.0, busy_share=1.0)
    assert all(found["die_temp_c"].ok for found in readings)
    assert not hand.dips.end(hand.t_s).fair


def test_each_card_is_asked_by_its_own_power() -> None:
    # The load is on the second card alone: the first stays as it is, and nobody asks it.
    hand = Hand("gpu_temp_c", "gpu_2_temp_c", "gpu_power_w", "gpu_2_power_w")
    idle = {"gpu_temp_c": 35.0, "gpu_power_w": 60.0}
    hand.feed(10, 0.0, **idle, gpu_2_temp_c=34.0, gpu_2_power_w=60.0)
    hand.feed(15, 1.0, **idle, gpu_2_temp_c=55.0, gpu_2_power_w=350.0)
    due = hand.until_due(**idle, gpu_2_temp_c=60.0, gpu_2_power_w=350.0)
    assert due == ("gpu_2_temp_c",)
    hand.dips.begin(hand.t_s, due)
    last = hand.feed(10, 1.0, **idle, gpu_2_temp_c=60.0, gpu_2_power_w=70.0)[-1]
    assert last["gpu_2_temp_c"].quality is Quality.STUCK and last["gpu_temp_c"].ok


def test_what_one_load_showed_is_not_expected_of_another() -> None:
    # Quarter workers after all of them: a quarter of the heat, and no answer of three steps.
    hand = Hand("die_temp_c")
    hand.feed(10, 0.0, die_temp_c=30.0)
    hand.feed(15, 1.0, die_temp_c=60.0)
    hand.feed(40, 0.0, die_temp_c=33.0)
    hand.load = "a quarter of the workers"
    assert hand.until_due(die_temp_c=36.0) == ()


def test_a_stuck_reading_that_moves_again_is_believed_again() -> None:
    hand = Hand("die_temp_c")
    hand.feed(10, 0.0, die_temp_c=30.0)
    hand.feed(15, 1.0, die_temp_c=60.0)
    hand.dips.begin(hand.t_s, hand.until_due(die_temp_c=61.0))
    assert not hand.feed(10, 1.0, die_temp_c=61.0)[-1]["die_temp_c"].ok
    hand.dips.end(hand.t_s)
    assert not hand.feed(1, 1.0, die_temp_c=61.0)[0]["die_temp_c"].ok
    assert hand.feed(1, 1.0, die_temp_c=58.0)[0]["die_temp_c"].ok


# ---- when, and whom


def loaded(*channels: str, **steady: float) -> Hand:
    """Return a machine that showed ten seconds of idle at 30 °C and 15 of a load that moved it to 60 °C."""
    names = channels or ("die_temp_c",)
    hand = Hand(*names)
    hand.feed(10, 0.0, **dict.fromkeys(names, 30.0) | steady)
    hand.feed(15, 1.0, **dict.fromkeys(names, 60.0) | steady)
    return hand


def first_due_s(hand: Hand, until_s: float = 200.0, share: float = 1.0, **values: float) -> float | None:
    while hand.t_s < until_s:
        hand.feed(1, share, **values)
        if hand.dips.due(hand.t_s, share):
            return hand.t_s
    return None


def test_whoever_has_stood_for_half_a_minute_under_load_is_asked() -> None:
    hand = loaded()
    # It stands at 61 °C from 26 s on.
    assert first_due_s(hand, die_temp_c=61.0) == 56.0
    assert hand.dips.none_yet


def test_standing_counts_from_the_last_step_of_the_load_too() -> None:
    hand = Hand("die_temp_c")
    hand.feed(10, 0.0, die_temp_c=30.0)
    hand.feed(25, 0.5, die_temp_c=60.0)
    # 34 s at 60 °C, of which the last at another share.
    hand.feed(10, 1.0, die_temp_c=60.0)
    assert first_due_s(hand, die_temp_c=60.0) == 65.0


def test_from_one_dip_to_the_next_it_is_a_minute() -> None:
    hand = loaded()
    began_s = first_due_s(hand, die_temp_c=61.0)
    assert began_s == 56.0
    hand.dips.begin(began_s, ("die_temp_c",))
    hand.feed(1, 1.0, die_temp_c=50.0)
    assert not hand.dips.none_yet and hand.dips.due(hand.t_s, 1.0) == ()
    assert hand.dips.end(hand.t_s).answered == ("die_temp_c",)
    assert first_due_s(hand, die_temp_c=61.0) == 116.0


@pytest.mark.parametrize(("changed_before_s", "asked"), [(5, True), (4, False)])
def test_a_dip_that_comes_anyway_asks_whoever_has_stood_for_five_seconds(changed_before_s: int, asked: bool) -> None:
    both = ("die_temp_c", "die_2_temp_c")
    hand = loaded(*both)
    hand.feed(30 - changed_before_s, 1.0, die_temp_c=61.0, die_2_temp_c=61.0)
    hand.feed(changed_before_s, 1.0, die_temp_c=61.0, die_2_temp_c=62.0)
    assert hand.dips.due(hand.t_s, 1.0) == ()
    hand.feed(1, 1.0, die_temp_c=61.0, die_2_temp_c=62.0 if asked else 63.0)
    # The first one stands for half a minute now; the other alone would be no reason.
    found = hand.dips.due(hand.t_s, 1.0)
    assert found == (both if asked else both[:1])


def test_who_does_not_lie_on_the_heat_path_or_cannot_be_read_is_never_asked() -> None:
    hand = Hand("die_temp_c", "coolant_temp_c")
    hand.feed(10, 0.0, die_temp_c=30.0, coolant_temp_c=30.0)
    hand.feed(15, 1.0, die_temp_c=60.0, coolant_temp_c=60.0)
    assert hand.until_due(die_temp_c=61.0, coolant_temp_c=61.0) == ("die_temp_c",)
    dips = Dips({"die_temp_c": die_info(unreadable="denied")})
    for t_s in range(100):
        if t_s == 10:
            dips.load_commanded(10.0, 1.0, "work")
        dips.take(float(t_s), {"die_temp_c": Reading(value=30.0 if t_s < 11 else 60.0)})
    assert dips.due(99.0, 1.0) == ()


def test_nobody_is_asked_while_no_load_is_on() -> None:
    # By the power it would still move: 30 K for 80 W.
    hand = loaded("die_temp_c", "package_power_w", package_power_w=20.0)
    hand.feed(40, 1.0, die_temp_c=61.0, package_power_w=100.0)
    assert hand.dips.due(hand.t_s, 0.0) == () and hand.dips.cannot_answer(hand.t_s, 0.0) == ()
    hand.feed(40, 0.0, die_temp_c=61.0, package_power_w=100.0)
    assert hand.dips.due(hand.t_s, 1.0) == () and hand.dips.share == 0.0


def test_before_any_load_the_share_is_none_and_the_first_step_is_watched() -> None:
    hand = Hand("die_temp_c")
    assert hand.dips.share == 0.0
    hand.feed(10, 0.0, die_temp_c=30.0)
    hand.feed(15, 0.5, die_temp_c=60.0)
    assert first_due_s(hand, share=0.5, die_temp_c=60.0) is not None


@pytest.mark.parametrize(("shown", "asked"), [(True, True), (False, False)])
def test_where_the_power_is_read_all_that_it_moved_is_expected(shown: bool, asked: bool) -> None:
    # 5 K: four steps of 1 K, and half of it is not.
    hand = Hand("die_temp_c", *(["package_power_w"] if shown else []))

    def with_power(power_w: float) -> dict[str, float]:
        return {"package_power_w": power_w} if shown else {}

    hand.feed(10, 0.0, die_temp_c=30.0, **with_power(20.0))
    hand.feed(15, 1.0, die_temp_c=35.0, **with_power(100.0))
    assert (first_due_s(hand, die_temp_c=35.0, **with_power(100.0)) is not None) is asked


def test_how_far_it_must_move_follows_from_the_step_that_moved_it() -> None:
    # From half to the whole load: 10 K, of which half is expected where no power is read: more than three steps of 1 K.
    hand = Hand("die_temp_c")
    hand.feed(30, 0.5, die_temp_c=50.0)
    hand.feed(15, 1.0, die_temp_c=60.0)
    assert first_due_s(hand, die_temp_c=60.0) is not None


def test_the_same_share_commanded_again_is_no_step() -> None:
    hand = Hand("die_temp_c")
    hand.dips.load_commanded(0.0, 1.0, "work")
    hand.feed(20, 1.0, die_temp_c=30.0)
    hand.dips.load_commanded(hand.t_s, 1.0, "work")
    # Whatever moves it now is not this load's beginning.
    assert first_due_s(hand, die_temp_c=60.0) is None


def test_another_load_begins_with_nothing_known_and_the_same_one_does_not() -> None:
    hand = loaded()
    hand.feed(30, 0.0, die_temp_c=30.0)
    hand.feed(1, 1.0, die_temp_c=31.0)
    assert first_due_s(hand, 130.0, die_temp_c=60.0) is not None
    hand = loaded()
    hand.feed(30, 0.0, die_temp_c=30.0)
    hand.load = "another"
    hand.dips.load_commanded(hand.t_s, 1.0, hand.load)
    # It stands as it did while idle: nobody knows how far this load would move it.
    assert first_due_s(hand, 130.0, die_temp_c=30.0) is None


def test_a_reading_that_is_not_to_be_believed_neither_stands_nor_changes() -> None:
    hand = loaded()
    stale = Reading(value=70.0, quality=Quality.STALE)
    for _ in range(10):
        hand.t_s += 1.0
        for one in ({"die_temp_c": stale}, {}, {"die_temp_c": Reading(value=None)}):
            assert hand.dips.take(hand.t_s, one) == one
    # At 60 °C since 11 s: as if nothing had been read meanwhile.
    assert first_due_s(hand, die_temp_c=60.0) == 41.0


# ---- who cannot answer


def test_whoever_this_load_moves_too_little_is_named_once_a_load() -> None:
    hand = Hand("die_temp_c")
    hand.feed(10, 0.0, die_temp_c=30.0)
    hand.feed(59, 1.0, die_temp_c=33.0)
    assert hand.dips.cannot_answer(hand.t_s, 1.0) == ()
    # It stands at 33 °C since 11 s; 3 K of which half is expected are no answer of three steps.
    hand.feed(2, 1.0, die_temp_c=33.0)
    assert hand.dips.due(hand.t_s, 1.0) == ()
    assert hand.dips.cannot_answer(hand.t_s, 1.0) == ("die_temp_c",)
    assert hand.dips.cannot_answer(hand.t_s, 1.0) == ()
    hand.load = "another"
    hand.dips.load_commanded(hand.t_s, 0.9, hand.load)
    hand.feed(60, 0.9, die_temp_c=33.0)
    assert hand.dips.cannot_answer(hand.t_s, 0.9) == ("die_temp_c",)


def test_whoever_can_answer_or_is_asked_now_is_not_named() -> None:
    hand = loaded()
    hand.feed(70, 1.0, die_temp_c=61.0)
    assert hand.dips.cannot_answer(hand.t_s, 1.0) == ()
    hand = Hand("die_temp_c")
    hand.feed(10, 0.0, die_temp_c=30.0)
    hand.feed(70, 1.0, die_temp_c=33.0)
    hand.dips.begin(hand.t_s, ())
    assert hand.dips.cannot_answer(hand.t_s, 1.0) == ()


# ---- the answer


def asked(*channels: str, **values: float) -> Hand:
    hand = loaded(*channels, **values)
    due = hand.until_due(**dict.fromkeys(["die_temp_c"], 61.0) | values)
    assert "die_temp_c" in due
    hand.dips.begin(hand.t_s, due)
    return hand


def test_whoever_does_not_move_for_ten_seconds_of_a_dip_is_stuck_and_asked_no_more() -> None:
    hand = asked()
    found = hand.feed(10, 1.0, die_temp_c=61.0)
    assert [one["die_temp_c"].ok for one in found] == [True] * 9 + [False]
    assert found[-1]["die_temp_c"] == Reading(
        value=61.0, quality=Quality.STUCK, note="it did not move at all when the load dipped for 10 s"
    )
    dip = hand.dips.end(hand.t_s)
    assert (dip.from_s, dip.until_s, dip.asked, dip.answered, dip.fair) == (
        hand.t_s - 10.0, hand.t_s, ("die_temp_c",), (), True,
    )  # fmt: skip
    assert first_due_s(hand, 300.0, die_temp_c=61.0) is None


def test_only_whoever_was_asked_is_held_to_an_answer() -> None:
    hand = loaded("die_temp_c", "die_2_temp_c")
    hand.feed(40, 1.0, die_temp_c=61.0, die_2_temp_c=61.0)
    hand.dips.begin(hand.t_s, ("die_temp_c",))
    last = hand.feed(12, 1.0, die_temp_c=50.0, die_2_temp_c=61.0)[-1]
    assert last["die_temp_c"].ok and last["die_2_temp_c"].ok


@pytest.mark.parametrize(("low_w", "quality", "fair"), [
    (20.0, Quality.OK, True), (98.0, Quality.OK, False), (20.0, Quality.STALE, False),
])  # fmt: skip
def test_no_answer_counts_only_where_the_power_is_seen_to_fall(low_w: float, quality: Quality, fair: bool) -> None:
    hand = asked("die_temp_c", "package_power_w", package_power_w=100.0)
    for _ in range(11):
        hand.t_s += 1.0
        marked = hand.dips.take(
            hand.t_s,
            {"die_temp_c": Reading(value=61.0), "package_power_w": Reading(value=low_w, quality=quality)},
        )
    assert marked["die_temp_c"].ok is not fair and hand.dips.end(hand.t_s).fair is fair


def test_samples_from_a_dips_begin_to_ten_seconds_after_its_end_are_left_out() -> None:
    hand = loaded()
    assert not hand.dips.leaves_out(hand.t_s)
    hand = asked()
    began_s = hand.t_s
    assert hand.dips.leaves_out(began_s) and hand.dips.leaves_out(began_s + 1000.0)
    hand.dips.end(began_s + 2.0)
    assert hand.dips.leaves_out(began_s + 12.0) and not hand.dips.leaves_out(began_s + 12.5)
    with pytest.raises(ValueError, match="no dip"):
        hand.dips.end(began_s + 3.0)


def test_those_who_are_asked_are_looked_at_four_times_a_second() -> None:
    stand = Stand(sound)
    parts = Parts(stand.rig)
    control = DipControl(stand.rig, parts)
    assert control.next_look_s == float("inf")
    parts.dips.begin(0.0, ())
    assert control.next_look_s == 0.25


# ---- one temperature, one dip


def watched(values: Mapping[float, float], *, resolution: float = 0.0, power_w: float | None = None) -> Watched:
    """Return a die that showed 30 °C and 20 W for five seconds, and then values by time under a load from 5 s on."""
    one = Watched("die_temp_c", {"die_temp_c": replace(die_info(), resolution=resolution)})
    for t_s in range(5):
        one.take(float(t_s), 30.0, 20.0 if power_w is not None else None)
    one.load_rises(5.0, 1.0)
    for at_s, value in values.items():
        one.take(at_s, value, power_w)
    return one


def test_what_a_load_moved_within_ten_seconds_is_what_its_absence_must_move() -> None:
    # 8 K by this load; no power is read, so that half is expected: four steps of 1 K, where none smaller was seen.
    assert watched({10.0: 38.0}).must_answer(1.0, None)
    assert not watched({10.0: 37.9}, resolution=1.0).must_answer(1.0, None)
    assert not watched({10.0: 38.0}).must_answer(0.9, None)
    # What comes later than ten seconds is the slow part, which a short dip does not show.
    assert not watched({10.0: 35.0, 15.0: 35.0, 16.0: 45.0}).must_answer(1.0, None)
    # A fall counts as a rise does.
    assert watched({10.0: 22.0}).must_answer(1.0, None)


def test_by_the_power_that_is_taken_away_the_whole_answer_is_expected() -> None:
    one = watched({10.0: 34.0}, power_w=100.0)
    assert one.must_answer(0.1, 100.0) and one.must_answer(0.1, 200.0)
    assert not one.must_answer(1.0, 99.0)
    # Without a reading of it now, half is all that can be expected.
    assert not one.must_answer(1.0, None)


def test_no_more_is_expected_than_what_the_load_moved_when_it_began() -> None:
    # 3 K by 80 W, and 200 W are taken away: still 3 K, less than four steps.
    assert not watched({10.0: 33.0}, power_w=100.0).must_answer(1.0, 300.0)
    # 7 K from half of the load to all of it; the whole load is taken away, and half of 7 K is expected.
    one = watched({})
    one.load_rises(5.0, 0.5)
    one.take(10.0, 37.0, None)
    assert not one.must_answer(1.0, None)
    # A load of half a watt is a load: all of its 5 K are expected.
    assert watched({10.0: 35.0}, power_w=20.5).must_answer(1.0, 20.5)


def test_a_power_that_was_not_read_before_the_load_says_nothing() -> None:
    one = watched({10.0: 38.0})
    one.take(11.0, 38.0, 100.0)
    assert one.must_answer(1.0, 100.0) and not one.must_answer(0.9, 100.0)


def test_where_it_stood_is_the_mean_of_the_five_readings_before() -> None:
    one = Watched("die_temp_c", {"die_temp_c": die_info()})
    assert not one.named
    for t_s, value in enumerate([0.0] * 10 + [40.0] * 5):
        one.take(float(t_s), value, None)
    one.load_rises(15.0, 1.0)
    one.take(20.0, 47.9, None)
    assert not one.must_answer(1.0, None)
    one.take(21.0, 48.0, None)
    assert one.must_answer(1.0, None)


def test_what_it_showed_before_one_step_does_not_count_before_the_next() -> None:
    one = watched({10.0: 60.0, 15.0: 60.0, 16.0: 60.0})
    one.forget()
    one.load_rises(17.0, 1.0)
    one.take(18.0, 64.0, None)
    assert not one.must_answer(1.0, None)


def test_a_load_that_is_not_known_yet_asks_nobody() -> None:
    one = Watched("die_temp_c", {"die_temp_c": die_info()})
    one.load_rises(0.0, 1.0)
    one.take(1.0, 90.0, None)
    assert not one.must_answer(1.0, None)
    one = watched({10.0: 60.0})
    one.forget()
    assert not one.must_answer(1.0, None)


def test_a_smaller_step_that_was_seen_makes_smaller_answers_count_and_the_resolution_bounds_it() -> None:
    # 2 K, half expected: four steps of 0.25 K.
    assert watched({9.0: 31.75, 10.0: 32.0}).must_answer(1.0, None)
    assert not watched({9.0: 31.75, 10.0: 32.0}, resolution=0.5).must_answer(1.0, None)


def test_a_change_tells_when_it_was_and_takes_back_that_it_is_stuck() -> None:
    one = watched({10.0: 60.0})
    assert (one.value, one.changed_s) == (60.0, 10.0)
    one.stuck = "it did not move"
    one.take(11.0, 60.0, None)
    assert (one.changed_s, one.stuck) == (10.0, "it did not move")
    one.take(12.0, 61.0, None)
    assert (one.changed_s, one.stuck) == (12.0, "")


def test_each_part_is_known_by_its_own_power_and_busy_share() -> None:
    names = ("die_temp_c", "package_power_w", "busy_share", "gpu_temp_c", "gpu_power_w", "gpu_busy_share")
    infos = {name: replace(die_info(), channel=name, device="gpu:0" if "gpu" in name else "cpu:0") for name in names}
    die, card = Watched("die_temp_c", infos), Watched("gpu_temp_c", infos)
    assert (die.power, die.busy) == ("package_power_w", "busy_share")
    assert (card.power, card.busy) == ("gpu_power_w", "gpu_busy_share")


def test_a_dip_is_over_with_the_last_answer_or_after_ten_seconds() -> None:
    dip = OpenDip(100.0, {"a": 50.0, "b": 60.0}, {})
    assert dip.unanswered == ("a", "b") and not dip.is_over(109.0)
    dip.hear("a", Reading(value=50.0))
    dip.hear("c", Reading(value=1.0))
    dip.hear("a", Reading(value=49.0, quality=Quality.STALE))
    assert dip.unanswered == ("a", "b")
    dip.hear("a", Reading(value=49.0))
    dip.hear("a", Reading(value=48.0))
    assert "a" not in dip.unanswered and not dip.is_over(109.9) and dip.is_time_up(110.0) and dip.is_over(110.0)
    dip.hear("b", Reading(value=59.0))
    assert dip.is_over(101.0)
    assert dip.over(101.5, fair=False).as_detail() == {
        "until_s": 101.5, "left_out_until_s": 111.5, "asked": ["a", "b"], "answered": ["a", "b"], "fair": False,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("before", "lowest", "fair"),
    [
        ({"p": 100.0}, {"p": 70.0}, True),
        ({"p": 100.0}, {"p": 71.0}, False),
        ({"p": 100.0}, {}, False),
        ({"p": 0.5}, {"p": 0.5}, False),
        ({}, {"p": 99.0}, True),  # what was not read before says nothing
        ({"b": 0.8}, {"b": 0.4}, True),
        ({"b": 0.8}, {"b": 0.41}, False),
        ({"b": 0.19}, {"b": 0.19}, True),  # so little work was none of the load's
        ({"b": 0.2}, {"b": 0.2}, False),
    ],
)
def test_the_heat_went_away_where_power_and_work_fell_with_the_load(
    before: Mapping[str, float], lowest: Mapping[str, float], fair: bool
) -> None:
    dip = OpenDip(100.0, {"a": 50.0}, before)
    dip.take_levels(lowest)
    dip.take_levels(dict.fromkeys(lowest, 200.0))
    assert dip.is_fair("p" if "p" in {**before, **lowest} else None, "b" if "b" in before else None) is fair
