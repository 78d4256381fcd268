"""From samples to where the machine will settle: the prior over machines, updated by what was read.

The most probable machine is found by Gauss–Newton steps with damping, the spread around it from the curvature
(Laplace's approximation), and the settled value from machines drawn out of that spread, so that fans on a curve,
leakage and a slow mode that has hardly shown itself are all inside it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np

from verifyrig.analysis.allowance import ANY_PATH, Allowance, model_covariance, model_sd_k, reading_covariance
from verifyrig.analysis.compress import Compressed
from verifyrig.analysis.prior import P, Prior
from verifyrig.analysis.thermal_path import Drive, fan_share_at, simulate
from verifyrig.core.trace import BoolArray, FloatArray

__all__ = [
    "DRAWS",
    "Explaining",
    "Posterior",
    "ReadingFit",
    "descend",
    "draw_around",
    "fit_of",
    "rivals",
    "scout",
    "spread_of",
    "update",
]

# The search: machines looked at first, rounds of Gauss-Newton steps (rivals are dropped after two unless near),
# dampings tried in each, and the gain below which it ends.
_SCOUTS, _ROUNDS, _RIVALS_UNTIL = 80, 5, 2
# From rare faults the way is longer: what is best after two rounds need not be in the end.
_ROUNDS_FROM_RARE, _RIVALS_UNTIL_FROM_RARE = 8, 6
_DAMPINGS = (0.03, 0.3, 3.0)
_GAIN_ENOUGH = 0.2
_STEP = 0.02  # of a standard deviation, for derivatives
# The draws: how many, how often each is led back, how much worse than the median one may end, and how strongly the
# derivatives at the peak are held on to. Peaks that cost more than the rival's share above the best are left out.
DRAWS, _LEAD_BACK, _STRAY_COST, _HOLD = 48, 2, 25.0, 3.0
_RIVAL_COST, _MOST_RIVALS = 7.0, 4
# Two peaks so near each other, squared, in standard deviations, are one.
_SAME_PEAK = 2.0
# Parameters whose rare faults a search from the usual machine would not find, and where such faults lie.
_TAILED = [P.PLATE_TO_SINK, P.SINK_TO_AIR, P.CASE_TO_AMBIENT, P.OFFSET]
_RARE_AT = 1.7
_FAN_SHARE_SD = 0.03  # of full speed: a real curve is not two straight lines
# Quantiles, and how many standard deviations of a normal distribution lie between the two.
_QUANTILES = ((0.05, 3.28971), (0.10, 2.56310))


@dataclass(frozen=True, slots=True, kw_only=True)
class Posterior:
    """Machines that explain the samples.

    Attributes:
        peaks: Most probable machines, the best first, standard normal coordinates, shape (s, p).
        draws: Parameters of machines drawn from the posterior, shape (d, p).
        late_k: What the newest readings lie above each drawn machine, K, shape (d,).
        late_u_k: How uncertain that is, standard deviation, K.
        misfit: Mean square of what the samples leave unexplained, over what was expected; about 1 where all is well.
        shown_at_s, shown_c: Middle of each step with a reading, s, and the median of what the drawn machines show in
            it, °C, shape (k,).
    """

    peaks: FloatArray
    draws: FloatArray
    misfit: float
    late_k: FloatArray
    late_u_k: float
    shown_at_s: FloatArray
    shown_c: FloatArray


class Explaining(Protocol):
    """What has to be explained: scaled residuals of machines in standard normal coordinates."""

    @property
    def readings(self) -> int:
        """How many of the residuals are of readings; they come first."""
        ...

    def residuals(self, z: FloatArray) -> FloatArray:
        """Return scaled residuals for machines z of shape (m, p), shape (m, r); the prior's own not included."""
        ...


@dataclass(frozen=True, slots=True)
class ReadingFit:
    """One run's readings, to be explained by machines of a prior."""

    prior: Prior
    data: Compressed
    whiten: FloatArray
    seen: BoolArray
    fan_sd: FloatArray | None
    allowed: Allowance

    @property
    def readings(self) -> int:
        """How many of the residuals are of readings."""
        return len(self.whiten)

    def residuals(self, z: FloatArray) -> FloatArray:
        """Return scaled residuals for machines z of shape (m, p), shape (m, r); the prior's own not included."""
        return self.residuals_of(self.prior.values(z))

    def residuals_of(self, theta: FloatArray) -> FloatArray:
        """Return the same for machines of known parameters, shape (m, p)."""
        temp = self.missed_k(theta) @ self.whiten.T
        return np.concatenate((temp, self.fan_residuals(theta)), axis=1)

    def missed_k(self, theta: FloatArray, start_k: FloatArray | None = None) -> FloatArray:
        """Return what machines show above the readings, K, shape (m, k); `start_k` as in `simulate`."""
        shown, _ = simulate(theta, self.data.drive, start_k)
        return np.asarray(shown[:, self.seen] - self.data.temp_c[self.seen])

    def fan_residuals(self, theta: FloatArray) -> FloatArray:
        """Return how far the machines' fan curves lie from the speeds read, scaled; shape (m, 0) where none counts."""
        drive = self.data.drive
        if self.fan_sd is None or drive.fan_rpm is None:
            return np.empty((len(theta), 0))
        share = drive.fan_rpm[None, :] / theta[:, P.FULL_SPEED, None]
        return np.asarray((share - fan_share_at(theta, drive.seen_c[None, :])) / self.fan_sd)


def _fan_sd(drive: Drive) -> FloatArray | None:
    """Return how far measured speeds may lie from a machine's fan curve, over full speed, shape (k,).

    None where no speed was read or the fan stands. The fan lags the die a little.
    """
    if drive.fan_rpm is None or np.median(drive.fan_rpm) < 30.0:
        return None
    lag_k = 6.0 * np.abs(np.gradient(drive.seen_c, np.cumsum(drive.dt_s)))
    # Steps are correlated: a curve that is not quite straight is wrong for many of them at once.
    return np.asarray(np.hypot(_FAN_SHARE_SD, 0.025 * lag_k) * np.sqrt(max(1.0, len(drive.dt_s) / 12)))


def update(
    prior: Prior,
    data: Compressed,
    noise_k: float,
    refresh_s: float,
    starts: FloatArray | None,
    seed: int = 1,
    draws: int = DRAWS,
    allowed: Allowance = ANY_PATH,
    *,
    rare: bool = False,
) -> Posterior:
    """Return the posterior for the samples.

    Args:
        noise_k: Standard deviation of one fresh reading, K.
        refresh_s: Interval between fresh readings, s.
        starts: Where to start from, standard normal coordinates, shape (s, p); None to look around first.
        draws: How many machines to draw.
        allowed: What is allowed for beside noise.
        rare: Where there is nothing to start from, begin at each rare fault, too: what was read so far may be that of
            several machines.
    """
    fit = fit_of(prior, data, noise_k, refresh_s, allowed)
    if starts is None and rare:
        starts = np.concatenate((scout(fit, seed), _rare_faults(len(prior.middle))))
        found = descend(fit, starts, _ROUNDS_FROM_RARE, _RIVALS_UNTIL_FROM_RARE)
    else:
        found = descend(fit, scout(fit, seed) if starts is None else starts)
    peaks = _distinct(found)
    drawn, residuals = draw_around(fit, rivals(peaks), seed, draws)
    late_k, late_u_k = _late_misfit(fit, residuals)
    missed_k = np.linalg.solve(fit.whiten, residuals[:, : fit.readings].T)
    return Posterior(
        peaks=np.array([peak.z for peak in peaks]),
        draws=prior.values(drawn),
        late_k=late_k,
        late_u_k=late_u_k,
        misfit=peaks[0].squares / max(1.0, float(fit.readings)),
        shown_at_s=(data.end_s - data.drive.dt_s / 2)[fit.seen],
        shown_c=data.temp_c[fit.seen] + np.median(missed_k, axis=1),
    )


def fit_of(
    prior: Prior, data: Compressed, noise_k: float, refresh_s: float, allowed: Allowance = ANY_PATH
) -> ReadingFit:
    """Return what is to be explained of one run; arguments as in `update`."""
    seen = np.isfinite(data.temp_c)
    covariance = reading_covariance(data, noise_k, refresh_s, allowed)[np.ix_(seen, seen)]
    return ReadingFit(prior, data, np.linalg.inv(np.linalg.cholesky(covariance)), seen, _fan_sd(data.drive), allowed)


def rivals(peaks: list[Peak]) -> list[Peak]:
    """Return the best and, where another is nearly as good, that one too."""
    return [peak for peak in peaks if peak.cost < peaks[0].cost + _RIVAL_COST][:_MOST_RIVALS]


def _distinct(peaks: list[Peak]) -> list[Peak]:
    """Return the peaks that are not one of those before them again."""
    found: list[Peak] = []
    for peak in peaks:
        curvature = peak.slope.T @ peak.slope + np.eye(len(peak.z))
        if all((peak.z - other.z) @ curvature @ (peak.z - other.z) >= _SAME_PEAK for other in found):
            found.append(peak)
    return found


def _rare_faults(parameters: int) -> FloatArray:
    """Return usual machines with one rare fault each, standard normal coordinates, shape (s, p)."""
    z = np.zeros((len(_TAILED), parameters))
    z[np.arange(len(_TAILED)), _TAILED] = _RARE_AT
    return z


def scout(fit: ReadingFit, seed: int) -> FloatArray:
    """Look around among machines of the prior, rare faults included, for places to start from, shape (s, p)."""
    p = len(fit.prior.middle)
    z = np.random.default_rng(seed).standard_normal((_SCOUTS, p))
    z[:, _TAILED] *= 1.6
    z[0] = 0.0
    cost = _cost(fit.residuals(z), z)
    first = int(np.argmin(cost))
    apart = ((z[:, _TAILED] - z[first, _TAILED]) ** 2).sum(axis=1)
    second = int(np.argmin(np.where(apart > 2.0, cost, np.inf)))
    return z[[first, second]]


def _late_misfit(fit: ReadingFit, residuals: FloatArray) -> tuple[FloatArray, float]:
    """Return how far the newest readings lie from what each drawn machine shows, as far as that will last, (d,).

    It is what the lumps cannot follow, forecast for the newest step from all residuals (a Gaussian process), with
    the standard deviation that remains.
    """
    last = int(np.flatnonzero(fit.seen)[-1])
    gain = fit.whiten @ model_covariance(fit.data, fit.data, fit.allowed)[last, fit.seen]
    left = float(model_sd_k(fit.data, fit.allowed)[last]) ** 2 - float(gain @ gain)
    return np.asarray(-residuals[:, : len(gain)] @ gain), math.sqrt(max(left, 0.0))


def spread_of(drawn: FloatArray) -> float:
    """Return the standard deviation of what nine in ten drawn machines say, shape (d,), were they normal.

    A few machines far from all others would stretch mean square and mean at will. Two distances between quantiles,
    because of some forty draws one of them hangs on two or three.
    """
    return float(np.mean([np.diff(np.quantile(drawn, (q, 1 - q)))[0] / wide for q, wide in _QUANTILES]))


class Peak(NamedTuple):
    """A most probable machine, the derivatives there, its sum of squared residuals, and what it costs in all."""

    z: FloatArray
    slope: FloatArray
    squares: float
    cost: float


def _linearise(fit: Explaining, z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return residuals (s, r) and their derivatives (s, r, p) at each of the machines z, shape (s, p)."""
    s, p = z.shape
    moved = np.concatenate((z[:, None, :], z[:, None, :] + _STEP * np.eye(p)[None]), axis=1).reshape(-1, p)
    all_residuals = fit.residuals(moved).reshape(s, p + 1, -1)
    base = all_residuals[:, 0]
    return base, np.swapaxes((all_residuals[:, 1:] - base[:, None]) / _STEP, 1, 2)


def descend(
    fit: Explaining, starts: FloatArray, rounds: int = _ROUNDS, rivals_until: int = _RIVALS_UNTIL
) -> list[Peak]:
    """Go down to the most probable machine from each start (Gauss–Newton with damping), the best first."""
    z, damping = starts.copy(), np.full(len(starts), 0.1)
    residual, slope = _linearise(fit, z)
    cost = _cost(residual, z)
    for turn in range(rounds):
        if turn == rivals_until:
            keep = cost < cost.min() + 3 * _RIVAL_COST
            z, damping, residual, slope, cost = z[keep], damping[keep], residual[keep], slope[keep], cost[keep]
        tried, tried_cost, tried_damping = _try_steps(fit, z, residual, slope, damping)
        better = tried_cost < cost
        gained = np.where(better, cost - tried_cost, 0.0)
        z, cost = np.where(better[:, None], tried, z), np.where(better, tried_cost, cost)
        damping = np.where(better, tried_damping, damping * 30.0)
        if gained.max() < _GAIN_ENOUGH:
            break
        residual, slope = _linearise(fit, z)
    k = fit.readings
    peaks = [Peak(z[i], slope[i], float((residual[i, :k] ** 2).sum()), float(cost[i])) for i in range(len(z))]
    return sorted(peaks, key=lambda peak: peak.cost)


def _try_steps(
    fit: Explaining, z: FloatArray, residual: FloatArray, slope: FloatArray, damping: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Try steps with several dampings from each place; return the best of each, its cost and its damping."""
    s, p = z.shape
    dampings = damping[:, None] * np.array(_DAMPINGS)
    normal = np.swapaxes(slope, 1, 2) @ slope + np.eye(p)
    pull = np.einsum("srp,sr->sp", slope, residual) + z
    damped = normal[:, None] + dampings[..., None, None] * (normal * np.eye(p))[:, None]
    step = np.linalg.solve(damped, np.broadcast_to(pull[:, None, :, None], (s, len(_DAMPINGS), p, 1)))[..., 0]
    step *= np.minimum(1.0, 2.0 / np.maximum(1e-9, np.abs(step).max(axis=-1)))[..., None]
    tried = np.clip(z[:, None] - step, -5.0, 5.0)
    cost = _cost(fit.residuals(tried.reshape(-1, p)), tried.reshape(-1, p)).reshape(s, -1)
    at, best = np.arange(s), np.argmin(cost, axis=1)
    return tried[at, best], cost[at, best], np.clip(dampings[at, best], 1e-5, 1e4)


def _cost(residual: FloatArray, z: FloatArray) -> FloatArray:
    return np.asarray((residual**2).sum(axis=1) + (z**2).sum(axis=1))


def draw_around(
    fit: Explaining, peaks: list[Peak], seed: int, draws: int, lead_back: int = _LEAD_BACK
) -> tuple[FloatArray, FloatArray]:
    """Draw machines around every peak, as many as its share of the probability; coordinates and residuals.

    Each draw is the best machine for readings and prior that were disturbed by as much as they are uncertain
    (randomised maximum likelihood). It starts where the linear answer lies and is led back to the bent ridge of
    machines that fit, so that products of parameters which the readings fix stay fixed. Source: Oliver, He, Reynolds
    1996 (from memory).
    """
    weights = np.exp(-0.5 * np.array([peak.cost - peaks[0].cost for peak in peaks]))
    counts = np.maximum(2, 2 * np.round(draws / 2 * weights / weights.sum()).astype(int))
    clouds = [_Cloud(peak, int(n), seed + i) for i, (peak, n) in enumerate(zip(peaks, counts, strict=True))]
    for turn in range(lead_back + 1):
        shown = fit.residuals(np.concatenate([cloud.z for cloud in clouds]))
        for cloud, plain in zip(clouds, np.split(shown, np.cumsum(counts)[:-1]), strict=True):
            cloud.keep_better(plain)
            if turn < lead_back:
                cloud.lead_back(plain)
    found = [cloud.settled() for cloud in clouds]
    return np.concatenate([z for z, _ in found]), np.concatenate([r for _, r in found])


class _Cloud:
    """Machines drawn around one peak: coordinates (d, p), and the best of each so far with its residuals (d, r)."""

    def __init__(self, peak: Peak, draws: int, seed: int) -> None:
        rng = np.random.default_rng(seed)
        r, p = peak.slope.shape
        half_data, half_prior = rng.standard_normal((draws // 2, r)), rng.standard_normal((draws // 2, p))
        self._noise, self._centre = (np.concatenate((half, -half)) for half in (half_data, half_prior))
        self._slope = peak.slope
        way = (self._noise @ self._slope + self._centre) @ np.linalg.inv(self._slope.T @ self._slope + np.eye(p))
        self.z = np.clip(peak.z + way, -5.0, 5.0)
        self._best_z, self._best_plain = self.z, np.zeros_like(self._noise)
        self._best_cost = np.full(draws, np.inf)

    def keep_better(self, plain: FloatArray) -> None:
        """Take the machines as they are now where they fit better than before, with their residuals, shape (d, r)."""
        cost = _cost(plain - self._noise, self.z - self._centre)
        better = (cost < self._best_cost)[:, None]
        self._best_z = np.where(better, self.z, self._best_z)
        self._best_plain = np.where(better, plain, self._best_plain)
        self._best_cost = np.minimum(cost, self._best_cost)

    def lead_back(self, plain: FloatArray) -> None:
        """Move every machine a step towards its own best fit."""
        self._slope = slope = _refit_slope(self._slope, self.z, plain)
        pull = (plain - self._noise) @ slope + self.z - self._centre
        step = pull @ np.linalg.inv(slope.T @ slope + np.eye(slope.shape[1]))
        step *= np.minimum(1.0, 1.0 / np.maximum(1e-9, np.abs(step).max(axis=1)))[:, None]
        self.z = np.clip(self.z - step, -5.0, 5.0)

    def settled(self) -> tuple[FloatArray, FloatArray]:
        """Return machines and residuals, without those that never came to fit."""
        good = self._best_cost <= np.median(self._best_cost) + _STRAY_COST
        return self._best_z[good], self._best_plain[good]


def _refit_slope(slope: FloatArray, z: FloatArray, residual: FloatArray) -> FloatArray:
    """Turn the derivatives, shape (r, p), towards what the drawn machines really show across their whole spread."""
    away, shown = z - z.mean(axis=0), residual - residual.mean(axis=0)
    missed = shown - away @ slope.T
    held = away.T @ away + _HOLD * np.eye(z.shape[1])
    return np.asarray(slope + np.linalg.solve(held, away.T @ missed).T)
