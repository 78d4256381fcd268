"""How hot a graphics card would get under a load, forecast from what lesser loads did to it. Pure.

A card's path is unlike a processor's: hundreds of watts, hundredths of a kelvin per watt, fans that may stop when idle.
A rise grows with the power; how much of it a load of some length has shown follows from its length and from its slope.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from verifyrig.analysis.results import LoadStart
from verifyrig.analysis.signals import fit_line
from verifyrig.core.reason import reason
from verifyrig.core.trace import FloatArray

# Of its final rise, a card shows this part at once, and the remainder with this time constant. Fitted by eye to a
# data-centre card (57 % after 5 s, 83 % after 40 s, 89 % after 60 s) and set slower, as smaller coolers are.
_AT_ONCE, _SLOW_S = 0.4, 70.0
_MODEL_SHARE = 0.15
_READING_K = 1.0
# What remains of a rise, over its slope now: the time constant of its slowest part, within a factor of two.
_REMAINING_S, _REMAINING_SHARE = 50.0, 1.0
_LEAST_SLOPE_S = 10.0
# Rise of cards at their power limit, K, and its spread (95 %): sound ones 30 to 60, faulty ones up to their limit.
# Common practice, no source; eight real cards of 700 W rose by 29 to 43 K.
_USUAL_RISE_K, _USUAL_SPREAD_K = 45.0, 40.0
_IDLE_S = 5.0


def card_load_start(t_s: FloatArray, temp_c: FloatArray, shares: FloatArray, share: float) -> LoadStart:
    """Return how hot a lasting load of `share` would make the card.

    Args:
        t_s, temp_c: Samples so far: s and °C, shape (n,), NaN where there was no reading.
        shares: Power above idle in parts of the power limit above idle, 0 while idle, shape (n,).
        share: The same of the load to come.
    """
    guesses = [
        guess
        for first, last in _loads(shares)
        for guess in _from_load(t_s[: last + 1], temp_c[: last + 1], shares, first, share)
    ]
    idle = temp_c[shares <= 0]
    if not guesses or not np.isfinite(idle).any():
        return LoadStart(peak_c=None, u95_k=None, why=(reason("card-not-moved"),))
    rise_k, u95_k = _with_usual(*min(guesses, key=lambda guess: guess[1]), share)
    scaled = (reason("scaled-from-lesser-loads"),)
    return LoadStart(peak_c=float(np.nanmedian(idle)) + rise_k, u95_k=u95_k, why=scaled)


def _with_usual(rise_k: float, u95_k: float, share: float) -> tuple[float, float]:
    """Return the rise and its expanded uncertainty, K, weighed against what cards usually rise by."""
    weights = [1 / u95_k**2, 1 / (_USUAL_SPREAD_K * share) ** 2]
    return (weights[0] * rise_k + weights[1] * _USUAL_RISE_K * share) / sum(weights), 1 / math.sqrt(sum(weights))


def _loads(shares: FloatArray) -> list[tuple[int, int]]:
    """Return first and last sample of each time under load."""
    on = np.concatenate(([0], (shares > 0).astype(int), [0]))
    steps = np.flatnonzero(np.diff(on))
    return [(int(a), int(b) - 1) for a, b in zip(steps[::2], steps[1::2], strict=True)]


def _from_load(
    t_s: FloatArray, temp_c: FloatArray, shares: FloatArray, first: int, share: float
) -> Iterator[tuple[float, float]]:
    """Yield rise, K, and its expanded uncertainty, K, as this load shows by its length and by its slope.

    Nothing comes from a load that is too short or too weak.
    """
    length_s = float(t_s[-1] - t_s[first])
    before = temp_c[max(0, int(np.searchsorted(t_s, t_s[first] - _IDLE_S))) : first]
    during = temp_c[first:]
    if length_s < 3.0 or not np.isfinite(before).any() or not np.isfinite(during).any():
        return
    scale = share / float(np.mean(shares[first : len(t_s)]))
    late, idle_c = during[-max(3, len(during) // 4) :], float(np.nanmedian(before))
    rise_k = max(0.0, float(np.nanmax(late)) - idle_c)
    by_length = scale / (_AT_ONCE + (1 - _AT_ONCE) * (1 - math.exp(-length_s / _SLOW_S)))
    yield rise_k * by_length, math.hypot(_READING_K * by_length, 2 * _MODEL_SHARE * rise_k * by_length)
    good = np.isfinite(during) & (t_s[first:] >= t_s[-1] - length_s / 2)
    if length_s >= 2 * _LEAST_SLOPE_S and np.count_nonzero(good) >= 8:
        line = fit_line(t_s[first:][good], during[good], origin=float(t_s[-1]))
        remaining_k = max(line.slope, 0.0) * _REMAINING_S
        u95_k = math.hypot(_READING_K, _REMAINING_SHARE * remaining_k, 2 * line.u_slope * _REMAINING_S)
        yield scale * (max(0.0, line.intercept - idle_c) + remaining_k), scale * u95_k
