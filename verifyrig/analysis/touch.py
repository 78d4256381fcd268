"""When a hot part is cool enough to touch, estimated from its cooldown."""

from __future__ import annotations

import math

import numpy as np

from verifyrig.analysis.signals import fit_line
from verifyrig.core.trace import FloatArray

__all__ = ["TOUCH_SAFE_C", "touch_safe_in_s"]

# ISO 13732-1: bare metal below about 48 °C may be held for 10 min without a burn (figure from memory).
TOUCH_SAFE_C = 48.0


def touch_safe_in_s(
    t_s: FloatArray,
    temp_c: FloatArray,
    *,
    ambient_c: float | None = None,
    limit_c: float = TOUCH_SAFE_C,
) -> float | None:
    """Return in how many seconds from the last sample the part falls below `limit_c` (estimated), 0 if it is.

    None while the cooldown is too short to show it, or where it will not fall that far.

    Args:
        t_s, temp_c: Cooldown so far, s and °C, shape (n,).
        ambient_c: Room, °C; the part cannot fall below it.
    """
    good = np.isfinite(temp_c)
    t, temp = t_s[good], temp_c[good]
    if len(t) == 0:
        return None
    if temp[-1] <= limit_c:
        return 0.0
    last = t >= t[-1] - 60.0
    if np.count_nonzero(last) < 5 or t[-1] - t[0] < 15.0:
        return None
    line = fit_line(t[last], temp[last], origin=float(t[-1]))
    floor_c = ambient_c if ambient_c is not None and math.isfinite(ambient_c) else line.intercept - 30.0
    gap_k = line.intercept - floor_c
    if line.slope >= -2 * line.u_slope or floor_c >= limit_c or gap_k <= 0:
        return None
    return (gap_k / -line.slope) * math.log(gap_k / (limit_c - floor_c))
