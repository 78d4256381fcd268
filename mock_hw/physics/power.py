"""Power of a simulated processor: clock, share, leakage, and what throttling does to it."""

from __future__ import annotations

import math

from mock_hw.physics.parts import Processor

_CLOCK_EXPONENT = 2.4  # power over clock where the voltage follows: between the square and the cube
_IDLE_FALLS_BY = 0.4  # part of the idle power that follows the clock down when throttled


def reference_power_w(processor: Processor, share: float, clock_share: float) -> float:
    """Return the package power at the leakage reference temperature, W."""
    work = share * (processor.load_w - processor.idle_w) * math.pow(clock_share, _CLOCK_EXPONENT)
    return idle_power_w(processor, clock_share) + work


def idle_power_w(processor: Processor, clock_share: float) -> float:
    """Return the part of the power that does no work, at the reference temperature, W."""
    return processor.idle_w * (1 - _IDLE_FALLS_BY * (1 - clock_share))


def leakage_factor(processor: Processor, die_c: float) -> float:
    """Return the power at a die temperature over that at the reference temperature."""
    return 1 + processor.leakage_per_k * (die_c - processor.leakage_reference_c)


def clock_share_for(processor: Processor, share: float, wanted_w: float, lowest: float, highest: float) -> float:
    """Return the clock at which the reference power is `wanted_w`, held between two clocks.

    The idle power follows the clock too, weakly: six rounds of substitution settle it.
    """
    span_w = share * (processor.load_w - processor.idle_w)
    if span_w <= 0:
        return lowest
    clock = lowest
    for _ in range(6):
        headroom_w = wanted_w - idle_power_w(processor, clock)
        if headroom_w <= 0:
            return lowest
        clock = min(highest, max(lowest, math.pow(headroom_w / span_w, 1 / _CLOCK_EXPONENT)))
    return clock
