"""How hot a graphics card would get under a load, scaled from what lesser loads did to it. Pure.

A card's path is unlike a processor's: hundreds of watts, hundredths of a kelvin per watt, fans that may stand at rest.
So nothing is assumed of it but that a rise grows with the power, and how much of it a load of some length shows.
"""

from __future__ import annotations

import math

import numpy as np

from verifyrig.analysis.results import LoadStart
from verifyrig.trace import FloatArray

# Of the rise in the end, a card shows this part at once, and the rest with this time constant. Fitted by eye to a
# data-centre card (57 % after 5 s, 83 % after 40 s, 89 % after 60 s) and set slower, as smaller coolers are.
_AT_ONCE, _SLOW_S = 0.4, 70.0
_MODEL_SHARE = 0.15
_READING_K = 1.0


def card_load_start(t_s: FloatArray, temp_c: FloatArray, shares: FloatArray, share: float) -> LoadStart:
    """Return how hot a lasting load of `share` would make the card.

    Args:
        t_s, temp_c: Samples so far: s and °C, shape (n,), NaN where there was no reading.
        shares: Power above rest in parts of the power limit above rest, 0 at rest, shape (n,).
        share: The same of the load to come.
    """
    guesses = [
        guess for first, last in _loads(shares) if (guess := _from_load(t_s, temp_c, shares, first, last, share))
    ]
    if not guesses:
        return LoadStart(peak_c=None, u95_k=None, note="no load so far moved the card's temperature")
    peak_c, u95_k = min(guesses, key=lambda guess: guess[1])
    return LoadStart(peak_c=peak_c, u95_k=u95_k, note="scaled from the lesser loads before")


def _loads(shares: FloatArray) -> list[tuple[int, int]]:
    """Return first and last sample of each time under load."""
    on = np.concatenate(([0], (shares > 0).astype(int), [0]))
    steps = np.flatnonzero(np.diff(on))
    return [(int(a), int(b) - 1) for a, b in zip(steps[::2], steps[1::2], strict=True)]


def _from_load(
    t_s: FloatArray, temp_c: FloatArray, shares: FloatArray, first: int, last: int, share: float
) -> tuple[float, float] | None:
    """Return peak, °C, and its expanded uncertainty, K, as this load tells; None where it is too short or weak."""
    length_s = float(t_s[last] - t_s[first])
    before = temp_c[max(0, first - 10) : first]
    during = temp_c[first : last + 1]
    if length_s < 3.0 or not np.isfinite(before).any() or not np.isfinite(during).any():
        return None
    rest_c = float(np.nanmedian(before))
    rise_k = float(np.nanmax(during[-max(3, len(during) // 4) :])) - rest_c
    drawn = float(np.mean(shares[first : last + 1]))
    scale = share / drawn / (_AT_ONCE + (1 - _AT_ONCE) * (1 - math.exp(-length_s / _SLOW_S)))
    whole_k = max(rise_k, 0.0) * scale
    return rest_c + whole_k, math.hypot(_READING_K * scale, 2 * _MODEL_SHARE * whole_k)
