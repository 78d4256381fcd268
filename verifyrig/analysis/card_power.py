"""The power of a graphics card in the terms of a processor, for forecasts that are based on plausible processors.

Heat flow is linear in power: a card of 700 W with 0.05 K/W and a processor of 120 W with 0.3 K/W take the same course.
So a card's power is counted in parts of its own limit, and full power stands for a typical processor's.
"""

from __future__ import annotations

from typing import TypeVar

from verifyrig.core.trace import FloatArray

TYPICAL_PROCESSOR_W = 120.0
_Power = TypeVar("_Power", float, FloatArray)


def in_processor_terms(power_w: _Power, limit_w: float | None) -> _Power:
    """Return the power that a processor would draw in the card's place, W; unchanged where no limit is known."""
    return power_w * TYPICAL_PROCESSOR_W / limit_w if limit_w else power_w
