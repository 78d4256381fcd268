"""The buffer of a run: what it answers, each against the same samples kept as a plain list."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

import pytest

from verifyrig.core.interfaces import Quality, Reading
from verifyrig.rig.run_buffer import RunBuffer
from verifyrig.rig.trends import Trends

DIE = "die_temp_c"


def filled(values: Sequence[float | None], *, step_s: float = 1.0, most_rows: int = 10_000) -> RunBuffer:
    buffer = RunBuffer(most_rows)
    for n, value in enumerate(values):
        quality = Quality.OK if value is not None else Quality.MISSING
        buffer.add(n * step_s, {DIE: Reading(value=value, quality=quality)})
    return buffer


def test_a_window_holds_what_was_read_in_its_seconds_and_nothing_else() -> None:
    buffer = filled([20.0, 21.0, None, 23.0, 24.0, 25.0])
    assert buffer.window(DIE, 3.0) == [(3.0, 23.0), (4.0, 24.0), (5.0, 25.0)]
    assert buffer.window(DIE, 3.0, since=4) == [(4.0, 24.0), (5.0, 25.0)]
    assert buffer.window("vrm_temp_c", 3.0) == []


def test_a_reading_that_is_not_to_be_believed_is_no_value() -> None:
    buffer = RunBuffer()
    for n, quality in enumerate((Quality.OK, Quality.STALE, Quality.STUCK, Quality.IMPLAUSIBLE)):
        buffer.add(float(n), {DIE: Reading(value=50.0 + n, quality=quality)})
    assert [math.isnan(value) for value in buffer.rows().column(DIE)] == [False, True, True, True]
    assert buffer.newest[DIE].value == 53.0


def test_a_channel_that_comes_late_or_goes_leaves_gaps_in_its_column() -> None:
    buffer = RunBuffer()
    buffer.add(0.0, {DIE: Reading(value=40.0)})
    buffer.add(1.0, {DIE: Reading(value=41.0), "vrm_temp_c": Reading(value=60.0)})
    buffer.add(2.0, {"vrm_temp_c": Reading(value=61.0)})
    rows = buffer.rows()
    assert rows.column(DIE) == pytest.approx([40.0, 41.0, math.nan], nan_ok=True)
    assert rows.column("vrm_temp_c") == pytest.approx([math.nan, 60.0, 61.0], nan_ok=True)
    assert rows.column(None) == pytest.approx([math.nan] * 3, nan_ok=True)


def test_the_rate_is_the_rise_over_the_whole_window_divided_by_its_time() -> None:
    buffer = filled([30.0 + 2.0 * n for n in range(10)])
    trends = Trends(buffer)
    assert trends.rate_per_s(DIE, 10.0) is None  # nine seconds are not ten
    buffer.add(10.0, {DIE: Reading(value=50.0)})
    assert trends.rate_per_s(DIE, 10.0) == pytest.approx(2.0)
    assert trends.rate_per_s(DIE, 10.0, since=1) is None


def test_a_rate_reaches_back_over_a_gap_and_over_what_nothing_confirmed() -> None:
    buffer = filled([30.0, 31.0])
    trends = Trends(buffer)
    trends.leave_out(DIE)
    buffer.add(2.0, {DIE: Reading(value=None, quality=Quality.MISSING)})
    buffer.add(12.0, {DIE: Reading(value=54.0)})
    assert trends.rate_per_s(DIE, 10.0) == pytest.approx((54.0 - 30.0) / 12.0)


def by_hand(values: list[float], step_s: float, refresh_s: float) -> list[tuple[float, float]]:
    found: list[tuple[float, float]] = []
    for n, value in enumerate(values):
        if not found or value != found[-1][1] or n * step_s - found[-1][0] >= refresh_s:
            found.append((n * step_s, value))
    return found[-3:]


@pytest.mark.parametrize("seed", range(5))
def test_fresh_readings_are_the_same_however_often_somebody_asks(seed: int) -> None:
    dice = random.Random(seed)
    values = [float(dice.choice((40, 40, 40, 41, 42))) for _ in range(200)]
    asked = RunBuffer()
    whole, often = Trends(filled(values, step_s=0.5)), Trends(asked)
    for n, value in enumerate(values):
        asked.add(n * 0.5, {DIE: Reading(value=value)})
        if dice.random() < 0.5:
            assert often.fresh(DIE, 2.0, 0) == by_hand(values[: n + 1], 0.5, 2.0)
    assert whole.fresh(DIE, 2.0, 0) == often.fresh(DIE, 2.0, 0) == by_hand(values, 0.5, 2.0)


def test_what_is_fresh_begins_anew_at_a_step_of_the_load() -> None:
    buffer = filled([40.0, 50.0, 60.0])
    trends = Trends(buffer)
    assert len(trends.fresh(DIE, 2.0, 0)) == 3
    step = buffer.end
    assert trends.fresh(DIE, 2.0, step) == []
    buffer.add(3.0, {DIE: Reading(value=60.0)})
    assert trends.fresh(DIE, 2.0, step) == [(3.0, 60.0)]


def test_samples_of_a_dip_are_kept_and_count_in_no_forecast() -> None:
    buffer = RunBuffer()
    for n in range(6):
        buffer.add(float(n), {DIE: Reading(value=50.0 + n)}, share=1.0, left_out=n in (2, 3))
    assert len(buffer.rows().t_s) == 6
    counted = buffer.rows(with_left_out=False)
    assert list(counted.t_s) == [0.0, 1.0, 4.0, 5.0]
    assert list(counted.column(DIE)) == [50.0, 51.0, 54.0, 55.0]


def test_memory_is_bounded_and_rows_keep_their_numbers() -> None:
    buffer = filled([40.0 + n % 7 for n in range(20_000)], most_rows=5_000)
    assert buffer.end == 20_000
    assert 5_000 <= len(buffer.rows().t_s) < 5_000 + 3_600
    assert list(buffer.rows(19_998).t_s) == [19_998.0, 19_999.0]
    assert buffer.last_values(DIE, 3, 0, 19_990) == [40.0 + n % 7 for n in (19_987, 19_988, 19_989)]
    assert buffer.highest(DIE, 0) == 46.0
    # A column that first comes when the oldest rows are gone is as long as all others.
    buffer.add(20_000.0, {"vrm_temp_c": Reading(value=70.0)})
    assert len(buffer.rows().column("vrm_temp_c")) == len(buffer.rows().t_s)


def test_the_last_values_before_a_moment_are_in_order_and_skip_gaps() -> None:
    buffer = filled([1.0, 2.0, None, 4.0, 5.0, 6.0])
    assert buffer.last_values(DIE, 3, since=0, until=5) == [2.0, 4.0, 5.0]
    assert buffer.last_values(DIE, 3, since=4, until=5) == [5.0]
    assert buffer.highest(DIE, 3) == 6.0 and buffer.highest(DIE, 6) is None


def test_a_sample_that_says_nothing_of_the_load_is_one_without_load_and_counts() -> None:
    buffer = filled([40.0])
    buffer.add(1.0, {DIE: Reading(value=41.0)}, share=0.5, heating={DIE: 0.25})
    rows = buffer.rows(with_left_out=False)
    assert list(rows.t_s) == [0.0, 1.0]
    assert list(rows.share) == [0.0, 0.5]
    assert list(rows.heating(DIE)) == [0.0, 0.25]
    assert list(rows.heating("gpu_temp_c")) == [0.0, 0.0]


def test_a_moment_not_named_is_the_beginning() -> None:
    buffer = filled([70.0, 41.0, 42.0])
    trends = Trends(buffer)
    assert buffer.window(DIE, 60.0) == [(0.0, 70.0), (1.0, 41.0), (2.0, 42.0)]
    assert buffer.highest(DIE, 0) == 70.0
    assert trends.rate_per_s(DIE, 2.0) == pytest.approx(-14.0)
    assert buffer.last_values(DIE, 9, since=0, until=buffer.end) == [70.0, 41.0, 42.0]


def test_a_rate_takes_the_very_last_reading_before_its_window() -> None:
    buffer = filled([10.0, 30.0, None, 50.0, 60.0])
    trends = Trends(buffer)
    assert trends.rate_per_s(DIE, 2.0) == pytest.approx((60.0 - 30.0) / 3.0)


def test_a_channel_that_nobody_read_has_no_rate_and_no_values() -> None:
    buffer = filled([40.0, 41.0])
    trends = Trends(buffer)
    assert trends.rate_per_s("vrm_temp_c", 1.0) is None
    assert trends.fresh("vrm_temp_c", 1.0, 0) == []
    assert buffer.last_values("vrm_temp_c", 3, 0, buffer.end) == []


def test_a_day_of_samples_is_kept_and_no_more_than_an_hour_beyond() -> None:
    buffer = RunBuffer()
    day, hour = 24 * 3600, 3600
    for n in range(day + hour - 1):
        buffer.add(float(n), {})
    assert len(buffer.rows().t_s) == day + hour - 1
    buffer.add(float(day + hour), {})
    assert len(buffer.rows().t_s) == day


KEPT = 100
DROPPED = 3600


def after_a_drop(values: Sequence[float | None]) -> RunBuffer:
    """A buffer whose oldest 3 600 samples are gone, with these values as the newest; all before are 40.0."""
    return filled([40.0] * (DROPPED + KEPT - len(values)) + list(values), most_rows=KEPT)


def test_what_the_buffer_answers_does_not_depend_on_what_it_dropped() -> None:
    newest = [50.0, 52.0, None, 56.0, 58.0]
    end = DROPPED + KEPT
    buffer = after_a_drop(newest)
    trends = Trends(buffer)
    assert buffer.end == end and len(buffer.rows().t_s) == KEPT
    assert buffer.window(DIE, 10.0, since=end - 2) == [(end - 2.0, 56.0), (end - 1.0, 58.0)]
    assert trends.rate_per_s(DIE, 3.0) == pytest.approx((58.0 - 52.0) / 3.0)
    assert trends.rate_per_s(DIE, 2.0) == pytest.approx((58.0 - 52.0) / 3.0)
    assert trends.fresh(DIE, 2.0, 0) == [(end - 4.0, 52.0), (end - 2.0, 56.0), (end - 1.0, 58.0)]
    assert buffer.highest(DIE, end - 5) == 58.0


def test_a_reading_that_stands_is_fresh_by_time_after_a_drop_as_before() -> None:
    """By hand: of a value that stands, one in two seconds is fresh."""
    buffer = after_a_drop([])
    trends = Trends(buffer)
    last_s = buffer.t_s
    assert trends.fresh(DIE, 2.0, 0) == [(last_s - 5.0, 40.0), (last_s - 3.0, 40.0), (last_s - 1.0, 40.0)]


def test_a_fresh_reading_that_was_dropped_is_forgotten() -> None:
    buffer = filled([40.0] * (DROPPED + KEPT - 1), most_rows=KEPT)
    trends = Trends(buffer)
    assert trends.fresh(DIE, math.inf, 0) == [(0.0, 40.0)]
    buffer.add(float(DROPPED + KEPT - 1), {DIE: Reading(value=40.0)})
    assert trends.fresh(DIE, math.inf, 0) == [(DROPPED + KEPT - 1.0, 40.0)]


@pytest.mark.parametrize("row", [DROPPED, DROPPED + 50])
def test_what_counts_in_no_trend_stays_so_after_a_drop(row: int) -> None:
    buffer = RunBuffer(KEPT)
    trends = Trends(buffer)
    for n in range(DROPPED + KEPT):
        buffer.add(float(n), {DIE: Reading(value=90.0 if n == row else 40.0)})
        if n == row:
            trends.leave_out(DIE)
    trends.leave_out(DIE)  # only what was dropped may be forgotten by now
    since = row
    assert trends.rate_per_s(DIE, buffer.t_s - row, since=since) is None
    assert trends.fresh(DIE, math.inf, since) == [(row + 1.0, 40.0)]


def test_a_window_begins_with_the_sample_on_its_edge() -> None:
    assert filled([20.0, 21.0, 22.0, 23.0]).window(DIE, 2.0) == [(1.0, 21.0), (2.0, 22.0), (3.0, 23.0)]


def test_the_newest_sample_and_its_ambient_stand_for_now() -> None:
    buffer = RunBuffer()
    for n, ambient_c in enumerate((22.0, 23.5, None)):
        buffer.add(float(n), {DIE: Reading(value=40.0 + n)}, ambient_c=ambient_c)
        assert (buffer.newest[DIE].value, buffer.ambient_c) == (40.0 + n, ambient_c)
    assert list(buffer.rows().ambient_c[:2]) == [22.0, 23.5] and math.isnan(buffer.rows().ambient_c[2])


def test_what_a_dip_leaves_out_stays_left_out_after_a_drop() -> None:
    buffer = RunBuffer(most_rows=5_000)
    for n in range(9_000):
        buffer.add(float(n), {DIE: Reading(value=50.0)}, left_out=n >= 8_990)
    assert len(buffer.rows().t_s) < 9_000
    assert float(buffer.rows(with_left_out=False).t_s[-1]) == 8_989.0
