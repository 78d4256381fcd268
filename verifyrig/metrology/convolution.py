"""How wide an interval holds the sum of one normal or t-distributed quantity and of several that have bounds.

The distribution of a sum is the convolution of its parts (JCGM 101:2008, 5.2), and its characteristic function the
product of theirs. A sum that lies within ± L, but for a tail that can be neglected, is a Fourier series on that
interval whose coefficients are that function's values; the probability of ± U is its integral.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

__all__ = ["expanded_half_width"]

FloatArray = npt.NDArray[np.float64]

# Beyond this many degrees of freedom a t-distribution is taken for the normal one of the same half-width, which moves
# the result by less than 0.1 %.
_NEARLY_NORMAL_DOF = 150.0
# The t-distribution beyond ± L, both sides: of what lies there the fraction U/L comes back into ± U.
_NEGLECTED = 1e-5
_NEGLECTED_OF_FEW, _FEW_DOF = 1e-3, 2.0
_FEWEST_TERMS, _MOST_TERMS = 64, 4096
_LEAST_DOF = 1.0


def expanded_half_width(scale: float, dof: float, half_widths: Sequence[float], p: float) -> float:
    """Return U so that the sum lies within ± U with probability `p`, right to 1 in 10 000.

    Args:
        scale: Of the t-distribution with `dof` degrees of freedom; standard deviation of a normal one, >= 0.
        dof: At least 1; infinite for a normal distribution.
        half_widths: Of the rectangular distributions, each above 0, in the unit of `scale`.

    Raises:
        ValueError: Fewer degrees of freedom than 1, or no half-width.
    """
    from scipy.optimize import brentq
    from scipy.special import ndtri, stdtrit

    if dof < _LEAST_DOF or not half_widths:
        raise ValueError(f"{dof} degrees of freedom and {len(half_widths)} half-widths")
    largest = max(half_widths)
    scale, widths = scale / largest, np.array(half_widths) / largest
    if dof > _NEARLY_NORMAL_DOF and math.isfinite(dof):
        scale, dof = scale * float(stdtrit(dof, (1 + p) / 2) / ndtri((1 + p) / 2)), math.inf
    beyond = (_NEGLECTED_OF_FEW if dof < _FEW_DOF else _NEGLECTED) / 2
    reach = float(ndtri(1 - beyond) if math.isinf(dof) else stdtrit(dof, 1 - beyond))
    if len(widths) == 1 and scale * reach <= 1 - p:
        # Its ends are out of reach of all else, and between them a bound stays rectangular.
        return p * largest
    length = float(widths.sum()) + scale * reach
    k: FloatArray = np.arange(1, _terms(scale, dof, length) + 1, dtype=np.float64)
    coefficients = _characteristic(np.asarray(np.pi * k / length), scale, dof, widths) * 2 / (np.pi * k)

    def missing(half_width: float) -> float:
        return half_width / length + float(coefficients @ np.sin(np.pi * k * half_width / length)) - p

    return largest * float(brentq(missing, 0.0, length, xtol=1e-7))


def _terms(scale: float, dof: float, length: float) -> int:
    """Return after how many terms the normal or t-distributed part has faded to some 1e-9."""
    faded_at = (6.5 + (0.0 if math.isinf(dof) else 25.0 / math.sqrt(dof))) / max(scale, 1e-12)
    return int(min(_MOST_TERMS, max(_FEWEST_TERMS, length * faded_at / math.pi)))


def _characteristic(at: FloatArray, scale: float, dof: float, widths: FloatArray) -> FloatArray:
    """Return the characteristic function of the sum, which is real since all parts are symmetric."""
    found = np.prod(np.sinc(at[:, None] * widths / np.pi), axis=1)
    if scale == 0.0:
        return np.asarray(found)
    if math.isinf(dof):
        return np.asarray(found * np.exp(-0.5 * (scale * at) ** 2))
    return np.asarray(found * _of_t(scale * at, dof))


def _of_t(at: FloatArray, dof: float) -> FloatArray:
    """Return the characteristic function of Student's t.

    Source: S. Hurst 1995, "The characteristic function of the Student t distribution" (from memory).
    """
    from scipy.special import gammaln, kve

    x, half = math.sqrt(dof) * at, dof / 2
    logarithm = half * np.log(x) + np.log(np.maximum(kve(half, x), 1e-300)) - x
    # Near 0, where it is 1, the Bessel function of a high order is beyond what a float can hold.
    return np.asarray(np.exp(np.minimum(logarithm - (half - 1) * math.log(2) - float(gammaln(half)), 0.0)))
