"""Sums of exponentials through readings by variable projection: only the time constants are searched for.

At given time constants the amplitudes follow by linear least squares, so the search is over few numbers and needs no
start for the amplitudes. Source: Golub and Pereyra 1973 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from verifyrig.core.trace import FloatArray

__all__ = ["Base", "ExponentialFit", "fit_exponentials"]

Base = Literal["free", "none", "mirrored"]
# Time constants from 6 µs to thousands of years, as logarithms: beyond, the search runs away and its powers overflow.
_LOGS = (-12.0, 30.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExponentialFit:
    """y = base + sum(amplitudes × exp(-t / time_constants)), with standard uncertainties (k = 1).

    Attributes:
        base, u_base: What remains for ever, in y's unit; 0 for a fit without it.
        amplitudes: Shape (k,), in y's unit.
        time_constants_s, u_time_constants_s: Shape (k,), s, shortest first.
        residual_sd: Standard deviation of the residuals, in y's unit.
        dof: Degrees of freedom left.
    """

    base: float
    u_base: float
    amplitudes: FloatArray
    time_constants_s: FloatArray
    u_time_constants_s: FloatArray
    residual_sd: float
    dof: int


def fit_exponentials(
    t_s: FloatArray, y: FloatArray, start_time_constants_s: Sequence[float], base: Base = "free"
) -> ExponentialFit:
    """Fit a sum of as many exponentials as there are starts.

    Args:
        t_s, y: Readings, shape (n,), n above the number of parameters.
        start_time_constants_s: Where the search starts, s, all different, above 0.
        base: `free`; `none`; or `mirrored`: a rise from zero at t = 0, base = -sum of amplitudes.

    Raises:
        ValueError: Too few readings.
    """
    from scipy.optimize import least_squares

    count = len(start_time_constants_s)
    unknowns = 2 * count + (base == "free")
    if len(t_s) <= unknowns:
        raise ValueError(f"{len(t_s)} readings for {unknowns} unknowns")

    search = _Projection(t_s, y, base)
    starts = np.log(np.sort(np.asarray(start_time_constants_s, dtype=np.float64)))
    found = least_squares(search.residual, starts, jac=search.jacobian, method="lm", xtol=1e-14, ftol=1e-15, gtol=1e-15)
    return _with_uncertainties(t_s, y, np.sort(np.exp(np.clip(found.x, *_LOGS))), base)


class _Projection:
    """What the readings leave beside the columns of some time constants, and how that changes with them.

    Both from one SVD of the columns; the Jacobian is that of Golub and Pereyra 1973 (from memory).
    """

    def __init__(self, t_s: FloatArray, y: FloatArray, base: Base) -> None:
        self._t_s, self._y, self._base = t_s, y, base
        self._logs: FloatArray = np.empty(0)

    def residual(self, logs: FloatArray) -> FloatArray:
        """Return what is left of the readings, shape (n,), at logarithms of time constants, shape (k,)."""
        self._logs = logs.copy()
        self._tau_s = np.exp(np.clip(logs, *_LOGS))
        columns = _columns(self._t_s, self._tau_s, self._base)
        span, sizes, turned = np.linalg.svd(columns, full_matrices=False)
        # Directions that the columns hold only by rounding are left out, as least squares by SVD do.
        sure = sizes > max(columns.shape) * np.finfo(np.float64).eps * sizes[0]
        self._span = span[:, sure]
        self._back = turned[sure] / sizes[sure, None]  # transposed pseudo-inverse = span @ back
        shares = self._span.T @ self._y
        self._linear = self._back.T @ shares
        self._left = self._y - self._span @ shares
        return np.asarray(self._left)

    def jacobian(self, logs: FloatArray) -> FloatArray:
        """Return how the residual changes with the logarithms, shape (n, k)."""
        if not np.array_equal(logs, self._logs):
            self.residual(logs)
        k = len(logs)
        at = self._t_s[:, None] / self._tau_s
        moved = np.exp(-at) * at
        by_columns = self._linear[:k] * moved
        by_amplitudes = self._back[:, :k] * (moved.T @ self._left)
        return np.asarray(self._span @ (self._span.T @ by_columns - by_amplitudes) - by_columns)


def _columns(t_s: FloatArray, tau_s: FloatArray, base: Base) -> FloatArray:
    fades = np.exp(-t_s[:, None] / tau_s)
    if base == "mirrored":
        return np.asarray(fades - 1.0)
    return np.column_stack((fades, np.ones_like(t_s))) if base == "free" else fades


def _with_uncertainties(t_s: FloatArray, y: FloatArray, tau_s: FloatArray, base: Base) -> ExponentialFit:
    columns = _columns(t_s, tau_s, base)
    linear: FloatArray = np.asarray(np.linalg.lstsq(columns, y, rcond=None)[0], dtype=np.float64)
    residual = y - columns @ linear
    k = len(tau_s)
    by_tau = linear[:k] * np.exp(-t_s[:, None] / tau_s) * t_s[:, None] / tau_s**2
    jacobian = np.column_stack((columns, by_tau))
    dof = len(y) - jacobian.shape[1]
    sd = float(np.sqrt(residual @ residual / dof))
    u = sd * _root_diagonal(jacobian)
    u_base = float(u[k]) if base == "free" else 0.0
    level = float(linear[k]) if base == "free" else (-float(linear.sum()) if base == "mirrored" else 0.0)
    if base == "mirrored" and k == 1:
        u_base = float(u[0])
    return ExponentialFit(
        base=level,
        u_base=u_base,
        amplitudes=linear[:k],
        time_constants_s=tau_s,
        u_time_constants_s=u[-k:],
        residual_sd=sd,
        dof=dof,
    )


def _root_diagonal(jacobian: FloatArray) -> FloatArray:
    """Return sqrt(diag((J^T J)^-1)) by way of QR, with columns scaled to length 1 so that no digits are lost."""
    length = np.linalg.norm(jacobian, axis=0)
    length = np.where(length > 0, length, 1.0)
    triangle = np.linalg.qr(jacobian / length, mode="r")
    try:
        inverse = np.linalg.solve(triangle, np.eye(len(length)))
    except np.linalg.LinAlgError:
        return np.full(len(length), np.inf)
    with np.errstate(over="ignore"):  # columns that are one but for the last digit of all: nothing is known
        return np.asarray(np.linalg.norm(inverse, axis=1) / length)
