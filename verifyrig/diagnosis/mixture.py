"""Densities of figures under each mechanism: mixtures of multivariate t distributions fitted to drawn machines.

A figure that was not measured is left out exactly: the marginal of a multivariate t over fewer figures has the same
form. Few degrees of freedom give heavy tails, so that a machine unlike any drawn one is doubted, not condemned.
Source of density and marginals: S. Kotz, S. Nadarajah, Multivariate t Distributions and Their Applications (2004),
from memory.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from verifyrig.core.trace import FloatArray
from verifyrig.diagnosis.predict import drawn_figures
from verifyrig.diagnosis.quantities import NAMES, PLACE, RecordFigure, even, even_covariance
from verifyrig.diagnosis.suspects import Mechanism

__all__ = ["Densities", "Mixture", "densities", "log_t"]

DEGREES_OF_FREEDOM = 6.0
# Drawn machines obey one model exactly; real ones do not. This share of each figure is added to every spread. It and
# the number of severities were chosen on simulated machines of seeds 5000 to 5017, by their Brier scores.
MODEL_SPREAD = 0.07
_BINS = 6
_DRAWS, _SEED = 1100, 20310314
_LEAST = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Mixture:
    """Parts of mixtures: weights (c,), locations (c, k), scale matrices (c, k, k); NaN where no machine shows it."""

    weights: FloatArray
    locations: FloatArray
    scales: FloatArray

    def log_parts(self, x: FloatArray, places: np.ndarray, errors: FloatArray) -> FloatArray:
        """Return the log of each part's weighted density of machines, shape (c, s).

        Args:
            x: Shape (s, d), at the figures' places (d,).
            errors: Covariance of what is wrong with the measured figures, shape (d, d).
        """
        away = x - self.locations[:, None, places]
        scales = self.scales[:, places[:, None], places] + errors
        return np.asarray(np.log(self.weights)[:, None] + log_t(away, scales, DEGREES_OF_FREEDOM))


@dataclass(frozen=True, slots=True, kw_only=True)
class Densities:
    """The mixtures of one kind of cooler, and some drawn machines of each mechanism, shape (s, k).

    Attributes:
        all_parts: The parts of all mixtures one behind the other, in the order of `mixtures`: taken at once, a
            diagnosis computes for a tenth of the time.
    """

    mixtures: Mapping[Mechanism, Mixture]
    samples: Mapping[Mechanism, FloatArray]
    all_parts: Mixture

    def log_likelihoods(self, figures: Mapping[str, RecordFigure]) -> dict[Mechanism, float]:
        """Return the log density of the measured figures under each mechanism; without figures it is 0."""
        if not figures:
            return dict.fromkeys(self.mixtures, 0.0)
        places = np.array([PLACE[name] for name in figures], dtype=int)
        x = np.array([float(even(name, figure.value)) for name, figure in figures.items()])
        sizes = [len(mixture.weights) for mixture in self.mixtures.values()]
        starts = np.cumsum([0, *sizes[:-1]])
        logs = np.logaddexp.reduceat(
            self.all_parts.log_parts(x[None, :], places, even_covariance(figures))[:, 0], starts
        )
        return dict(zip(self.mixtures, logs.tolist(), strict=True))

    def log_many(self, mechanism: Mechanism, x: FloatArray, places: np.ndarray, errors: FloatArray) -> FloatArray:
        """Return log densities of many machines, shape (s,); arguments as of `Mixture.log_parts`."""
        mixture = self.mixtures.get(mechanism, self.mixtures[Mechanism.NONE])
        return np.asarray(np.logaddexp.reduce(mixture.log_parts(x, places, errors), axis=0))


def log_t(away: FloatArray, scale: FloatArray, dof: float) -> FloatArray:
    """Return log densities of multivariate t, `away` (..., s, d) from the location, scale matrix (..., d, d).

    A figure whose location is NaN (no machine of this mechanism shows it) is nearly impossible there: its row
    counts as five spreads away.
    """
    missing = ~np.isfinite(np.diagonal(scale, axis1=-2, axis2=-1)) | ~np.isfinite(away).all(axis=-2)
    away = np.where(missing[..., None, :], 5.0, away)
    d = scale.shape[-1]
    scale = np.where(missing[..., :, None] | missing[..., None, :], 0.0, scale) + missing[..., None] * np.eye(d)
    lower = np.linalg.cholesky(scale)
    whitened = np.linalg.solve(lower, np.swapaxes(away, -2, -1))
    squares = np.sum(whitened**2, axis=-2)
    constant = math.lgamma((dof + d) / 2) - math.lgamma(dof / 2) - d / 2 * math.log(dof * math.pi)
    log_det = np.sum(np.log(np.diagonal(lower, axis1=-2, axis2=-1)), axis=-1)
    return np.asarray(constant - log_det[..., None] - (dof + d) / 2 * np.log1p(squares / dof))


@functools.cache
def densities(cooler: str) -> Densities:
    """Return the mixtures for `air` or `liquid`; drawn and fitted once, with a fixed seed."""
    drawn = drawn_figures(cooler, _DRAWS, _SEED)
    mixtures = {mechanism: _fit(figures, severity) for mechanism, (figures, severity) in drawn.items()}
    mixtures[Mechanism.OTHER] = _outside(drawn)
    samples = {mechanism: figures[:160] for mechanism, (figures, _) in drawn.items()}
    return Densities(mixtures=mixtures, samples=samples, all_parts=_joined(mixtures.values()))


def _joined(mixtures: Iterable[Mixture]) -> Mixture:
    together = list(mixtures)
    return Mixture(
        weights=np.concatenate([one.weights for one in together]),
        locations=np.concatenate([one.locations for one in together]),
        scales=np.concatenate([one.scales for one in together]),
    )


def _fit(figures: FloatArray, severity: FloatArray) -> Mixture:
    """One component for each sixth of the severities; a single one where there are none."""
    bins = 1 if np.ptp(severity) == 0 else _BINS
    bounds = np.quantile(severity, np.linspace(0, 1, bins + 1)[1:-1])
    which = np.searchsorted(bounds, severity)
    return _joined(_part(figures[which == b], float(np.mean(which == b))) for b in np.unique(which))


def _part(figures: FloatArray, weight: float) -> Mixture:
    seen = np.isfinite(figures)
    count = seen.sum(axis=0)
    enough = count >= _LEAST
    filled = np.where(seen, figures, 0.0)
    location = np.where(enough, filled.sum(axis=0) / np.maximum(count, 1), np.nan)
    away = np.where(seen & enough, figures - location, 0.0)
    together = np.maximum(seen.T.astype(float) @ seen.astype(float), 1.0)
    covariance = _made_positive(away.T @ away / together) + np.diag(_model_spread(location) ** 2)
    # The scale matrix of a t is smaller than its covariance by (dof - 2) / dof.
    scale = covariance * (DEGREES_OF_FREEDOM - 2) / DEGREES_OF_FREEDOM
    scale[:, ~enough] = np.nan
    scale[~enough, :] = np.nan
    return Mixture(weights=np.array([weight]), locations=location[None], scales=scale[None])


def _model_spread(location: FloatArray) -> FloatArray:
    """`MODEL_SPREAD` of a figure far above its scale, on the even scale; less where the figure is small."""
    return np.asarray(MODEL_SPREAD * np.abs(np.tanh(np.nan_to_num(location))) + 0.02)


def _made_positive(covariance: FloatArray) -> FloatArray:
    """Pairwise covariances need not belong together; negative directions are lifted to none."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)


def _outside(drawn: Mapping[Mechanism, tuple[FloatArray, FloatArray]]) -> Mixture:
    """None of these: as wide as all mechanisms together, and wider."""
    figures = np.concatenate([rows for rows, _ in drawn.values()])
    whole = _part(figures, 1.0)
    scale = whole.scales[0]
    spread = np.diag(np.diag(scale)) * 4.0
    spread[~np.isfinite(scale)] = np.nan
    return replace(whole, scales=np.where(np.eye(len(NAMES)) > 0, spread, 0.0)[None])
