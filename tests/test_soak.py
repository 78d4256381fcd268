"""Rule of three against the exact Poisson and binomial bounds (scipy), and the words of customers."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from verifyrig.core.errors import UsageError
from verifyrig.core.plain_text import duration_text
from verifyrig.jobs.soak import plan_soak, rate_not_excluded_per_h


@given(hours=st.floats(0.01, 10_000))
def test_the_rule_of_three_is_the_exact_poisson_bound_rounded_up(hours: float) -> None:
    rate = rate_not_excluded_per_h(hours)
    # Probability of no failure at that rate: 5 % in the exact form, e^-3 = 4.98 % after rounding to 3.
    assert float(stats.poisson.cdf(0, rate * hours)) == pytest.approx(math.exp(-3), rel=1e-9)
    exact = float(stats.chi2.ppf(0.95, 2) / 2 / hours)
    assert exact <= rate <= exact * 1.0015


@pytest.mark.parametrize("n", [30, 100, 1000])
def test_the_rule_of_three_lies_above_the_exact_binomial_bound(n: int) -> None:
    # Clopper-Pearson upper bound after 0 failures in n trials; the rule gives 3/n, a little more.
    exact = float(stats.beta.ppf(0.95, 1, n))
    assert exact <= rate_not_excluded_per_h(n) <= exact * 1.06


@pytest.mark.parametrize("failures", [1, 2, 5])
def test_after_failures_the_bound_is_the_exact_poisson_one(failures: int) -> None:
    rate = rate_not_excluded_per_h(10, failures)
    assert float(stats.poisson.cdf(failures, rate * 10)) == pytest.approx(0.05, rel=1e-9)


# The first three: common practice, no source (every 2 h of gaming: 6 h; twice a week, 3 h a day: about 30 h).
@pytest.mark.parametrize(
    ("words", "hours"),
    [
        ("2 h", 6.0),
        ("twice a week 3 h a day", 31.5),
        ("about every 2 hours of gaming", 6.0),
        ("every 20 min", 1.0),
        ("after 40 s", 120 / 3600),
        ("3 times a day, 6 h a day", 6.0),
        ("3x a day 6h/day", 6.0),
        ("once a day 4 hours each day", 12.0),
        ("daily, 4 h a day", 12.0),
        ("every other day, 2.5 h a day", 15.0),
        ("every other day, 2,5 h a day", 15.0),
        ("once a month, 8 h per day", 3 * 730.5 / 24 * 8),
        ("Twice an hour", 1.5),
        ("hourly", 3.0),
        ("1.5 h", 4.5),
    ],
)
def test_the_customers_words_give_the_length(words: str, hours: float) -> None:
    plan = plan_soak(words)
    assert plan.hours == pytest.approx(hours)
    assert duration_text(3600 * plan.hours) in plan.sentence and "95 %" in plan.sentence


@pytest.mark.parametrize("words", ["", "often", "3 h a day", "now and then", "0 h", "twice", "7", "h" * 500])
def test_words_without_a_rate_are_refused_with_an_example(words: str) -> None:
    with pytest.raises(UsageError, match="twice a week 3 h a day") as caught:
        plan_soak(words)
    assert len(str(caught.value)) < 300


def test_a_rate_by_the_week_needs_the_hours_of_use() -> None:
    with pytest.raises(UsageError, match="how long the machine is used"):
        plan_soak("once a week")


def test_a_soak_without_length_or_with_less_than_no_failure_is_a_mistake() -> None:
    for hours, failures in ((0.0, 0), (-1.0, 0), (1.0, -1)):
        with pytest.raises(ValueError, match="a soak of"):
            rate_not_excluded_per_h(hours, failures)
