"""Bayes' rule and information in plain numbers."""

from __future__ import annotations

import numpy as np

from verifyrig.core.trace import FloatArray

__all__ = ["entropy_bits", "expected_gain_bits", "normalised", "updated"]


def normalised(log_weights: FloatArray) -> FloatArray:
    """Return probabilities from logarithms of weights, shape (n,); equal shares where all weights are zero."""
    top = float(np.max(log_weights))
    if not np.isfinite(top):
        return np.full(len(log_weights), 1.0 / len(log_weights))
    weights = np.exp(log_weights - top)
    return np.asarray(weights / weights.sum())


def updated(prior: FloatArray, likelihood: FloatArray) -> FloatArray:
    """Return the posterior, prior times likelihood made to sum to 1 (Bayes' rule); both of shape (n,)."""
    with np.errstate(divide="ignore"):
        return normalised(np.log(prior) + np.log(likelihood))


def entropy_bits(p: FloatArray) -> float:
    """Return the entropy of a distribution in bits; a share of 0 adds nothing."""
    seen = p[p > 0]
    return float(-(seen * np.log2(seen)).sum())


def expected_gain_bits(prior: FloatArray, outcomes: FloatArray) -> float:
    """Return how many bits a test is expected to give about the causes.

    Args:
        prior: Probability of each cause, shape (n,).
        outcomes: Probability of each outcome under each cause, shape (m, n); each column sums to 1.

    The mutual information of cause and outcome: entropy before minus expected entropy after, never below 0.
    """
    joint = outcomes * prior[None, :]
    of_outcome = joint.sum(axis=1)
    after = sum(float(p) * entropy_bits(row / p) for row, p in zip(joint, of_outcome, strict=True) if p > 0)
    return max(0.0, entropy_bits(prior) - after)
