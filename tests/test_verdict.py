"""The decision rule, its words, and the probability of conformity."""

from __future__ import annotations

import math

import pytest

from verifyrig.metrology.verdict import Verdict, conformance_probability, judge, plain_word, shape, worst

P, CP, CF, F, NM = (
    Verdict.PASS,
    Verdict.CONDITIONAL_PASS,
    Verdict.CONDITIONAL_FAIL,
    Verdict.FAIL,
    Verdict.NOT_MEASURED,
)

# ILAC-G8:09/2019, 4.2.3 with w = U, read: pass y <= TL - U; conditional pass TL - U < y <= TL;
# conditional fail TL < y <= TL + U; fail y > TL + U. Limit 60 K, U = 2 K.
UPPER = [(57.9, P), (58.0, P), (58.01, CP), (60.0, CP), (60.01, CF), (62.0, CF), (62.01, F), (90.0, F)]


@pytest.mark.parametrize(("rise_k", "expected"), UPPER)
def test_upper_limit_follows_the_non_binary_rule(rise_k: float, expected: Verdict) -> None:
    assert judge(rise_k, 2.0, maximum=60.0) is expected


@pytest.mark.parametrize(("rise_k", "expected"), UPPER)
def test_lower_limit_is_the_mirror_of_the_upper_one(rise_k: float, expected: Verdict) -> None:
    assert judge(-rise_k, 2.0, minimum=-60.0) is expected


@pytest.mark.parametrize(
    ("rail_v", "expected"),
    [(12.0, P), (11.40, CP), (11.35, CF), (11.2, F), (12.60, CP), (12.65, CF), (12.8, F)],
)
def test_two_limits_give_the_worse_of_both(rail_v: float, expected: Verdict) -> None:
    assert judge(rail_v, 0.1, minimum=11.40, maximum=12.60) is expected


def test_uncertainty_wider_than_the_tolerance_never_passes() -> None:
    values = [11.4 + 0.01 * step for step in range(121)]
    assert P not in {judge(v, 0.7, minimum=11.4, maximum=12.6) for v in values}


def test_a_count_is_exact_and_only_passes_or_fails() -> None:
    assert judge(0, 0.0, maximum=0.0) is P
    assert judge(1, 0.0, maximum=0.0) is F


@pytest.mark.parametrize(
    ("value", "u95"),
    [(None, 1.0), (50.0, None), (math.nan, 1.0), (50.0, math.nan), (50.0, math.inf), (-math.inf, 1.0)],
)
def test_what_is_not_a_number_was_not_measured(value: float | None, u95: float | None) -> None:
    assert judge(value, u95, maximum=60.0) is NM


def test_programmers_mistakes_are_refused() -> None:
    with pytest.raises(ValueError, match="minimum or a maximum"):
        judge(1.0, 1.0)
    with pytest.raises(ValueError, match="never negative"):
        judge(1.0, -1.0, maximum=2.0)
    with pytest.raises(ValueError, match="above maximum"):
        judge(1.0, 1.0, minimum=3.0, maximum=2.0)


def test_worst_follows_the_contracts_order() -> None:
    order = [P, CP, CF, NM, F]
    for worse_at, worse in enumerate(order):
        for milder in order[: worse_at + 1]:
            assert worst([milder, worse]) is worse
            assert worst([worse, milder]) is worse
    assert worst([]) is NM


def test_each_verdict_has_its_own_word_and_shape() -> None:
    assert len({plain_word(v) for v in Verdict}) == len({shape(v) for v in Verdict}) == 5
    assert all(len(shape(v)) == 1 for v in Verdict)
    assert [str(v) for v in (P, CP, CF, F, NM)] == [
        "pass",
        "conditional-pass",
        "conditional-fail",
        "fail",
        "not-measured",
    ]


# JCGM 106:2012, clause 7, three examples from memory (the guide was not open; printed to two digits).
def test_probability_of_conformity_of_the_breakdown_voltage_example() -> None:
    assert round(conformance_probability(-5.47, 0.05, maximum=-5.40), 2) == 0.92


def test_probability_of_conformity_of_the_bursting_strength_example() -> None:
    assert round(conformance_probability(509.7, 8.6, minimum=490.0), 2) == 0.99


def test_probability_of_conformity_of_the_motor_oil_example() -> None:
    assert round(conformance_probability(13.6, 1.8, minimum=12.5, maximum=16.3), 2) == 0.66


# Risk of a value exactly on an acceptance limit with guard band w = g*u: 1 - Phi(g), normal table.
@pytest.mark.parametrize(
    ("guard_in_u", "risk"), [(0.0, 0.5), (1.0, 0.1587), (1.645, 0.05), (2.0, 0.0228), (3.0, 0.00135)]
)
def test_risk_at_the_acceptance_limit_agrees_with_the_normal_table(guard_in_u: float, risk: float) -> None:
    at_limit = 10.0 - guard_in_u
    assert 1 - conformance_probability(at_limit, 1.0, maximum=10.0) == pytest.approx(risk, abs=5e-5)


def test_conformance_without_uncertainty_is_a_step() -> None:
    assert conformance_probability(10.0, 0.0, maximum=10.0) == 1.0
    assert conformance_probability(10.1, 0.0, maximum=10.0) == 0.0
