"""Bayes' rule, information, densities: against published examples and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from verifyrig.diagnosis.bayes import entropy_bits, expected_gain_bits, normalised, updated
from verifyrig.diagnosis.evidence import error_pieces
from verifyrig.diagnosis.mixture import log_t
from verifyrig.diagnosis.signs import WorkErrors
from verifyrig.diagnosis.suspects import MECHANISMS, Mechanism


def test_bayes_rule_gives_the_published_mammography_answer() -> None:
    # G. Gigerenzer, U. Hoffrage, Psychological Review 102 (1995) 684, after Eddy (1982), from memory: prevalence 1 %,
    # hit rate 80 %, false alarms 9.6 %; the answer is printed as 7.8 %.
    posterior = updated(np.array([0.01, 0.99]), np.array([0.80, 0.096]))
    assert posterior[0] == pytest.approx(0.078, abs=0.0005)


def test_a_second_independent_sign_multiplies_odds() -> None:
    # Odds form of Bayes' rule: 1:3 times 6 times 2 is 4:1.
    once = updated(np.array([0.25, 0.75]), np.array([0.6, 0.1]))
    twice = updated(once, np.array([0.4, 0.2]))
    assert twice[0] / twice[1] == pytest.approx(4.0)


def test_weights_beyond_the_range_of_floats_still_make_probabilities() -> None:
    p = normalised(np.array([-2000.0, -2000.0 + np.log(3.0), -np.inf]))
    assert p == pytest.approx([0.25, 0.75, 0.0])


@pytest.mark.parametrize("seed", range(5))
def test_entropy_agrees_with_scipy(seed: int) -> None:
    p = np.random.default_rng(seed).dirichlet(np.ones(14))
    p[3] = 0.0
    p /= p.sum()
    assert entropy_bits(p) == pytest.approx(stats.entropy(p, base=2), abs=1e-12)


@pytest.mark.parametrize("seed", range(5))
def test_expected_gain_agrees_with_scipys_entropies(seed: int) -> None:
    rng = np.random.default_rng(seed)
    prior = rng.dirichlet(np.ones(6))
    outcomes = rng.dirichlet(np.ones(4), size=6).T
    joint = outcomes * prior
    # Mutual information: H(cause) + H(outcome) - H(both), each by scipy.
    expected = (
        stats.entropy(prior, base=2) + stats.entropy(joint.sum(axis=1), base=2) - stats.entropy(joint.ravel(), base=2)
    )
    assert expected_gain_bits(prior, outcomes) == pytest.approx(expected, abs=1e-12)


def test_gain_of_a_noisy_yes_or_no_is_the_textbooks() -> None:
    # D. MacKay, Information Theory, Inference, and Learning Algorithms (2003), 9.4, from memory: binary symmetric
    # channel with f = 0.15 and even inputs carries 0.39 bit.
    table = np.array([[0.85, 0.15], [0.15, 0.85]])
    assert expected_gain_bits(np.array([0.5, 0.5]), table) == pytest.approx(0.39, abs=0.005)


def test_a_test_whose_outcome_is_the_same_under_all_causes_gains_nothing() -> None:
    assert expected_gain_bits(np.array([0.2, 0.8]), np.array([[0.7, 0.7], [0.3, 0.3]])) == pytest.approx(0.0, abs=1e-12)


def test_the_multivariate_t_density_agrees_with_scipy() -> None:
    rng = np.random.default_rng(1)
    root = rng.standard_normal((4, 4))
    scale = root @ root.T + np.eye(4)
    x = rng.standard_normal((7, 4))
    expected = stats.multivariate_t(shape=scale, df=6).logpdf(x)
    assert log_t(x, scale, 6.0) == pytest.approx(expected, abs=1e-10)


def test_leaving_figures_out_is_the_exact_marginal() -> None:
    # The marginal of a multivariate t over some of its figures, by integrating the others out numerically.
    scale = np.array([[1.3, 0.4], [0.4, 0.7]])
    joint = stats.multivariate_t(shape=scale, df=6)
    by_integral, _ = integrate.quad(lambda y: joint.pdf([0.5, y]), -60, 60)
    assert np.exp(log_t(np.array([[0.5]]), scale[:1, :1], 6.0))[0] == pytest.approx(by_integral, rel=1e-6)


@pytest.mark.parametrize("count", [0, 3, 40])
def test_the_count_of_errors_agrees_with_an_integral_over_the_rate(count: int) -> None:
    # Poisson counts with a log-normal rate of median 0.025 per s and spread 0.9 (priors.toml, memory), 600 s of work.
    errors = WorkErrors(count=count, work_s=600.0, cores=(), n_cores=6)
    (piece,) = error_pieces(errors)

    def density(z: float) -> float:
        return float(stats.poisson.pmf(count, 600 * 0.025 * np.exp(0.9 * z)) * stats.norm.pdf(z))

    expected, _ = integrate.quad(density, -8, 8, limit=400, epsabs=1e-14)
    # The grid's steps of 0.025 are far below the peak's width; what lies beyond 7 spreads is left out.
    assert np.exp(piece.logs[MECHANISMS.index(Mechanism.MEMORY)]) == pytest.approx(expected, rel=1e-3)


def test_errors_on_one_core_speak_for_the_core_and_spread_ones_for_memory() -> None:
    def gain(cores: tuple[int, ...]) -> float:
        pieces = error_pieces(WorkErrors(count=len(cores), work_s=300.0, cores=cores, n_cores=6))
        logs = np.sum([piece.logs for piece in pieces], axis=0)
        return float(logs[MECHANISMS.index(Mechanism.PROCESSOR)] - logs[MECHANISMS.index(Mechanism.MEMORY)])

    assert gain((2, 2, 2, 2, 2)) > 3.0
    assert gain((0, 3, 1, 5, 2)) < -3.0
