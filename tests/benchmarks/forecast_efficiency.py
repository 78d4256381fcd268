"""How near the settled value of a two-exponential truth comes to the Cramér–Rao bound.

Both time constants unknown (3 to 30 s and 60 to 200 s), a reading a second, white noise, no bounds and no prior: the
fit by variable projection. RMSE is over many truths, each error divided by the bound of its own truth. Beside it, an
ordinary curve fit from a usual start.
"""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np

from verifyrig.analysis.exponentials import fit_exponentials
from verifyrig.core.trace import FloatArray

_NOISE_K = 0.3


def _bound_k(t: FloatArray, amplitudes: FloatArray, tau: FloatArray) -> float:
    """Return the standard deviation that no unbiased estimate of the settled value can beat, K."""
    fades = np.exp(-t[:, None] / tau)
    jacobian = np.column_stack((np.ones_like(t), fades, amplitudes * fades * t[:, None] / tau**2))
    triangle = np.linalg.qr(jacobian / _NOISE_K, mode="r")
    return float(np.linalg.norm(np.linalg.inv(triangle)[0]))


def _ordinary(t: FloatArray, y: FloatArray) -> float:
    from scipy.optimize import OptimizeWarning, curve_fit

    def curve(x: FloatArray, end: float, a: float, fast: float, b: float, slow: float) -> FloatArray:
        return np.asarray(end + a * np.exp(-x / fast) + b * np.exp(-x / slow))

    start = (y[-1], (y[0] - y[-1]) / 2, 10.0, (y[0] - y[-1]) / 2, 100.0)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            warnings.simplefilter("ignore", OptimizeWarning)
            return float(curve_fit(curve, t, y, start, maxfev=2000)[0][0])
    except RuntimeError:
        return float(y[-1])


def _at(length_s: int, truths: int) -> dict[str, Any]:
    dice = np.random.default_rng(20)
    t = np.arange(1.0, length_s + 1.0)
    ours, plain = [], []
    for _ in range(truths):
        tau = np.array([np.exp(dice.uniform(np.log(3), np.log(30))), dice.uniform(60, 200)])
        amplitudes = -np.array([dice.uniform(10, 30), dice.uniform(5, 25)])
        end = dice.uniform(50, 90)
        y = end + np.exp(-t[:, None] / tau) @ amplitudes + _NOISE_K * dice.standard_normal(len(t))
        bound = _bound_k(t, amplitudes, tau)
        ours.append((fit_exponentials(t, y, [10.0, 100.0]).base - end) / bound)
        plain.append((_ordinary(t, y) - end) / bound)
    return {
        "truths": truths,
        "rmse_over_bound": round(float(np.sqrt(np.mean(np.square(ours)))), 3),
        "ordinary_curve_fit_over_bound": round(float(np.sqrt(np.mean(np.square(plain)))), 3),
    }


def measure(full: bool = True) -> dict[str, Any]:
    """Return RMSE over the bound at 300 and 600 s."""
    found: dict[str, Any] = {f"at_{length}s": _at(length, 1000 if full else 100) for length in (300, 600)}
    found["ratio"] = max(found["at_300s"]["rmse_over_bound"], found["at_600s"]["rmse_over_bound"])
    return found
