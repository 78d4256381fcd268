"""Several break-offs of one machine: did they come at the same temperature, the same watts, or the same time?

The trade's reading: equal temperature speaks for heat; equal watts at different temperatures for the power; an equal
time after the load began at neither for a timer, a watchdog or the work itself. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from verifyrig.runs.post_mortem import PostMortem, Reason

SAME_TEMP_K = 3.0
SAME_POWER_SHARE = 0.05
SAME_TIME_SHARE = 0.10
_SAME_TIME_AT_LEAST_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """What several break-offs have in common.

    Attributes:
        same_temp, same_power, same_time: Whether they agree; None where fewer than two were measured.
        speaks_for: Heat, power, or unclear.
        sentence: In words for a person.
    """

    n: int
    same_temp: bool | None
    same_power: bool | None
    same_time: bool | None
    speaks_for: Reason
    sentence: str


def pattern_of(found: Sequence[PostMortem]) -> Pattern | None:
    """Return what the break-offs have in common; None for fewer than two that were weighed."""
    weighed = [one for one in found if one.shares]
    if len(weighed) < 2:
        return None
    temps = [one.moments.die.estimate_c for one in weighed if one.moments.die is not None]
    powers = [one.moments.power_w for one in weighed if one.moments.power_w is not None]
    times = [one.moments.load_s for one in weighed if one.moments.load_s is not None]
    same_temp = _agree(temps, 2 * SAME_TEMP_K) if len(temps) > 1 else None
    same_power = _agree(powers, 2 * SAME_POWER_SHARE * max(powers)) if len(powers) > 1 else None
    same_time = _agree(times, max(_SAME_TIME_AT_LEAST_S, 2 * SAME_TIME_SHARE * max(times))) if len(times) > 1 else None
    reason = _reason(same_temp, same_power)
    return Pattern(
        n=len(weighed),
        same_temp=same_temp,
        same_power=same_power,
        same_time=same_time,
        speaks_for=reason,
        sentence=_sentence(len(weighed), temps, powers, times, (same_temp, same_power, same_time), reason),
    )


def _agree(values: Sequence[float], within: float) -> bool:
    return max(values) - min(values) <= within


def _reason(same_temp: bool | None, same_power: bool | None) -> Reason:
    if same_temp and same_power is False:
        return Reason.HEAT
    if same_power and same_temp is False:
        return Reason.POWER
    return Reason.UNCLEAR


def _sentence(
    n: int,
    temps: Sequence[float],
    powers: Sequence[float],
    times: Sequence[float],
    same: tuple[bool | None, bool | None, bool | None],
    reason: Reason,
) -> str:
    parts = []
    for agrees, values, unit, name in zip(
        same, (temps, powers, times), ("°C", "W", "s"), ("die", "power", "time under load"), strict=True
    ):
        if agrees is not None:
            word = "the same" if agrees else "different"
            parts.append(f"{name} {word} ({min(values):.0f} to {max(values):.0f} {unit})")
    what = {
        Reason.HEAT: "That speaks for heat.",
        Reason.POWER: "That speaks for the path of the power.",
    }.get(reason, "That alone does not tell heat from power.")
    return f"{n} break-offs: {', '.join(parts) or 'nothing was measured'}. {what}"
