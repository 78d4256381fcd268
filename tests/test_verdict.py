"""The decision rule, its words, and the probability of conformity."""

from __future__ import annotations

import math

import pytest

from verifyrig.metrology.verdict import Verdict, judge, plain_word, shape, worst

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


def test_a_range_of_one_value_can_be_met() -> None:
    assert judge(5.0, 0.0, minimum=5.0, maximum=5.0) is P  # a count that must be five
    assert judge(4.0, 0.0, minimum=5.0, maximum=5.0) is F


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
