"""Densities of figures under each mechanism: mixtures of multivariate t distributions fitted to drawn machines.

A figure that was not measured is left out exactly: the marginal of a multivariate t over fewer figures has the same
form. Few degrees of freedom give heavy tails, so that a machine unlike any drawn one is doubted, not condemned.
Source of density and marginals: S. Kotz, S. Nadarajah, Multivariate t Distributions and Their Applications (2004),
from memory.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from verifyrig.core.trace import FloatArray
from verifyrig.diagnosis.predict import drawn_figures
from verifyrig.diagnosis.quantities import NAMES, PLACE, RecordFigure, even, even_u
from verifyrig.diagnosis.suspects import Mechanism

__all__ = ["Densities", "MixtureComponent", "densities", "log_t"]

DEGREES_OF_FREEDOM = 6.0
# Drawn machines obey one model exactly; real ones do not. This share of each figure is added to every spread. It and
# the number of severities were chosen on simulated machines of seeds 5000 to 5017, by their Brier scores.
MODEL_SPREAD = 0.07
_BINS = 6
_DRAWS, _SEED = 1100, 20310314
_LEAST = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class MixtureComponent:
    """One part of a mixture: weight, location (k,) and scale matrix (k, k), NaN where no machine shows the figure."""

    weight: float
    location: FloatArray
    scale: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Densities:
    """The mixtures of one kind of cooler, and some drawn machines of each mechanism, shape (s, k)."""

    parts: Mapping[Mechanism, tuple[MixtureComponent, ...]]
    samples: Mapping[Mechanism, FloatArray]

    def log_likelihood(self, mechanism: Mechanism, figures: Mapping[str, RecordFigure]) -> float:
        """Return the log density of the measured figures under a mechanism."""
        places = np.array([PLACE[name] for name in figures], dtype=int)
        if not len(places):
            return 0.0
        x = np.array([float(even(name, figure.value)) for name, figure in figures.items()])
        u = np.array([even_u(name, figure) for name, figure in figures.items()])
        return float(self.log_many(mechanism, x[None, :], places, u)[0])

    def log_many(self, mechanism: Mechanism, x: FloatArray, places: np.ndarray, u: FloatArray) -> FloatArray:
        """Return log densities of many machines, x of shape (s, d) at figure places (d,), uncertainties u (d,)."""
        parts = self.parts.get(mechanism, self.parts[Mechanism.NONE])
        logs = [math.log(p.weight) + _log_part(p, x, places, u) for p in parts]
        return np.asarray(np.logaddexp.reduce(logs, axis=0))


def _log_part(part: MixtureComponent, x: FloatArray, places: np.ndarray, u: FloatArray) -> FloatArray:
    location = part.location[places]
    scale = part.scale[np.ix_(places, places)] + np.diag(u**2)
    return log_t(x - location, scale, DEGREES_OF_FREEDOM)


def log_t(away: FloatArray, scale: FloatArray, dof: float) -> FloatArray:
    """Return the log density of a multivariate t, `away` (s, d) from its location, scale matrix (d, d).

    A figure whose location is NaN (no machine of this mechanism shows it) is nearly impossible there: its row
    counts as five spreads away.
    """
    missing = ~np.isfinite(np.diag(scale)) | ~np.isfinite(away).all(axis=0)
    away = np.where(missing[None, :], 5.0, away)
    scale = np.where(missing[:, None] | missing[None, :], 0.0, scale) + np.diag(missing.astype(np.float64))
    d = len(scale)
    lower = np.linalg.cholesky(scale)
    whitened = np.linalg.solve(lower, away.T)
    squares = np.sum(whitened**2, axis=0)
    constant = math.lgamma((dof + d) / 2) - math.lgamma(dof / 2) - d / 2 * math.log(dof * math.pi)
    log_det = float(np.sum(np.log(np.diag(lower))))
    return np.asarray(constant - log_det - (dof + d) / 2 * np.log1p(squares / dof))


@functools.cache
def densities(cooler: str) -> Densities:
    """Return the mixtures for `air` or `liquid`; drawn and fitted once, with a fixed seed."""
    drawn = drawn_figures(cooler, _DRAWS, _SEED)
    parts = {mechanism: _fit(figures, severity) for mechanism, (figures, severity) in drawn.items()}
    parts[Mechanism.OTHER] = _outside(drawn)
    samples = {mechanism: figures[:160] for mechanism, (figures, _) in drawn.items()}
    return Densities(parts=parts, samples=samples)


def _fit(figures: FloatArray, severity: FloatArray) -> tuple[MixtureComponent, ...]:
    """One component for each sixth of the severities; a single one where there are none."""
    bins = 1 if np.ptp(severity) == 0 else _BINS
    bounds = np.quantile(severity, np.linspace(0, 1, bins + 1)[1:-1])
    which = np.searchsorted(bounds, severity)
    return tuple(_component(figures[which == b], float(np.mean(which == b))) for b in np.unique(which))


def _component(figures: FloatArray, weight: float) -> MixtureComponent:
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
    return MixtureComponent(weight=weight, location=location, scale=scale)


def _model_spread(location: FloatArray) -> FloatArray:
    """`MODEL_SPREAD` of a figure far above its scale, on the even scale; less where the figure is small."""
    return np.asarray(MODEL_SPREAD * np.abs(np.tanh(np.nan_to_num(location))) + 0.02)


def _made_positive(covariance: FloatArray) -> FloatArray:
    """Pairwise covariances need not belong together; negative directions are lifted to none."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)


def _outside(drawn: Mapping[Mechanism, tuple[FloatArray, FloatArray]]) -> tuple[MixtureComponent, ...]:
    """None of these: as wide as all mechanisms together, and wider."""
    figures = np.concatenate([rows for rows, _ in drawn.values()])
    whole = _component(figures, 1.0)
    spread = np.diag(np.diag(whole.scale)) * 4.0
    spread[~np.isfinite(whole.scale)] = np.nan
    return (MixtureComponent(weight=1.0, location=whole.location, scale=np.where(np.eye(len(NAMES)) > 0, spread, 0.0)),)
