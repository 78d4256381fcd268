"""Outlier tests against published examples (figures and sources in data/statistics.toml)."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from verifyrig.capability import GrubbsTest, Unanswered, find_outliers, generalised_esd, grubbs, individuals_chart

STATISTICS: dict[str, Any] = tomllib.loads((Path(__file__).parent / "data" / "statistics.toml").read_text("utf-8"))


def answered(found: GrubbsTest | Unanswered) -> GrubbsTest:
    assert isinstance(found, GrubbsTest)
    return found


def test_grubbs_example_of_the_handbook() -> None:
    example = STATISTICS["grubbs"]
    one_sided = answered(grubbs(example["data"], side="high"))
    # The page prints 2.4687; the data as listed give 2.46877.
    assert one_sided.statistic == pytest.approx(example["statistic"], abs=1e-4)
    assert round(one_sided.critical, 4) == example["critical_one_sided"]
    two_sided = answered(grubbs(example["data"]))
    assert round(two_sided.critical, 4) == example["critical_two_sided"]
    assert (two_sided.value, two_sided.at, two_sided.is_outlier) == (example["outlier"], 7, True)
    assert not answered(grubbs(example["data"], side="low")).is_outlier


def test_generalised_esd_example_of_the_handbook() -> None:
    example = STATISTICS["generalised_esd"]
    found = generalised_esd(example["data"], most=10)
    assert not isinstance(found, Unanswered)
    outliers, steps = found
    # The listing cuts off instead of rounding: 3.1189 is printed 3.119, 2.9429 as 2.943; half a digit is enough.
    assert [step.statistic for step in steps[:5]] == pytest.approx(example["statistics"], abs=0.00051)
    assert [step.critical for step in steps[:5]] == pytest.approx(example["critical"], abs=0.00051)
    assert len(outliers) == example["outliers"]
    assert [example["data"][at] for at in outliers] == [6.01, 5.42, 5.34]


def test_two_outliers_that_hide_one_another_are_both_found() -> None:
    values = [*np.random.default_rng(20).normal(60, 1, 28), 75.0, 75.2]
    assert find_outliers(values) == [29, 28]


def test_indices_are_those_of_the_values_as_given() -> None:
    gappy = [60.1, None, 60.0, 59.9, math.nan, 60.2, 60.05, 75.0, 59.95]
    assert find_outliers(gappy) == [7]


@pytest.mark.parametrize("n", [8, 30])
def test_false_alarms_are_as_rare_as_the_test_says(n: int) -> None:
    rng = np.random.default_rng(21)
    alarms = sum(bool(find_outliers(rng.normal(0, 1, n))) for _ in range(1500))
    # alpha 5 %, 3 sigma of 1500 draws; Rosner's test stays at or below it.
    assert alarms / 1500 <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 1500)


@pytest.mark.parametrize(
    ("values", "why"),
    [([1.0, 2.0], "2 units measured, at least 3"), ([5.0] * 4, "all 4 values are equal"), ([], "0 units")],
)
def test_samples_without_an_answer_say_so(values: list[float], why: str) -> None:
    for found in (grubbs(values), find_outliers(values), generalised_esd(values, most=1)):
        assert isinstance(found, Unanswered)
        assert why in str(found.why)


def test_values_left_equal_after_the_outlier_end_the_search() -> None:
    found = generalised_esd([5.0] * 9 + [9.0], most=5)
    assert not isinstance(found, Unanswered)
    assert found[0] == [9]
    assert len(found[1]) == 1
    with pytest.raises(ValueError, match="at least one"):
        generalised_esd([1.0, 2.0, 3.0], most=0)


def test_equal_values_that_differ_by_rounding_have_no_outlier_and_no_chart() -> None:
    # 3 × 0.1 and 0.3 differ in the last binary digit only (IEEE 754).
    values = [0.3, 0.3, 3 * 0.1, 0.3]
    assert isinstance(find_outliers(values), Unanswered)
    assert isinstance(individuals_chart(values), Unanswered)
