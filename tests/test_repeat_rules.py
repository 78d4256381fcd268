"""What start and power explain of a peak and of a steepest rise, by the closed form of one time constant."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.test_contradiction_rules import STAGE, trace_of
from verifyrig.analysis.course import Course
from verifyrig.analysis.repeatability import ComparedCourse, explained_k_per_s, explained_peak_k, reading_of
from verifyrig.analysis.results import Metric


def metric(value: float | None, unit: str = "°C") -> Metric:
    return Metric(value=value, unit=unit, u95=None, budget=())


def course(
    *, start_c: float = 30.0, peak_c: float | None = 80.0, after_s: float = 1000.0, unseen_k: float = 0.0,
    rate: float | None = 2.0, settled_c: float | None = 80.0, shift_k: float = 0.0,
) -> ComparedCourse:  # fmt: skip
    read = Course(
        start_c=start_c, peak=metric(peak_c), peak_after_s=after_s, unseen_k=unseen_k, rate=metric(rate, "K/s"),
        scatter_k=0.1,
    )  # fmt: skip
    return ComparedCourse(course=read, settled_c=settled_c, shift_k=shift_k, peak_lines=())


def test_a_start_is_corrected_for_the_ambient_and_the_way_is_not() -> None:
    one = course(shift_k=-2.0)
    assert (one.start_c, one.way_k) == (28.0, 50.0) and course(settled_c=None).way_k is None


# ---- the peak


def test_two_runs_alike_explain_nothing() -> None:
    assert explained_peak_k(course(), course(), 60.0, 0.0) == 0.0
    assert explained_k_per_s(course(), course(), 0.0) == 0.0


@pytest.mark.parametrize("swapped", [False, True])
def test_of_a_start_that_differs_what_is_left_at_the_peak_is_explained(swapped: bool) -> None:
    # A peak at 60 of the way from 30 to 80 °C leaves 40 % of a start; of 60 s one time constant after 60 s, 37 %.
    both = [course(peak_c=60.0, after_s=60.0), course(start_c=33.0, peak_c=75.0, after_s=600.0)]
    before, after = reversed(both) if swapped else both
    assert explained_peak_k(before, after, 60.0, 0.0) == pytest.approx(3.0 * 0.4)
    # In a machine with a part of ten minutes 90 % of it sits there still.
    assert explained_peak_k(before, after, 600.0, 0.0) == pytest.approx(3.0 * math.exp(-0.1))


def test_the_starts_are_compared_at_one_ambient() -> None:
    before, after = course(peak_c=60.0, after_s=60.0), course(start_c=33.0, peak_c=63.0, after_s=60.0, shift_k=-3.0)
    assert explained_peak_k(before, after, 60.0, 0.0) == 0.0


def test_no_more_than_the_whole_of_a_start_is_left() -> None:
    # A peak below its start, as in a cooldown's noise, or read before the stage began.
    low = course(peak_c=20.0, after_s=-5.0)
    assert explained_peak_k(low, course(start_c=34.0, peak_c=20.0, after_s=-5.0), 60.0, 0.0) == pytest.approx(4.0)


def test_a_peak_before_the_stage_leaves_the_whole_of_a_start() -> None:
    before, after = (course(start_c=start_c, settled_c=None, after_s=-5.0) for start_c in (30.0, 33.0))
    assert explained_peak_k(before, after, 60.0, 0.0) == 3.0


@pytest.mark.parametrize("settled_c", [None, 30.0])
def test_where_no_way_is_known_the_slowest_part_alone_counts(settled_c: float | None) -> None:
    before = course(settled_c=settled_c, peak_c=60.0, after_s=60.0)
    after = course(start_c=33.0, settled_c=None, peak_c=60.0, after_s=60.0)
    assert explained_peak_k(before, after, 60.0, 0.0) == pytest.approx(3.0 * math.exp(-1.0))


@pytest.mark.parametrize("share", [0.05, -0.05])
def test_another_power_moves_a_peak_by_its_share_of_the_rise(share: float) -> None:
    assert explained_peak_k(course(peak_c=70.0), course(peak_c=80.0), 60.0, share) == pytest.approx(0.05 * 50.0)
    # The rise is the run's own: no correction for the ambient is part of it.
    assert explained_peak_k(course(shift_k=7.0), course(shift_k=7.0), 60.0, share) == pytest.approx(0.05 * 50.0)


def test_what_nobody_saw_of_a_fall_adds_to_it() -> None:
    assert explained_peak_k(course(unseen_k=1.5), course(unseen_k=0.5), 60.0, 0.05) == pytest.approx(1.5 + 2.5)


# ---- the steepest rise


def test_a_start_moves_a_rise_in_proportion_to_the_way_before_it() -> None:
    # 2 K/s over ten seconds are 20 K of a way of 50 K; of 5 K at the start 40 % fall into that window of 10 s.
    assert explained_k_per_s(course(), course(start_c=25.0, settled_c=75.0), 0.0) == pytest.approx(5.0 * 0.4 / 10.0)
    # Of two ways the shorter, of two rates the steeper.
    after = course(start_c=25.0, settled_c=65.0, rate=-3.0)
    assert explained_k_per_s(course(), after, 0.0) == pytest.approx(5.0 * (30.0 / 40.0) / 10.0)
    assert explained_k_per_s(course(rate=None), course(start_c=25.0, settled_c=75.0), 0.0) == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("settled_c", "rate"),
    [(None, 2.0), (40.0, 2.0)],  # no way is known; a way of 10 K is no longer than the window's rise
)
def test_a_start_moves_a_rise_by_itself_at_most(settled_c: float | None, rate: float) -> None:
    after = course(start_c=25.0, settled_c=None if settled_c is None else 35.0, rate=rate)
    assert explained_k_per_s(course(settled_c=settled_c), after, 0.0) == pytest.approx(0.5)


@pytest.mark.parametrize("share", [0.05, -0.05])
def test_another_power_moves_a_rise_by_its_share(share: float) -> None:
    assert explained_k_per_s(course(rate=2.0), course(rate=-4.0), share) == pytest.approx(0.05 * 4.0)
    assert explained_k_per_s(course(rate=None), course(rate=None), share) == 0.0
    assert explained_k_per_s(course(shift_k=3.0), course(), 0.0) == pytest.approx(3.0 * 0.4 / 10.0)


# ---- as it is read


def test_a_course_is_read_with_what_its_sensor_is_good_to() -> None:
    trace = trace_of(30.0 + 0.1 * np.arange(101.0))
    read = reading_of(trace, STAGE, "die_temp_c", metric(50.0), -1.0)
    assert read is not None and (read.settled_c, read.shift_k, read.way_k) == (50.0, -1.0, 20.0)
    assert read.course.peak.value == pytest.approx(40.0)
    # ± 0.4 K at 95 % is twice its standard uncertainty (JCGM 100:2008, 2.3.6).
    assert any(line.standard_uncertainty == pytest.approx(0.2) for line in read.peak_lines)
    for settled in (None, metric(None)):
        unknown = reading_of(trace, STAGE, "die_temp_c", settled, 0.0)
        assert unknown is not None and unknown.settled_c is None
    assert reading_of(trace, STAGE, "gpu_temp_c", None, 0.0) is None
