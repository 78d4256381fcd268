"""Time constants of a temperature after a step of its load, with what the readings leave open.

One, two and three exponentials of the same sign are laid through the readings, with every time constant of a row. How
well each fits says how probable it is, more modes costing as Akaike's criterion has it; so the uncertainty holds what
two modes could exchange, and whether there are two. Readings that are like their neighbours count for fewer.

Source: H. Akaike 1974; profile and marginal likelihood in any text on statistical inference (from memory). `dominant`
is the mode that carries the largest part of the way.
"""

from __future__ import annotations

import math
from itertools import combinations, product
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from verifyrig.analysis.exponentials import fit_exponentials
from verifyrig.analysis.signals import lag1_correlation
from verifyrig.core.trace import BoolArray, FloatArray

__all__ = ["Mode", "Modes", "find_modes"]

_LEAST_READINGS = 12
_MOST_BINS = 240
_ROWS = {1: 72, 2: 72, 3: 30}  # time constants in a row for so many modes
_SHORTEST_PART, _LONGEST_PART = 0.5, 3.0  # of the cadence, of the time since the step
_LEAST_SHARE = 0.02  # of the way: a mode with less is none
# How far around the best fit it is looked at closely, in its spreads (a step of the row at most), and how often.
_NEAR_SPREADS, _NEAR_POINTS = 3.5, 13
_RIDGE = 1e-10
_LEAST_SPREAD = 1e-4
_FEWER_UNLESS = 2.0  # modes more must explain so much more, in logarithms of their odds after Akaike's cost
_FEWEST_FREE = 8.0
_BOUNDED_PART, _LASTED_PART = 0.8, 2.0  # of the row, whose end else bounds the mode; of the time since the step
_MOST_POLISHED, _MOST_MOVED = 600, 0.7
_INSIDE = (0.025, 0.975)

IntArray = npt.NDArray[np.intp]


class Mode(NamedTuple):
    """A time constant, s, the lowest and highest that 95 % of the probability hold, and its part of the way."""

    tau_s: float
    low_s: float
    high_s: float
    share: float

    @property
    def u95_s(self) -> float:
        """The larger of both distances to the bounds, s."""
        return max(self.tau_s - self.low_s, self.high_s - self.tau_s)


class Modes(NamedTuple):
    """The dominant mode, and all modes of the most probable number of them, shortest first.

    `fewer`: how probable it is that they are fewer. `bounded`: the step lasted longer than half the dominant one's time
    constant, or long enough to bound it.
    """

    dominant: Mode
    modes: tuple[Mode, ...]
    fewer: float
    bounded: bool


class _Readings(NamedTuple):
    """Means of readings, how many there are in each, and their times since the step, s; each of shape (n,)."""

    t_s: FloatArray
    values: FloatArray
    weight: FloatArray


class _Fits(NamedTuple):
    """Fits of one number of modes: time constants (f, k), s, parts of the way (f, k), sums of squares (f,)."""

    tau_s: FloatArray
    shares: FloatArray
    squares: FloatArray

    def those(self, chosen: BoolArray) -> _Fits:
        return _Fits(self.tau_s[chosen], self.shares[chosen], self.squares[chosen])

    def nearest(self, to_s: float) -> FloatArray:
        """Return of each fit the time constant that is nearest to this one, s, shape (f,)."""
        at = np.argmin(np.abs(np.log(self.tau_s / to_s)), axis=1)
        return np.asarray(self.tau_s[np.arange(len(at)), at])

    def dominant(self) -> FloatArray:
        """Return the time constant of the mode with the largest part of the way, s, shape (f,)."""
        at = np.argmax(self.shares, axis=1)
        return np.asarray(self.tau_s[np.arange(len(at)), at])


class _Best(NamedTuple):
    """The best fit of its number of modes: time constants, s, parts of the way, spreads of logarithms; each (k,)."""

    tau_s: FloatArray
    shares: FloatArray
    spread: FloatArray


class _Weighted(NamedTuple):
    """Fits, how well each explains the readings, and how probable it is with its piece of their space: logarithms,
    shape (f,), but for what all have in common."""

    fits: _Fits
    likelihood: FloatArray
    odds: FloatArray

    @property
    def modes(self) -> int:
        return int(self.fits.tau_s.shape[1])

    def peak(self, count: int) -> float:
        """Return how well the best of that many modes explains them, minus infinity without any."""
        return float(self.likelihood.max()) if self.modes == count and len(self.odds) else -math.inf

    def weights(self, top: float) -> FloatArray:
        return np.asarray(np.exp(self.odds - top))

    def sum(self, top: float) -> float:
        return float(self.weights(top).sum())


def find_modes(t_s: FloatArray, values: FloatArray, least_sd: float) -> Modes | None:
    """Return the modes of a relaxation, None where there are too few readings or none fits.

    Args:
        t_s: Times since the step, s, shape (n,), rising.
        values: Readings at those times, shape (n,).
        least_sd: Standard deviation that no reading gets below, in the values' unit.
    """
    if len(t_s) < _LEAST_READINGS:
        return None
    readings = _binned(t_s - t_s[0], values)
    shortest_s = _SHORTEST_PART * float(np.median(np.diff(t_s)))
    longest_s = _LONGEST_PART * float(t_s[-1] - t_s[0])
    width = math.log(longest_s / shortest_s)
    wide = {k: _wide(readings, np.geomspace(shortest_s, longest_s, n), k) for k, n in _ROWS.items()}
    wide = {k: fits for k, fits in wide.items() if len(fits.squares)}
    if not wide:
        return None
    best = wide[min(wide, key=lambda k: float(wide[k].squares.min()))]
    free = _independent(t_s - t_s[0], values, best)
    floor = len(values) * least_sd**2

    def log_odds(squares: FloatArray, k: int) -> FloatArray:
        return _log_odds(squares + floor, free, k)

    found: dict[int, _Best] = {}
    every: list[_Weighted] = []
    for k, fits in wide.items():
        step = width / _ROWS[k]
        found[k] = _polished(t_s - t_s[0], values, fits)
        spread = np.clip(found[k].spread * math.sqrt(max(1.0, len(values) / free)), _LEAST_SPREAD, 1.0)
        found[k] = found[k]._replace(spread=spread)
        reach = np.minimum(_NEAR_SPREADS * spread, step)
        near = _near(readings, found[k].tau_s, reach)
        far = fits.those(np.any(np.abs(np.log(fits.tau_s / found[k].tau_s)) > step, axis=1))
        every.append(_weighted(near, log_odds(near.squares, k), float(np.prod(2 * reach / (_NEAR_POINTS - 1)))))
        every.append(_weighted(far, log_odds(far.squares, k), step**k))
    peaks = {k: max(float(part.peak(k)) for part in every) for k in found}
    count = min(k for k in found if peaks[k] > max(peaks.values()) - _FEWER_UNLESS)
    return _modes(found[count], every, float(t_s[-1] - t_s[0]))


def _modes(best: _Best, every: list[_Weighted], lasted_s: float) -> Modes:
    count = len(best.tau_s)
    top = max(float(part.odds.max()) for part in every if len(part.odds))
    total = sum(part.sum(top) for part in every)
    fewer = sum(part.sum(top) for part in every if part.modes < count) / total
    modes = tuple(
        _mode([part.fits.nearest(float(best.tau_s[i])) for part in every], every, top, best, i) for i in range(count)
    )
    largest = int(np.argmax(best.shares))
    dominant = _mode([part.fits.dominant() for part in every], every, top, best, largest)
    bounded = dominant.tau_s < _LASTED_PART * lasted_s or dominant.high_s < _BOUNDED_PART * _LONGEST_PART * lasted_s
    return Modes(dominant, modes, fewer, bounded)


def _polished(t_s: FloatArray, values: FloatArray, fits: _Fits) -> _Best:
    """Return the best fit near the best of the row, or that where the search leaves it."""
    peak = int(np.argmin(fits.squares))
    from_row = _Best(fits.tau_s[peak], fits.shares[peak], np.full(fits.tau_s.shape[1], math.inf))
    every = -(-len(t_s) // _MOST_POLISHED)
    n = len(t_s) // every * every
    t, v = (x[:n].reshape(-1, every).mean(axis=1) for x in (t_s, values))
    try:
        found = fit_exponentials(t, v, from_row.tau_s.tolist())
    except (ValueError, np.linalg.LinAlgError):
        return from_row
    shares = found.amplitudes / found.amplitudes.sum()
    moved = np.abs(np.log(found.time_constants_s / from_row.tau_s))
    if not (np.isfinite(shares).all() and (shares > _LEAST_SHARE).all() and (moved < _MOST_MOVED).all()):
        return from_row
    return _Best(found.time_constants_s, shares, found.u_time_constants_s / found.time_constants_s)


def _binned(t_s: FloatArray, values: FloatArray) -> _Readings:
    """Return means over bins that grow with time, and how many readings each holds; few readings stay as they are."""
    n = len(t_s)
    if n <= _MOST_BINS:
        return _Readings(t_s, values, np.ones(n))
    bounds = np.unique(np.concatenate(([0.0], np.round(np.geomspace(1.0, n, _MOST_BINS)))).astype(int))
    sizes = np.diff(bounds).astype(np.float64)
    t, v = (np.add.reduceat(x, bounds[:-1]) / sizes for x in (t_s, values))
    return _Readings(t, v, sizes)


def _wide(readings: _Readings, row_s: FloatArray, count: int) -> _Fits:
    """Return the fits of every choice of `count` different time constants of the row."""
    chosen = np.array(list(combinations(range(len(row_s)), count)), dtype=np.intp)
    return _fits(readings, row_s, chosen)


def _near(readings: _Readings, at_s: FloatArray, reach: FloatArray) -> _Fits:
    """Return the fits of time constants close to those, s, each within its reach on a logarithmic scale."""
    row_s = (at_s[:, None] * np.exp(reach[:, None] * np.linspace(-1.0, 1.0, _NEAR_POINTS))).ravel()
    places = product(*(range(i * _NEAR_POINTS, (i + 1) * _NEAR_POINTS) for i in range(len(at_s))))
    chosen = np.array(list(places), dtype=np.intp)
    rising = np.all(np.diff(row_s[chosen], axis=1) > 0.01 * row_s[chosen][:, 1:], axis=1)
    return _fits(readings, row_s, chosen[rising])


def _fits(readings: _Readings, row_s: FloatArray, chosen: IntArray) -> _Fits:
    """Return the fits of the chosen places of the row, shape (f, k), in which all modes go the same way."""
    t_s, v, weight = readings
    columns = np.column_stack((np.ones(len(t_s)), np.exp(-t_s[:, None] / row_s)))
    away = v - float(np.average(v, weights=weight))
    gram = (columns * weight[:, None]).T @ columns
    moment = (columns * weight[:, None]).T @ away
    picked = np.column_stack((np.zeros(len(chosen), dtype=np.intp), chosen + 1))
    matrices = gram[picked[:, :, None], picked[:, None, :]]
    matrices = matrices + _RIDGE * gram[0, 0] * np.eye(picked.shape[1])
    found = np.linalg.solve(matrices, moment[picked][..., None])[..., 0]
    squares = np.maximum(float(weight @ away**2) - np.einsum("fk,fk->f", found, moment[picked]), 0.0)
    way = found[:, 1:].sum(axis=1, keepdims=True)
    shares = found[:, 1:] / np.where(way == 0.0, 1.0, way)
    alike = np.all(shares > _LEAST_SHARE, axis=1) & (way[:, 0] != 0.0)
    return _Fits(row_s[chosen[alike]], shares[alike], squares[alike])


def _independent(t_s: FloatArray, values: FloatArray, best: _Fits) -> float:
    """Return how many readings that know nothing of each other these are worth, by what the best fit leaves."""
    tau_s = best.tau_s[int(np.argmin(best.squares))]
    columns = np.column_stack((np.ones(len(t_s)), np.exp(-t_s[:, None] / tau_s)))
    left = values - columns @ np.linalg.lstsq(columns, values, rcond=None)[0]
    r = min(0.95, max(0.0, lag1_correlation(left)))
    return float(max(_FEWEST_FREE, len(values) * (1.0 - r) / (1.0 + r)))


def _log_odds(squares: FloatArray, free: float, count: int) -> FloatArray:
    unknowns = 2 * count + 2
    cost = unknowns + unknowns * (unknowns + 1) / max(free - unknowns - 1, 1.0)  # corrected for few readings
    return np.asarray(-0.5 * free * np.log(squares) - cost)


def _weighted(fits: _Fits, odds: FloatArray, cell: float) -> _Weighted:
    """Return the fits with the odds of the piece of their space, on a logarithmic scale, that each stands for."""
    return _Weighted(fits, odds, odds + math.log(cell))


def _mode(tau_s: list[FloatArray], parts: list[_Weighted], top: float, best: _Best, place: int) -> Mode:
    """Return the mode of the best fit at this place, with the bounds that hold 95 % of the probability of all parts.

    They are no closer than two of the fit's own spreads: modes that make up for each other lie on a ridge between the
    places looked at.
    """
    every = np.concatenate(tau_s)
    order = np.argsort(every)
    sums = np.cumsum(np.concatenate([part.weights(top) for part in parts])[order])
    low, high = (float(every[order[min(int(np.searchsorted(sums / sums[-1], q)), len(order) - 1)]]) for q in _INSIDE)
    at_s, apart = float(best.tau_s[place]), math.exp(2 * float(best.spread[place]))
    return Mode(at_s, min(low, at_s / apart), max(high, at_s * apart), float(best.shares[place]))
