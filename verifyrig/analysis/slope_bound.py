"""A bound on the settled value that needs no model, for parts whose heat comes and goes by several paths.

A relaxation whose modes are no slower than `slowest_s` and pull the same way has at most slope times that constant
still to go: the settled value lies between now and there.
"""

from __future__ import annotations

import math

from verifyrig.analysis.results import Forecast
from verifyrig.analysis.signals import fit_line, lag1_correlation
from verifyrig.core.trace import FloatArray

__all__ = ["slope_bound"]

_SHORTEST_S, _LONGEST_S = 30.0, 120.0
_FEWEST = 5


def slope_bound(
    t_s: FloatArray, values: FloatArray, slowest_s: float, within: float, resolution: float = 0.0
) -> Forecast | None:
    """Return the middle of the bound with half its width, None where the readings span less than 30 s.

    Args:
        t_s, values: Readings since the last change of load, shape (n,), without gaps in them.
        within: Half width at which the value counts as known, in the values' unit.
        resolution: Smallest step of the sensor.
    """
    if len(t_s) < _FEWEST or t_s[-1] - t_s[0] < _SHORTEST_S:
        return None
    window_s = max(_SHORTEST_S, min(_LONGEST_S, 0.3 * float(t_s[-1] - t_s[0])))
    # A logger that writes every few minutes has hardly one reading in the window: its last five then.
    last = t_s >= min(float(t_s[-1]) - window_s, float(t_s[-_FEWEST]))
    line = fit_line(t_s[last], values[last], origin=float(t_s[-1]))
    residual = values[last] - (line.intercept + line.slope * (t_s[last] - t_s[-1]))
    r = min(0.95, max(0.0, lag1_correlation(residual)))
    correlated = math.sqrt((1 + r) / (1 - r))
    u_now = math.hypot(line.u_intercept * correlated, resolution / math.sqrt(12), 0.1)
    u_to_go = line.u_slope * correlated * slowest_s / 2
    to_go = line.slope * slowest_s
    u95 = abs(to_go) / 2 + 2.0 * math.hypot(u_now, u_to_go)
    known = u95 <= within
    remaining_s = 0.0 if known else slowest_s * math.log(max(u95 / within, 1.01))
    return Forecast(
        settles_at_c=float(line.intercept + to_go / 2), u95_k=u95, known=known, remaining_s=remaining_s, slow=False
    )
