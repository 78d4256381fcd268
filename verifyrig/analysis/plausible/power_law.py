"""How many watts a part will draw under a share that it has not been given yet."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from verifyrig.core.trace import BoolArray, FloatArray

__all__ = ["PowerLaw", "power_law"]

# Power grows with the share; how far from in proportion is common practice, no source: so much from a quarter to all.
_SCALING_SHARE = 0.08
# So much may a rise be out of proportion to the power, over the same way: a gentle load heats other places of the die
# than a full one (common practice, no source).
_PLACE_SHARE = 0.06
# A desktop's processor under full load, before any load was seen: median and spread of the logarithm, firmware
# without a limit included (common practice, no source; the shop's machines lie at 60 to 180 W).
_TYPICAL_FULL_W, _FULL_SPREAD = 104.0, 0.45
# Readings that show a level: those of its last seconds.
_LEVEL_READINGS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerLaw:
    """Power by share for m machines.

    Attributes:
        share: The share now; `power_w` what it draws, W.
        idle_w: Power while idle, W.
        slope_w: What a whole share more would add, W, shape (m,).
        at_most_w: What the part's own limit lets it draw, W, None where it is not known.
        shown_w: What the highest load so far added to idle, W, so that only its scaling is uncertain; 0 without one.
    """

    share: float
    power_w: float
    idle_w: float
    slope_w: FloatArray
    at_most_w: float | None
    shown_w: float

    def expected(self, share: float) -> tuple[FloatArray, float]:
        """Return the power under a share as it is expected of each machine, W, shape (m,), and its uncertainty.

        What is uncertain of a load's scaling, as a share of the power (standard uncertainty), is the same for all
        machines that explain the readings: it is told apart from what they differ in. It grows with the logarithm of
        how far the load is scaled.
        """
        watts = self.at(share)
        if self.shown_w <= 0:
            return watts, 0.0
        middle_w = float(np.mean(watts))
        scaled_w = abs(share - self.share) * float(np.mean(self.slope_w))
        folds = abs(math.log(max(self.scaled(share), 1e-9)))
        return np.full(len(watts), middle_w), _scaled_u(folds) * scaled_w / max(middle_w, 1e-9)

    def scaled(self, share: float) -> float:
        """Return how many times the power that was shown a share would add; 0 where none was shown."""
        return abs(share - self.share) * float(np.mean(self.slope_w)) / self.shown_w if self.shown_w > 0 else 0.0

    def at(self, share: float) -> FloatArray:
        """Return the power of each machine under a share, W, shape (m,)."""
        watts = self.power_w + (share - self.share) * self.slope_w
        if self.at_most_w is not None:
            watts = np.minimum(watts, max(self.at_most_w, self.power_w))
        return np.asarray(np.maximum(watts, min(self.idle_w, self.power_w)))


def _scaled_u(folds: float) -> float:
    """Return the standard uncertainty of a rise that is scaled by e to the `folds`, as a share of it."""
    return math.hypot(_SCALING_SHARE, _PLACE_SHARE) / math.log(4.0) * folds


def power_law(
    share: FloatArray, power_w: FloatArray, *, draws: int, seed: int, at_most_w: float | None, assumed: bool
) -> PowerLaw:
    """Return what the samples show of power by share.

    Args:
        share, power_w: Samples so far, shape (n,), W.
        draws: How many machines are distinguished.
        at_most_w: The part's own power limit, W. A card's clocks fall between short blocks, so that its power grows
            faster than its share: towards full share it is taken to grow to its limit.
        assumed: The power was not read, and is a usual machine's: what is unknown of it stands in the machines.
    """
    rng = np.random.default_rng(seed)
    idle = share <= 0
    now = _level_w(power_w, share == share[-1])
    idle_w = float(np.median(power_w[idle])) if idle.any() else now
    loaded = float(share.max())
    shown_w = max(0.0, _level_w(power_w, share == loaded) - idle_w) if loaded > 0 else 0.0
    if loaded > 0:
        slope_w = shown_w / loaded * np.ones(draws)
    elif assumed:
        slope_w = (_TYPICAL_FULL_W - idle_w) * np.ones(draws)
    else:
        slope_w = np.maximum(0.0, _TYPICAL_FULL_W * np.exp(_FULL_SPREAD * rng.standard_normal(draws)) - idle_w)
    slope_w = slope_w * (1.0 + _SCALING_SHARE * rng.standard_normal(draws))
    if at_most_w is not None and share[-1] < 1.0:
        slope_w = np.maximum(slope_w, (at_most_w - now) / (1.0 - float(share[-1])))
    return PowerLaw(
        share=float(share[-1]), power_w=now, idle_w=idle_w, slope_w=slope_w, at_most_w=at_most_w, shown_w=shown_w
    )


def _level_w(power_w: FloatArray, at_level: BoolArray) -> float:
    """Return the power of a level from its last readings; the first one may still hold some of the level before."""
    places = np.flatnonzero(at_level)
    places = places[1:] if len(places) > 2 else places
    return float(np.median(power_w[places[-_LEVEL_READINGS:]]))
