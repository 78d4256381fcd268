"""Several interruptions of one machine: did they come at the same temperature, the same watts, or the same time?

The trade's reading: equal temperature speaks for heat; equal watts at different temperatures for the power; an equal
time after the load began at neither for a timer, a watchdog or the work itself. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from verifyrig.core.reason import Reason, reason
from verifyrig.runs.post_mortem import EndedBy, PostMortem

SAME_TEMP_K = 3.0
SAME_POWER_SHARE = 0.05
SAME_TIME_SHARE = 0.10
_SAME_TIME_AT_LEAST_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """What several interruptions have in common.

    Attributes:
        same_temp, same_power, same_time: Whether they agree; None where fewer than two were measured.
        speaks_for: Heat, power, or unclear.
        conclusion: All of it as one reason.
    """

    n: int
    same_temp: bool | None
    same_power: bool | None
    same_time: bool | None
    speaks_for: EndedBy
    conclusion: Reason


def pattern_of(found: Sequence[PostMortem]) -> Pattern | None:
    """Return what the interruptions have in common; None for fewer than two that were weighed."""
    weighed = [one for one in found if one.shares]
    if len(weighed) < 2:
        return None
    temps = [one.moments.die.estimate_c for one in weighed if one.moments.die is not None]
    powers = [one.moments.power_w for one in weighed if one.moments.power_w is not None]
    times = [one.moments.load_s for one in weighed if one.moments.load_s is not None]
    same_temp = _agree(temps, 2 * SAME_TEMP_K) if len(temps) > 1 else None
    same_power = _agree(powers, 2 * SAME_POWER_SHARE * max(powers)) if len(powers) > 1 else None
    same_time = _agree(times, max(_SAME_TIME_AT_LEAST_S, 2 * SAME_TIME_SHARE * max(times))) if len(times) > 1 else None
    agreement = {"temp": (same_temp, temps), "power": (same_power, powers), "time": (same_time, times)}
    speaks_for = _speaks_for(same_temp, same_power)
    return Pattern(
        n=len(weighed),
        same_temp=same_temp,
        same_power=same_power,
        same_time=same_time,
        speaks_for=speaks_for,
        conclusion=_conclusion(len(weighed), agreement, speaks_for),
    )


def _agree(values: Sequence[float], within: float) -> bool:
    return max(values) - min(values) <= within


def _speaks_for(same_temp: bool | None, same_power: bool | None) -> EndedBy:
    if same_temp and same_power is False:
        return EndedBy.HEAT
    if same_power and same_temp is False:
        return EndedBy.POWER
    return EndedBy.UNCLEAR


def _conclusion(n: int, found: Mapping[str, tuple[bool | None, Sequence[float]]], speaks_for: EndedBy) -> Reason:
    agree = tuple(
        reason(f"pattern-{name}-{'same' if agrees else 'differs'}", low=min(values), high=max(values))
        for name, (agrees, values) in found.items()
        if agrees is not None
    )
    code = {EndedBy.HEAT: "pattern-heat", EndedBy.POWER: "pattern-power"}.get(speaks_for, "pattern-unclear")
    return reason("pattern", count=n, found=agree or (reason("pattern-nothing"),), speaks_for=(reason(code),))
