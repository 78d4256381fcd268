"""Any curve through readings by least squares, with the standard uncertainties of its parameters."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from verifyrig.core.trace import FloatArray

__all__ = ["CurveFit", "fit_curve"]

Curve = Callable[[FloatArray, FloatArray], FloatArray]


class CurveFit(NamedTuple):
    """Parameters with standard uncertainties (k = 1), shape (p,), residual standard deviation, degrees of freedom."""

    parameters: FloatArray
    u: FloatArray
    residual_sd: float
    dof: int


def fit_curve(curve: Curve, x: FloatArray, y: FloatArray, start: FloatArray) -> CurveFit:
    """Fit `curve(x, parameters)` to y, both of shape (n,), from `start`, shape (p,).

    Raises:
        ValueError: No more readings than parameters.

    Source of the uncertainties: linearisation at the solution, s² (JᵀJ)⁻¹.
    """
    from scipy.optimize import least_squares

    if len(x) <= len(start):
        raise ValueError(f"{len(x)} readings for {len(start)} parameters")

    def misses(parameters: FloatArray) -> FloatArray:
        return np.asarray(curve(x, parameters) - y)

    scale = np.where(start != 0, np.abs(start), 1.0)
    found = least_squares(misses, start, jac="3-point", method="lm", x_scale=scale, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    dof = len(x) - len(start)
    sd = float(np.sqrt(2.0 * found.cost / dof))
    jacobian = np.asarray(found.jac)
    length = np.linalg.norm(jacobian, axis=0)
    triangle = np.linalg.qr(jacobian / length, mode="r")
    inverse = np.linalg.solve(triangle, np.eye(len(start)))
    return CurveFit(found.x, sd * np.linalg.norm(inverse, axis=1) / length, sd, dof)
