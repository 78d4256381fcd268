"""Exponentials through a step by scipy alone: what an independent fit accepts as the dominant time constant.

One, two and three exponentials of the same sign, every parameter searched for at once (`scipy.optimize.least_squares`
from several starts), the number of them by Akaike's criterion with the correction for few readings; what is accepted
is what the profile likelihood of the dominant mode's time constant holds at 95 %, for every number of modes whose
criterion lies within 2 of the best. Readings that are like their neighbours count as fewer. No code of the program.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from scipy.optimize import least_squares
from scipy.stats import chi2


class Accepted(NamedTuple):
    """Lowest and highest dominant time constant that is accepted, s, the best one, and all of the best fit."""

    low_s: float
    high_s: float
    best_s: float
    time_constants_s: tuple[float, ...]

    def holds(self, tau_s: float) -> bool:
        return self.low_s <= tau_s <= self.high_s


def _curve(p: Any, t: Any, count: int) -> Any:
    parts = np.exp(p[2 : 2 + count])
    parts = parts / parts.sum()
    return p[0] + p[1] * sum(part * np.exp(-t / math.exp(x)) for part, x in zip(parts, p[2 + count :], strict=True))


def _fit(t: Any, y: Any, count: int, fixed: float | None = None, start: Any = None) -> tuple[float, Any]:
    """Return the sum of squares and the parameters; `fixed` holds the first mode's log time constant, and keeps it the
    largest."""
    low, high = math.log(0.3 * float(np.median(np.diff(t)))), math.log(5.0 * float(t[-1]))

    def whole(q: Any) -> Any:
        return q if fixed is None else np.concatenate((q[: 2 + count], [fixed], q[2 + count :]))

    def residual(q: Any) -> Any:
        p = whole(q)
        held = [] if fixed is None else [10.0 * max(0.0, float(np.max(p[2 : 2 + count]) - p[2]))]
        return np.concatenate((_curve(p, t, count) - y, held))

    starts: list[Any] = [start] if start is not None else []
    span = float(t[-1])
    rows: dict[int, list[tuple[float, ...]]] = {
        1: [(0.2,), (0.05,)],
        2: [(0.02, 0.25), (0.1, 0.6), (0.3, 0.03)],
        3: [(0.01, 0.08, 0.4), (0.03, 0.2, 1.0)],
    }
    for row in rows[count]:
        starts.append(np.concatenate(([y[-1], y[0] - y[-1]], np.zeros(count), np.log(np.array(row) * span))))
    best: tuple[float, Any] = (math.inf, None)
    for begin in starts:
        q = begin if fixed is None else np.delete(begin, 2 + count)
        lows = np.concatenate(([-np.inf, -np.inf], np.full(count, -4.0), np.full(len(q) - 2 - count, low)))
        highs = np.concatenate(([np.inf, np.inf], np.full(count, 4.0), np.full(len(q) - 2 - count, high)))
        found = least_squares(residual, np.clip(q, lows + 1e-6, highs - 1e-6), bounds=(lows, highs), max_nfev=200)
        squares = float((found.fun[: len(y)] ** 2).sum())
        if squares < best[0]:
            best = (squares, whole(found.x))
    return best


def _dominant(p: Any, count: int) -> float:
    return float(np.exp(p[2 + count + int(np.argmax(p[2 : 2 + count]))]))


def accepted(t: Any, y: Any, resolution: float = 0.0) -> Accepted:
    """Return what is accepted for readings y at times t since the step, s."""
    t = np.asarray(t) - t[0]
    fits = {count: _fit(t, y, count) for count in (1, 2, 3)}
    least = min(squares for squares, _ in fits.values())
    left = y - _curve(next(p for s, p in fits.values() if s == least), t, next(k for k in fits if fits[k][0] == least))
    away = left - left.mean()
    r = min(0.95, max(0.0, float(away[1:] @ away[:-1]) / max(float(away @ away), 1e-12)))
    free = max(10.0, len(y) * (1 - r) / (1 + r))
    floor = len(y) * resolution**2 / 12 * 0.1

    def criterion(count: int) -> float:
        unknowns = 2 * count + 2
        return (
            free * math.log(fits[count][0] + floor)
            + 2 * unknowns
            + 2 * unknowns * (unknowns + 1) / (free - unknowns - 1)
        )

    scores = {count: criterion(count) for count in fits}
    chosen = min(scores, key=lambda count: scores[count])
    lows: list[float] = []
    highs: list[float] = []
    for count in fits:
        if scores[count] > scores[chosen] + 2.0:
            continue
        squares, p = fits[count]
        best_s = _dominant(p, count)
        first = int(np.argmax(p[2 : 2 + count]))
        order = [first, *(i for i in range(count) if i != first)]
        start = np.concatenate((p[:2], p[2 : 2 + count][order], p[2 + count :][order]))
        allowed = math.log(squares + floor) + chi2.ppf(0.95, 1) / free
        for sign, found in ((-1, lows), (1, highs)):
            edge, begin = best_s, start
            away = 0.0
            for step in range(1, 40):
                away += 0.005 * 1.25**step
                tau = best_s * math.exp(sign * away)
                at, moved = _fit(t, y, count, math.log(tau), begin)
                if math.log(at + floor) > allowed:
                    break
                edge, begin = tau, moved
            found.append(edge)
    return Accepted(
        min(lows), max(highs), _dominant(fits[chosen][1], chosen), tuple(sorted(np.exp(fits[chosen][1][2 + chosen :])))
    )
