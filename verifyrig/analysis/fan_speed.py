"""What the duty that a fan is commanded tells of its full speed, and so of how much faster it can turn."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from verifyrig.core.trace import FloatArray

__all__ = ["FullSpeed", "full_speed", "joined"]

# A fan that is driven by pulses turns at its duty's share of full speed to 0.10 of it (specification of fans with four
# wires, revision 1.3, from memory): as bounds that is a standard deviation of 0.06, and not every fan keeps to it.
_SHARE_OFF = 0.07
# Below this it may stand, turn at its least speed or not be driven by pulses.
_LEAST_DUTY, _LEAST_RPM = 0.2, 100.0
# Speed over duty changes by so much (logarithm) where a fan keeps to that from two fifths of its duty up; what differs
# by more is the duty of another fan, or none that is obeyed.
_SAME_WITHIN = 0.25
# So many readings, and so much of those of the speed, must have their duty.
_FEWEST, _LEAST_PART = 10, 0.5


class FullSpeed(NamedTuple):
    """Speed at full duty, rpm, and the standard deviation of its logarithm."""

    rpm: float
    spread: float


def full_speed(fan_rpm: FloatArray, duty: FloatArray) -> FullSpeed | None:
    """Return a fan's speed at full duty, None where the duty read does not go with its speed.

    Args:
        fan_rpm, duty: Speed, rpm, and commanded duty, 0 to 1, shape (n,); NaN where there was no reading.
    """
    read = (fan_rpm >= _LEAST_RPM) & (duty >= _LEAST_DUTY)
    if np.count_nonzero(read) < max(_FEWEST, _LEAST_PART * np.count_nonzero(np.isfinite(fan_rpm))):
        return None
    over = np.log(fan_rpm[read] / duty[read])
    if np.diff(np.quantile(over, (0.05, 0.95)))[0] > _SAME_WITHIN:
        return None
    top = float(np.quantile(duty[read], 0.9))
    return FullSpeed(math.exp(float(np.median(over[duty[read] >= top]))), _SHARE_OFF / top)


def joined(usual: FullSpeed, found: FullSpeed) -> FullSpeed:
    """Return what is usual and what was found together, weighted by their variances on the logarithm."""
    weights = np.array([usual.spread, found.spread]) ** -2.0
    middle = float(weights @ np.log([usual.rpm, found.rpm]) / weights.sum())
    return FullSpeed(math.exp(middle), float(weights.sum() ** -0.5))
