"""Comparison of two groups against published examples, scipy and statsmodels."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from verifyrig.capability import (
    Equivalence,
    MeanDifference,
    Shift,
    Unanswered,
    compare_means,
    compare_ranks,
    compare_summaries,
    equivalence,
    over_reference_ambient,
)

STATISTICS: dict[str, Any] = tomllib.loads((Path(__file__).parent / "data" / "statistics.toml").read_text("utf-8"))
OLD = [52.1, 53.4, 51.8, 54.0, 52.9, 53.3, 55.1]
NEW = [50.2, 51.1, 49.9, 50.7, 52.0, 50.4]


def answered(found: MeanDifference | Unanswered) -> MeanDifference:
    assert isinstance(found, MeanDifference)
    return found


def test_welch_of_the_handbooks_cars() -> None:
    cars = STATISTICS["welch_cars"]
    found = answered(compare_summaries(cars["n1"], cars["mean1"], cars["sd1"], cars["n2"], cars["mean2"], cars["sd2"]))
    assert round(-found.t, 3) == cars["t"]  # the handbook takes first minus second
    assert round(found.dof, 2) == cars["dof"]
    assert found.p_value / 2 == pytest.approx(cars["p_one_tail"], rel=5e-4)
    assert found.significant


def test_welch_of_the_handbooks_assembly_times() -> None:
    example = STATISTICS["welch_assembly"]
    found = answered(compare_means(example["old"], example["new"]))
    assert round(-found.t, 3) == example["t"]
    assert round(found.dof, 4) == example["dof"]
    assert round(found.p_value, 5) == example["p"]


def test_interval_agrees_with_the_reference_library() -> None:
    from scipy import stats

    found = answered(compare_means(OLD, NEW))
    theirs = stats.ttest_ind(NEW, OLD, equal_var=False)
    interval = theirs.confidence_interval(0.95)
    assert found.low == pytest.approx(interval.low)
    assert found.high == pytest.approx(interval.high)
    assert found.p_value == pytest.approx(float(theirs.pvalue))


def test_ranks_agree_with_the_reference_library_and_state_the_shift() -> None:
    from scipy import stats

    found = compare_ranks(OLD, NEW)
    assert isinstance(found, Shift)
    assert found.p_value == pytest.approx(float(stats.mannwhitneyu(OLD, NEW).pvalue))
    assert found.shift == pytest.approx(float(np.median([b - a for a in OLD for b in NEW])))
    assert found.low <= found.shift <= found.high < 0


def test_shift_interval_covers_as_often_as_it_says() -> None:
    rng = np.random.default_rng(27)
    covered = 0
    for _ in range(1000):
        found = compare_ranks(rng.exponential(1, 12), rng.exponential(1, 15) + 0.5)
        assert isinstance(found, Shift)
        covered += found.low <= 0.5 <= found.high
    assert covered / 1000 == pytest.approx(0.95, abs=3 * math.sqrt(0.95 * 0.05 / 1000))


@pytest.mark.parametrize("margin", [0.5, 2.0, 3.0, 6.0])
def test_equivalence_agrees_with_statsmodels(margin: float) -> None:
    weightstats = pytest.importorskip("statsmodels.stats.weightstats", reason="statsmodels is not installed")
    found = equivalence(OLD, NEW, margin=margin)
    assert isinstance(found, Equivalence)
    p_value = weightstats.ttost_ind(NEW, OLD, -margin, margin, usevar="unequal")[0]
    assert found.p_value == pytest.approx(p_value, rel=1e-9)
    # Schuirmann: equivalent exactly where the 90 % interval lies within the margin.
    assert found.equivalent == (-margin < found.low and found.high < margin)


def test_no_difference_found_is_not_the_same_as_equivalent() -> None:
    rng = np.random.default_rng(28)
    ones, others = rng.normal(60, 3, 4), rng.normal(60, 3, 4)
    assert not answered(compare_means(ones, others)).significant
    vague = equivalence(ones, others, margin=1.0)
    assert isinstance(vague, Equivalence)
    assert not vague.equivalent


def test_temperatures_move_with_their_room_and_an_unknown_room_gives_none() -> None:
    moved = over_reference_ambient(np.array([70.0, np.nan, 75.0]), np.array([22.0, 22.0, np.nan]), 25.0)
    assert moved[0] == 73.0 and np.isnan(moved[1:]).all()
    with pytest.raises(ValueError, match="shape"):
        over_reference_ambient(np.array([70.0]), np.array([]), 25.0)


def test_groups_without_an_answer_say_so() -> None:
    for found in (compare_means([1.0], [1.0, 2.0]), compare_ranks([1.0, 2.0], []), equivalence([1.0], [], margin=1.0)):
        assert isinstance(found, Unanswered)
        assert "two of each" in str(found.why)
    same = compare_means([1.0, 1.0], [2.0, 2.0])
    assert isinstance(same, Unanswered)
    assert "equal within both groups" in str(same.why)
    with pytest.raises(ValueError, match="margin"):
        equivalence(OLD, NEW, margin=0.0)


# p, low, high and shift of R 4.2.2, wilcox.test(second, first, conf.int = TRUE, exact = TRUE). Where so few units reach
# no 95 %, R prints the widest interval of lower confidence; at n = 4 it is still exact.
@pytest.mark.parametrize(
    ("first", "second", "p_value", "low", "high", "shift"),
    [
        ([1.1, 2.3, 3.7, 4.2], [2.9, 5.1, 6.6, 7.4], 0.1142857, -1.3, 6.3, 2.85),
        ([1.1, 2.3, 3.7, 4.2, 5.9], [2.9, 5.1, 6.6, 7.4, 8.8], 0.0952381, -0.8, 6.3, 2.9),
        (
            [1.1, 2.3, 3.7, 4.2, 5.9, 3.3, 2.7],
            [2.9, 5.1, 6.6, 7.4, 8.8, 9.1, 4.9],
            0.01748252,
            0.7,
            5.5,
            3.2,
        ),
        (
            [0.8, 1.9, 3.1, 4.4, 5.2, 6.7, 7.3, 8.6, 9.5, 10.2],
            [1.4, 2.2, 6.1, 8.3, 9.9, 11.7, 12.5, 13.1],
            0.2369852,
            -1.9,
            6.8,
            2.95,
        ),
    ],
)
def test_rank_intervals_of_few_units_are_those_of_r(
    first: list[float], second: list[float], p_value: float, low: float, high: float, shift: float
) -> None:
    found = compare_ranks(first, second)
    assert isinstance(found, Shift)
    tied = len(set(first) & set(second)) > 0
    assert found.p_value == pytest.approx(p_value, rel=0.1 if tied else 1e-6)
    assert (found.low, found.high, found.shift) == pytest.approx((low, high, shift))


def test_ranks_of_two_and_two_can_show_nothing() -> None:
    found = compare_ranks([1.0, 2.0], [50.0, 60.0])
    assert isinstance(found, Shift)
    # Both orders that separate them are 2 of 6: p = 1/3 at the least.
    assert found.p_value == pytest.approx(1 / 3)
    assert (found.low, found.high) == (-math.inf, math.inf)


def test_interval_and_p_of_ranks_agree_with_ties_too() -> None:
    rng = np.random.default_rng(30)
    for n in (4, 5, 7, 12, 40):
        for shift in (0, 1, 2):
            found = compare_ranks(rng.integers(0, 5, n).astype(float), (rng.integers(0, 5, n) + shift).astype(float))
            assert isinstance(found, Shift)
            assert (not found.low <= 0 <= found.high) == (found.p_value <= 0.05)


def test_equivalence_by_ranks_is_the_ninety_percent_interval_within_the_margin() -> None:
    rng = np.random.default_rng(31)
    ones, others = rng.exponential(1, 40), rng.exponential(1, 40)
    for margin in (0.1, 0.5, 1.0, 2.0):
        found = equivalence(ones, others, margin=margin, by="ranks")
        assert isinstance(found, Equivalence)
        assert found.equivalent == (-margin < found.low and found.high < margin)
    assert isinstance(found, Equivalence) and found.equivalent
