"""Risks of the decision rule: closed form beside simulation, and limits from golden units."""

from __future__ import annotations

import math

import numpy as np
import pytest

from verifyrig.capability import LimitProposal, Unanswered, global_risks, k_one_sided, propose_limit
from verifyrig.metrology.verdict import Verdict, judge

DRAWS = 400_000


@pytest.mark.parametrize(
    ("minimum", "maximum", "guard"),
    [(None, 60.0, 0.0), (None, 60.0, 2.0), (50.0, 60.0, 2.0), (50.0, None, -2.0), (53.0, 57.0, 3.0)],
)
def test_global_risks_agree_with_simulation(minimum: float | None, maximum: float | None, guard: float) -> None:
    # JCGM 106:2012, 9.5: true values N(56, 3), measured with u = 1.
    risks = global_risks(
        process_mean=56.0,
        process_sd=3.0,
        standard_uncertainty=1.0,
        minimum=minimum,
        maximum=maximum,
        guard_band=guard,
    )
    rng = np.random.default_rng(29)
    true = rng.normal(56, 3, DRAWS)
    seen = true + rng.normal(0, 1, DRAWS)
    low, high = -math.inf if minimum is None else minimum, math.inf if maximum is None else maximum
    good, accepted = (true >= low) & (true <= high), (seen >= low + guard) & (seen <= high - guard)
    for share, events in (
        (risks.conforming, good),
        (risks.accepted, accepted),
        (risks.false_accept, accepted & ~good),
        (risks.false_reject, good & ~accepted),
    ):
        # 4 sigma of the draws: twenty comparisons are made.
        assert share == pytest.approx(float(events.mean()), abs=4 * math.sqrt(max(share, 1e-6) / DRAWS))


def test_global_risks_agree_with_the_reference_librarys_bivariate_normal() -> None:
    from scipy import stats

    risks = global_risks(process_mean=56.0, process_sd=3.0, standard_uncertainty=1.0, maximum=60.0, guard_band=2.0)
    joint = stats.multivariate_normal([56.0, 56.0], [[9.0, 9.0], [9.0, 10.0]])
    both = float(joint.cdf([60.0, 58.0]))
    assert risks.false_accept == pytest.approx(float(stats.norm.cdf(58, 56, math.sqrt(10))) - both, abs=1e-9)
    assert risks.false_reject == pytest.approx(float(stats.norm.cdf(60, 56, 3)) - both, abs=1e-9)


def test_risks_at_the_middle_of_a_limit_have_a_closed_form() -> None:
    # Mean at the only limit, no guard band: false accept = false reject = arctan(u/sd)/(2 pi) (Sheppard).
    risks = global_risks(process_mean=60.0, process_sd=3.0, standard_uncertainty=1.0, maximum=60.0)
    assert risks.false_accept == pytest.approx(math.atan(1 / 3) / (2 * math.pi), abs=1e-12)
    assert risks.false_reject == pytest.approx(risks.false_accept, abs=1e-12)


def test_the_decision_rule_keeps_to_its_risks() -> None:
    # The verdicts themselves, not the formula: pass is acceptance with a guard band of U, fail is guarded rejection.
    rng = np.random.default_rng(30)
    n, u = 20_000, 1.0
    true = rng.normal(58, 3, n)
    verdicts = [judge(float(value), 2 * u, maximum=60.0) for value in true + rng.normal(0, u, n)]
    passed = np.array([verdict is Verdict.PASS for verdict in verdicts])
    failed = np.array([verdict is Verdict.FAIL for verdict in verdicts])
    strict = global_risks(process_mean=58.0, process_sd=3.0, standard_uncertainty=u, maximum=60.0, guard_band=2 * u)
    lenient = global_risks(process_mean=58.0, process_sd=3.0, standard_uncertainty=u, maximum=60.0, guard_band=-2 * u)
    slack = 4 * math.sqrt(0.01 / n)
    assert np.mean(passed & (true > 60)) == pytest.approx(strict.false_accept, abs=slack)
    assert np.mean(failed & (true <= 60)) == pytest.approx(lenient.false_reject, abs=slack)
    # JCGM 106: a guard band of 2 u leaves at most 2.3 % to a unit at the limit; over all units far less.
    assert strict.false_accept < 0.0228


def test_proposed_limit_leaves_good_units_room_for_the_measurement() -> None:
    golden = [55.0, 56.0, 54.5, 55.5, 56.5, 55.2, 54.8, 55.8, 56.1, 55.1]
    found = propose_limit(golden, u95=2.0, share=0.95, fault_value=70.0)
    assert isinstance(found, LimitProposal)
    mean, sd = float(np.mean(golden)), float(np.std(golden, ddof=1))
    assert found.factor == pytest.approx(2.911, abs=5e-4)  # ISO 16269-6, n = 10, 95/95
    assert found.acceptance_limit == pytest.approx(mean + found.factor * sd)
    assert found.limit == pytest.approx(found.acceptance_limit + 2.0)
    assert judge(found.acceptance_limit - 1e-9, 2.0, maximum=found.limit) is Verdict.PASS
    assert found.limit_passed == pytest.approx(0.0228, abs=5e-5)  # normal table at 2
    assert found.fault_passed is not None
    assert found.fault_passed < 1e-9
    assert not found.provisional


def test_chances_of_a_proposed_limit_agree_with_simulation() -> None:
    golden = list(np.random.default_rng(31).normal(55, 1, 12))
    found = propose_limit(golden, u95=1.0, share=0.9, confidence=0.9, fault_value=58.5)
    assert isinstance(found, LimitProposal)
    rng = np.random.default_rng(32)
    seen = rng.normal(found.mean, found.sd, DRAWS)
    assert found.good_not_passed == pytest.approx(float(np.mean(seen > found.limit - 1.0)), abs=0.001)
    assert found.good_failed == pytest.approx(float(np.mean(seen > found.limit + 1.0)), abs=0.0005)
    faulty = rng.normal(58.5, 0.5, DRAWS)
    assert found.fault_passed == pytest.approx(float(np.mean(faulty <= found.limit - 1.0)), abs=0.002)


def test_a_lower_limit_is_the_mirror_of_an_upper_one() -> None:
    values = [1200.0, 1215.0, 1190.0, 1205.0]
    low = propose_limit(values, u95=20.0, side="min", fault_value=900.0)
    high = propose_limit([-value for value in values], u95=20.0, fault_value=-900.0)
    assert isinstance(low, LimitProposal)
    assert isinstance(high, LimitProposal)
    assert low.limit == pytest.approx(-high.limit)
    assert low.fault_passed == pytest.approx(high.fault_passed)
    assert low.provisional
    assert low.factor == pytest.approx(k_one_sided(4, 0.99))


def test_what_gives_no_limit_is_said_or_refused() -> None:
    assert isinstance(propose_limit([55.0], u95=1.0), Unanswered)
    with pytest.raises(ValueError, match="u95"):
        propose_limit([55.0, 56.0], u95=0.0)
    with pytest.raises(ValueError, match="minimum or a maximum"):
        global_risks(process_mean=0.0, process_sd=1.0, standard_uncertainty=1.0)
    with pytest.raises(ValueError, match="above 0"):
        global_risks(process_mean=0.0, process_sd=0.0, standard_uncertainty=1.0, maximum=1.0)
