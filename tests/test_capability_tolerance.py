"""Tolerance intervals against published factors (figures and sources in data/statistics.toml)."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from verifyrig.capability import (
    ToleranceInterval,
    Unanswered,
    distribution_free_interval,
    k_one_sided,
    k_two_sided,
    needed_units,
    normal_interval,
)

STATISTICS: dict[str, Any] = tomllib.loads((Path(__file__).parent / "data" / "statistics.toml").read_text("utf-8"))
FACTORS = [
    dict(zip(STATISTICS["tolerance_factors"]["columns"], row, strict=True))
    for row in STATISTICS["tolerance_factors"]["rows"]
]


def answered(found: ToleranceInterval | Unanswered) -> ToleranceInterval:
    assert isinstance(found, ToleranceInterval)
    return found


@pytest.mark.parametrize("row", FACTORS, ids=lambda row: f"n{row['n']}-{row['share']}")
def test_factors_agree_with_the_tables_to_the_printed_digits(row: dict[str, float]) -> None:
    n, share = int(row["n"]), row["share"]
    assert round(k_two_sided(n, share), 4) == row["two_exact"]
    assert round(k_two_sided(n, share, method="howe"), 4) == row["two_howe"]
    assert round(k_one_sided(n, share), 4) == row["one_exact"]
    assert round(k_one_sided(n, share, method="natrella"), 4) == row["one_natrella"]
    assert round(k_one_sided(n, share), 3) == row["printed_one"]
    if row["printed_two"]:
        # Two decimals printed; the table gives 2.15 for 2.1451 and 2.55 for 2.5549: a digit of slack.
        assert k_two_sided(n, share) == pytest.approx(row["printed_two"], abs=0.0051)


# Odeh and Owen (1980), two-sided 95/95 and 99/99, from memory.
@pytest.mark.parametrize(
    ("n", "share", "confidence", "k"), [(2, 0.95, 0.95, 36.519), (3, 0.95, 0.95, 9.789), (2, 0.99, 0.99, 234.877)]
)
def test_two_sided_factors_of_very_few_units(n: int, share: float, confidence: float, k: float) -> None:
    assert round(k_two_sided(n, share, confidence), 3) == k


def test_wafer_example_of_the_handbook() -> None:
    wafers = STATISTICS["wafers"]
    n, share, confidence, mean, sd = (wafers[key] for key in ("n", "share", "confidence", "mean", "sd"))
    howe = k_two_sided(n, share, confidence, method="howe")
    natrella = k_one_sided(n, share, confidence, method="natrella")
    assert round(howe, 4) == wafers["two_howe"]
    assert round(natrella, 4) == wafers["one_natrella"]
    # The page multiplies the rounded factor: 1e-5 of the printed ends.
    assert mean - howe * sd == pytest.approx(wafers["interval"][0], abs=1.1e-5)
    assert mean + howe * sd == pytest.approx(wafers["interval"][1], abs=1.1e-5)
    # The page carries a few more digits of s, and prints 97.1203 and 97.0197.
    assert mean + natrella * sd == pytest.approx(wafers["upper"], abs=1e-4)
    assert mean - natrella * sd == pytest.approx(wafers["lower"], abs=1e-4)
    assert round(k_two_sided(n, share, confidence), 4) == wafers["two_exact"]
    assert round(k_one_sided(n, share, confidence), 4) == wafers["one_exact"]


def test_normal_intervals_take_mean_and_spread_of_the_sample() -> None:
    rise_k = [58.0, 60.0, 62.0, None, math.nan, 60.0, 60.0]
    both = answered(normal_interval(rise_k))
    sd = math.sqrt(8 / 4)
    assert both.n == 5
    assert both.high == pytest.approx(60 + k_two_sided(5) * sd)
    assert both.low == pytest.approx(60 - k_two_sided(5) * sd)
    upper = answered(normal_interval(rise_k, side="upper"))
    assert upper.low is None
    assert upper.high == pytest.approx(60 + k_one_sided(5) * sd)


def test_normal_intervals_hold_their_share_as_often_as_they_say() -> None:
    from scipy.special import ndtr

    rng = np.random.default_rng(11)
    kept = 0
    for _ in range(2000):
        found = answered(normal_interval(rng.normal(0, 1, 8), share=0.9, confidence=0.95))
        assert found.low is not None
        assert found.high is not None
        kept += int(ndtr(found.high) - ndtr(found.low) >= 0.9)
    assert kept / 2000 == pytest.approx(0.95, abs=3 * math.sqrt(0.95 * 0.05 / 2000))


# e-Handbook 7.2.6.4 and common tables (from memory): 59 and 299 one-sided, 93 and 473 two-sided at 95 %.
@pytest.mark.parametrize(
    ("share", "side", "n"), [(0.95, "upper", 59), (0.99, "lower", 299), (0.95, "both", 93), (0.99, "both", 473)]
)
def test_units_needed_without_any_shape(share: float, side: Any, n: int) -> None:
    assert needed_units(share, 0.95, side=side) == n
    assert needed_units(0.9, 0.9, side="upper") == 22


def test_distribution_free_interval_takes_the_extremes_when_the_units_just_suffice() -> None:
    values = list(np.random.default_rng(12).permutation(np.arange(59.0)))
    found = answered(distribution_free_interval(values, side="upper"))
    assert (found.low, found.high) == (None, 58.0)
    assert found.confidence == pytest.approx(1 - 0.95**59)
    assert answered(distribution_free_interval(values, side="lower")).low == 0.0
    both = answered(distribution_free_interval(np.arange(93.0)))
    assert (both.low, both.high) == (0.0, 92.0)


def test_distribution_free_interval_leaves_extremes_out_when_there_are_many() -> None:
    # Order statistics for 95/95 one-sided, from memory of common tables: 59 largest, 93 second, 124 third.
    assert answered(distribution_free_interval(np.arange(92.0), side="upper")).high == 91.0
    assert answered(distribution_free_interval(np.arange(93.0), side="upper")).high == 91.0
    assert answered(distribution_free_interval(np.arange(124.0), side="upper")).high == 121.0


def test_distribution_free_interval_holds_its_share_for_a_skewed_population() -> None:
    rng = np.random.default_rng(13)
    kept = 0
    for _ in range(1500):
        found = answered(distribution_free_interval(rng.exponential(1.0, 100), share=0.9, confidence=0.9))
        assert found.low is not None
        assert found.high is not None
        assert found.confidence >= 0.9
        kept += math.exp(-found.low) - math.exp(-found.high) >= 0.9
    # The confidence is reached or passed: order statistics go in steps.
    assert kept / 1500 >= 0.9 - 3 * math.sqrt(0.9 * 0.1 / 1500)


@pytest.mark.parametrize(
    ("values", "why"),
    [
        ([], "no unit measured, at least 2 needed"),
        ([60.0, math.nan, None], "one unit measured, at least 2 needed"),
        ([60.0, 60.0, 60.0], "all 3 values are equal"),
    ],
)
def test_samples_that_say_nothing_of_their_spread(values: list[float | None], why: str) -> None:
    found = normal_interval(values)
    assert isinstance(found, Unanswered)
    assert why in str(found.why)


def test_too_few_units_for_a_distribution_free_claim_say_how_many_it_takes() -> None:
    found = distribution_free_interval(range(58), side="upper")
    assert isinstance(found, Unanswered)
    assert "58 units measured, 59 needed" in str(found.why)


def test_impossible_requests_are_refused() -> None:
    with pytest.raises(ValueError, match="two units"):
        k_one_sided(1)
    with pytest.raises(ValueError, match="between 0 and 1"):
        k_two_sided(10, 95.0)
    with pytest.raises(ValueError, match="does not exist"):
        k_one_sided(2, 0.95, 0.95, method="natrella")
