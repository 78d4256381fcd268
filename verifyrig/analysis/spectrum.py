"""Where a temperature ends by its own answers so far, whatever machine it belongs to.

Heat that leaves through any chain of masses answers a step of its source by a sum of exponential rises, none of them
negative (the driving-point response of an RC network; V. Szekely on time-constant spectra, from memory). So the
readings are explained by non-negative weights on a fixed row of time constants, by what heat was in each at the first
sample, and by a level without any load. How far such a spectrum may lie from the readings' best one is shown by draws:
each the best one for readings and prior that were disturbed by as much as they are uncertain (Oliver, He, Reynolds
1996, from memory).

Nobody waits for ever: what settles is what will be shown some time constants of the profile from now. Modes slower
than that (a case, a shelf, a heated room) count as far as they will have gone by then.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from verifyrig.analysis.compress import Compressed
from verifyrig.core.trace import FloatArray

__all__ = ["Ends", "Level", "load_solver", "spectrum_ends"]

_TAU_S = 1.0 * 2.0 ** np.arange(14)  # to two hours: a bucket of water, a rack
# The way of all modes together, in parts of what the readings moved by; the readings say which of them it is.
_SCALES = (0.5, 0.8, 1.2, 2.0, 3.5)
# How much of the way is expected in each mode, and its spread: more in slow ones, fewer beyond the profile's slowest.
# Chosen by looking at one board, two cards and simulated machines of small seeds (`tests/real_series.py`).
_TILT, _BEYOND, _SPREAD = 0.2, 1.5, 2.0
_STORED, _STORED_SPREAD = 0.3, 1.5  # of that way: what was in a mode at the first sample
# When somebody looks whether it has settled: so many of the profile's slowest time constants from now. The more of the
# way is left in modes beyond the slowest, the less they are surroundings, and the more what the machine is about.
_WAIT, _WAIT_SLOW, _SLOW_SHARE = (0.1, 3.0), (0.1, 30.0), 0.15
# Once the slowest time constant has passed, no mode that the profile allows for can have more of its way to go than
# this part of what is left of the slowest: then the machine is looked at anew, as one of far slower modes.
_TOO_SLOW_PART, _TOO_SLOW_LEAST, _SLOWER = 0.8, 0.03, 10.0
_DRAWS = 40
_LATE_S = 30.0
# What a spectrum that stays the same cannot follow (fans, leakage): as in `posterior`, but smaller.
_FLOOR_K, _MODEL_K, _MODEL_SHARE, _MODEL_LENGTH, _TIMING_S = 0.06, 0.1, 0.004, 1.0, 0.7


def load_solver() -> None:
    """Import what solves for a spectrum now: it takes a good part of a second, and a sample must not wait for it."""
    import scipy.optimize  # noqa: F401


class Level(NamedTuple):
    """What is expected of the temperature without any load, °C, and its standard deviation, K."""

    middle_c: float
    sd_k: float


class Ends(NamedTuple):
    """Where draws end, °C, shape (d,), and what is to be said of that.

    `slow`: slower than the profile allows, as far as it shows. `too_slow`: the profile's slowest time constant has
    passed, and that much is still to come. `misfit`: mean square of what the best spectrum leaves, over what was
    expected.
    """

    ends_c: FloatArray
    slow: bool
    too_slow: bool
    misfit: float


class _Problem(NamedTuple):
    """Whitened: design (n, 1 + 2 j) x unknowns = readings (n,); the unknowns are level, weights, stored heat.

    A machine that begins cold has less than nothing stored: (n, 1 + 3 j) then, what it lacks last.
    """

    design: FloatArray
    readings: FloatArray


def spectrum_ends(
    data: Compressed,
    noise_k: float,
    refresh_s: float,
    level: Level,
    slowest_s: float,
    seed: int = 1,
    *,
    cold: bool = False,
) -> Ends:
    """Return where the temperature ends if its source stays as it is at the last step.

    Args:
        data: Steps; their power is what drives, in any unit.
        noise_k, refresh_s: Standard deviation of a fresh reading, K, and the interval between such, s.
        level: What is expected where nothing drives.
        slowest_s: Slowest time constant that the profile allows for, s.
        cold: Whether some of its masses may have been colder at the first sample than without any load.
    """
    drive = data.drive.power_w / max(float(np.max(np.abs(data.drive.power_w))), 1e-9)
    forced, faded, now = _answers(drive, data.drive.dt_s)
    columns = (np.ones(len(drive)), forced, faded, *((-faded,) if cold else ()))
    problem = _whitened(data, np.column_stack(columns), noise_k, refresh_s)
    swing_k = max(float(np.ptp(data.temp_c[np.isfinite(data.temp_c)])), 1.0)
    draws, misfit = _draw(problem, level, swing_k, slowest_s, np.random.default_rng(seed))
    j = len(_TAU_S)
    weights, stored = draws[:, 1 : 1 + j], draws[:, 1 + j : 1 + 2 * j]
    if cold:
        stored = stored - draws[:, 1 + 2 * j :]
    shown_k = weights * now[0] + stored * now[1]
    remaining_k = weights * _now(drive, data) - shown_k
    slow_share = float(np.median(np.abs(remaining_k[:, slowest_s < _TAU_S].sum(axis=1)))) / swing_k
    lasted = float(data.since_step_s[-1]) / slowest_s
    if lasted > 1.0 and slow_share > max(_TOO_SLOW_PART * math.exp(-lasted), _TOO_SLOW_LEAST):
        return spectrum_ends(data, noise_k, refresh_s, level, _SLOWER * slowest_s, seed, cold=cold)._replace(
            slow=True, too_slow=True
        )
    wait_s = slowest_s * _waits(len(draws), _WAIT_SLOW if slow_share > _SLOW_SHARE else _WAIT)
    ends_c = draws[:, 0] + (shown_k - remaining_k * np.expm1(-wait_s[:, None] / _TAU_S)).sum(axis=1)
    return Ends(ends_c, slow_share > _SLOW_SHARE, False, misfit)


def _now(drive: FloatArray, data: Compressed) -> float:
    """Return what drives now: the mean of the last steps under the present load."""
    late = (data.end_s > data.end_s[-1] - _LATE_S) & (data.part == data.part[-1])
    return float(np.average(drive[late], weights=data.drive.dt_s[late]))


def _waits(count: int, bounds: tuple[float, float]) -> FloatArray:
    """Return when to look, for each draw: even on a logarithmic scale, in no order."""
    low, high = bounds
    return np.asarray(low * (high / low) ** ((np.arange(count) * 0.6180339887 + 0.5) % 1.0))


def _answers(drive: FloatArray, dt_s: FloatArray) -> tuple[FloatArray, FloatArray, tuple[FloatArray, FloatArray]]:
    """Return the mean of each mode's answer in each step, and of what fades of a kelvin stored in it, both (k, j).

    And both as they are at the end of the last step, each (j,).
    """
    fade = np.exp(-dt_s[:, None] / _TAU_S)
    mean = (1.0 - fade) * _TAU_S / dt_s[:, None]
    forced, faded = np.empty_like(fade), np.empty_like(fade)
    answer, left = np.zeros(len(_TAU_S)), np.ones(len(_TAU_S))
    for k, given in enumerate(drive):
        forced[k], faded[k] = given + (answer - given) * mean[k], left * mean[k]
        answer, left = given + (answer - given) * fade[k], left * fade[k]
    return forced, faded, (answer, left)


def _whitened(data: Compressed, design: FloatArray, noise_k: float, refresh_s: float) -> _Problem:
    seen = np.isfinite(data.temp_c)
    fresh = np.maximum(1.0, np.minimum(data.count, data.drive.dt_s / refresh_s))
    timing = _TIMING_S * data.slope_k_per_s / np.sqrt(fresh)
    model_k = np.hypot(_MODEL_K, _MODEL_SHARE * np.ptp(data.temp_c[seen]))
    place = np.log(data.since_step_s + 3.0)
    alike = np.exp(-0.5 * ((place[:, None] - place[None, :]) / _MODEL_LENGTH) ** 2)
    alike *= data.part[:, None] == data.part[None, :]
    covariance = np.diag(noise_k**2 / fresh + _FLOOR_K**2 + timing**2) + model_k**2 * alike
    root = np.linalg.cholesky(covariance[np.ix_(seen, seen)])
    both = np.linalg.solve(root, np.column_stack((design[seen], data.temp_c[seen])))
    return _Problem(both[:, :-1], both[:, -1])


def _draw(
    problem: _Problem, level: Level, swing_k: float, slowest_s: float, dice: np.random.Generator
) -> tuple[FloatArray, float]:
    """Return drawn unknowns, shape (d, those of the problem), and the misfit of the best."""
    unknowns = problem.design.shape[1]
    share = _TAU_S**_TILT * np.minimum(1.0, slowest_s / _TAU_S) ** _BEYOND
    share = share / share.sum()
    gram, moment = problem.design.T @ problem.design, problem.design.T @ problem.readings
    priors = []
    for scale in _SCALES:
        way_k = scale * swing_k * share
        middle = np.concatenate(([level.middle_c], way_k, _STORED * way_k, 0.0 * way_k))[:unknowns]
        sd = np.concatenate(([level.sd_k], _SPREAD * way_k, _STORED_SPREAD * way_k, _STORED_SPREAD * way_k))[:unknowns]
        priors.append((middle, sd))
    evidence = np.array([_log_evidence(problem, gram, moment, *prior) for prior in priors])
    shares = np.exp(evidence - evidence.max())
    counts = np.round(_DRAWS * shares / shares.sum()).astype(int)
    found, squares = [], []
    for (middle, sd), count in zip(priors, counts, strict=True):
        if count:
            root = np.asarray(np.linalg.cholesky(gram + np.diag(sd**-2.0)).T, dtype=np.float64)
            aim = np.asarray(np.linalg.solve(root.T, moment + middle * sd**-2.0), dtype=np.float64)
            best = _least(root, aim)
            squares.append(float(np.mean((problem.design @ best - problem.readings) ** 2)))
            found += [_least(root, aim + dice.standard_normal(len(aim))) for _ in range(count)]
    return np.array(found), min(squares)


def _least(root: FloatArray, aim: FloatArray) -> FloatArray:
    """Return the unknowns that minimise |root x - aim|, all but the first not negative; root is upper triangular."""
    from scipy.optimize import nnls

    others = nnls(root[1:, 1:], aim[1:])[0]
    return np.concatenate(([(aim[0] - root[0, 1:] @ others) / root[0, 0]], others))


def _log_evidence(problem: _Problem, gram: FloatArray, moment: FloatArray, middle: FloatArray, sd: FloatArray) -> float:
    """Return the logarithm of how well a prior foresaw the readings, but for a constant.

    C. M. Bishop, Pattern Recognition and Machine Learning, 3.5.1, in the form of the unknowns (from memory).
    """
    missed = problem.readings - problem.design @ middle
    pull = sd * (moment - gram @ middle)
    inner = sd[:, None] * gram * sd + np.eye(len(sd))
    explained = float(pull @ np.linalg.solve(inner, pull))
    return -0.5 * (float(missed @ missed) - explained + float(np.linalg.slogdet(inner)[1]))
