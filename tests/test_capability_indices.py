"""Capability, claims and charts of few units (figures and sources in data/statistics.toml)."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from verifyrig.capability import (
    Capability,
    Normality,
    Unanswered,
    bissell_lower_bound,
    capability,
    check_normality,
    clean_units_missing,
    cpk_lower_bound,
    k_one_sided,
    units_for_claim,
    zero_events_bound,
)

STATISTICS: dict[str, Any] = tomllib.loads((Path(__file__).parent / "data" / "statistics.toml").read_text("utf-8"))


def sample_with(mean: float, sd: float, n: int = 20, seed: int = 1) -> list[float]:
    """Return n values whose sample mean and standard deviation are exactly these."""
    raw = np.random.default_rng(seed).normal(0, 1, n)
    return list(mean + sd * (raw - raw.mean()) / raw.std(ddof=1))


def answered(found: Capability | Unanswered) -> Capability:
    assert isinstance(found, Capability)
    return found


def test_capability_example_of_the_handbook() -> None:
    example = STATISTICS["capability"]
    values = sample_with(example["mean"], example["sd"])
    found = answered(capability(values, minimum=example["minimum"], maximum=example["maximum"]))
    # The handbook takes the spread of all units, which ISO 22514-2 calls performance (Pp, Ppk).
    assert found.pp == pytest.approx(example["cp"])
    assert round(found.ppk, 4) == example["cpk"]
    assert round(answered(capability(values, maximum=example["maximum"])).ppk, 4) == example["cpu"]
    assert round(answered(capability(values, minimum=example["minimum"])).ppk, 4) == example["cpl"]
    assert answered(capability(values, minimum=example["minimum"])).pp is None


# Observed 1.33: lower bounds 0.79 at n = 10 and 1.03 at n = 30, common figures by Bissell's approximation.
@pytest.mark.parametrize(("n", "bound"), [(10, 0.79), (30, 1.03)])
def test_bissells_bound(n: int, bound: float) -> None:
    assert round(bissell_lower_bound(1.33, n), 2) == bound


@pytest.mark.parametrize(("n", "cpk"), [(5, 1.33), (10, 1.33), (30, 1.0), (100, 1.67), (10, -0.3), (8, 0.0)])
def test_exact_bound_is_the_inverse_of_the_noncentral_t_distribution(n: int, cpk: float) -> None:
    from scipy import stats

    bound = cpk_lower_bound(cpk, n)
    reached = stats.nct.cdf(3 * math.sqrt(n) * cpk, n - 1, 3 * math.sqrt(n) * bound)
    assert reached == pytest.approx(0.95, abs=1e-7)


def test_exact_bound_is_the_other_side_of_the_tolerance_factor() -> None:
    # A Cpk whose bound is z/3 is the same claim as mean + k s at the limit: k of the tolerance tables.
    z_95 = 1.6448536
    assert cpk_lower_bound(k_one_sided(10) / 3, 10) == pytest.approx(z_95 / 3, abs=1e-6)


@pytest.mark.parametrize("limits", [{"maximum": 4.0}, {"minimum": -4.0, "maximum": 4.0}])
def test_bound_lies_below_the_true_index_as_often_as_it_says(limits: dict[str, float]) -> None:
    rng = np.random.default_rng(14)
    below = sum(answered(capability(rng.normal(0, 1, 10), **limits)).ppk_low <= 4 / 3 for _ in range(2000))
    share, slack = below / 2000, 3 * math.sqrt(0.95 * 0.05 / 2000)
    if len(limits) == 1:
        assert share == pytest.approx(0.95, abs=slack)
    else:  # on the safe side with two limits
        assert share >= 0.95 - slack


def test_few_units_are_provisional_and_prove_nothing() -> None:
    few = answered(capability(sample_with(30.0, 1.0, n=7), maximum=60.0))
    assert few.provisional
    assert few.ppk > 9
    assert not few.proves(1.33)
    enough = answered(capability(sample_with(30.0, 1.0, n=8), maximum=60.0))
    assert not enough.provisional
    assert enough.proves(1.33)


def test_the_bound_decides_and_not_the_point() -> None:
    found = answered(capability(sample_with(50.0, 10 / (3 * 1.4), n=10), maximum=60.0))
    assert found.ppk == pytest.approx(1.4)
    assert not found.proves(1.33)


@pytest.mark.parametrize(
    ("values", "why"),
    [
        ([], "no unit"),
        ([1.0], "one unit"),
        ([2.0, 2.0], "all 2 values are equal"),
        ([None, math.nan, 1.0], "one unit"),
        # 3 × 0.1 and 0.3 differ in the last binary digit only (IEEE 754): no spread of units.
        ([0.3, 3 * 0.1, 0.3], "all 3 values are equal"),
    ],
)
def test_capability_says_why_there_is_none(values: list[float | None], why: str) -> None:
    found = capability(values, maximum=3.0)
    assert isinstance(found, Unanswered)
    assert why in str(found.why)


def test_capability_without_a_limit_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="minimum or a maximum"):
        capability([1.0, 2.0])


@pytest.mark.parametrize("seed", range(12))
def test_normality_agrees_with_statsmodels(seed: int) -> None:
    diagnostic = pytest.importorskip("statsmodels.stats.diagnostic", reason="statsmodels is not installed")
    rng = np.random.default_rng(seed)
    # From plainly normal to plainly not, so that every branch of the published p-value is met.
    sample = 60 + rng.normal(0, 2, 40) + (seed // 3) * rng.exponential(1.0, 40)
    found = check_normality(sample)
    assert isinstance(found, Normality)
    statistic, p_value = diagnostic.normal_ad(sample)
    assert found.statistic == pytest.approx(statistic, rel=1e-9)
    assert found.p_value == pytest.approx(p_value, rel=1e-9)


def test_normal_samples_are_doubted_as_seldom_as_the_test_says_and_skewed_ones_are() -> None:
    rng = np.random.default_rng(16)
    doubted = sum(_doubtful(rng.normal(60, 2, 30)) for _ in range(2000))
    assert doubted / 2000 == pytest.approx(0.05, abs=3 * math.sqrt(0.05 * 0.95 / 2000) + 0.005)
    assert sum(_doubtful(rng.exponential(1, 30)) for _ in range(200)) > 180
    assert _doubtful([0.0] * 50 + [1e6])


def _doubtful(values: Iterable[float]) -> bool:
    found = check_normality(values)
    assert isinstance(found, Normality)
    return found.doubtful


def test_normality_is_not_judged_from_few_units() -> None:
    found = check_normality([1.0, 2.0, 3.0, 9.0])
    assert isinstance(found, Unanswered)
    assert "4 units measured, at least 8 needed" in str(found.why)


def test_units_for_a_claim_is_the_least_number_that_makes_it() -> None:
    values = sample_with(50.0, 4.0, n=10)
    n = units_for_claim(values, maximum=59.0)
    assert isinstance(n, int)
    assert k_one_sided(n) <= 9 / 4 < k_one_sided(n - 1)
    assert units_for_claim(sample_with(50.0, 1.0, n=10), maximum=59.0) == 10
    assert units_for_claim(sample_with(50.0, 1.0, n=3), maximum=59.0) == 8


def test_a_claim_that_no_number_of_units_makes_is_said() -> None:
    found = units_for_claim(sample_with(50.0, 6.0), maximum=59.0)
    assert isinstance(found, Unanswered)
    assert "do not lie within the limits" in str(found.why)


def test_clean_units_missing_for_the_two_common_claims() -> None:
    assert clean_units_missing(40, 0.95) == 19
    assert clean_units_missing(40, 0.99) == 259
    assert clean_units_missing(60, 0.95) == 0


def test_zero_events_exact_beside_the_rule_of_three() -> None:
    # Hanley and Lippman-Hand (1983), from memory: 3/n; exact 1 - 0.05^(1/n).
    assert zero_events_bound(30) == pytest.approx(0.0950, abs=5e-5)
    assert zero_events_bound(59) < 0.05 < zero_events_bound(58)
    for n in (100, 1000, 1_000_000):
        assert zero_events_bound(n) == pytest.approx(3 / n, rel=0.02)
    assert zero_events_bound(0) == 1.0
