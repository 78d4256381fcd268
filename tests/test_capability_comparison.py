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
    assert over_reference_ambient([70.0, None, 75.0], [22.0, 22.0, None], 25.0) == [73.0, None, None]
    with pytest.raises(ValueError, match="shorter"):
        over_reference_ambient([70.0], [], 25.0)


def test_groups_without_an_answer_say_so() -> None:
    for found in (compare_means([1.0], [1.0, 2.0]), compare_ranks([1.0, 2.0], []), equivalence([1.0], [], margin=1.0)):
        assert isinstance(found, Unanswered)
        assert "two of each" in str(found.why)
    same = compare_means([1.0, 1.0], [2.0, 2.0])
    assert isinstance(same, Unanswered)
    assert "equal within both groups" in str(same.why)
    with pytest.raises(ValueError, match="margin"):
        equivalence(OLD, NEW, margin=0.0)
