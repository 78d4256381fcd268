"""What a run asked of the machine: time near its limit, heat above what wears, and the energy put in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from verifyrig.analysis.signals import sensor_facts
from verifyrig.core.channels import of_role
from verifyrig.core.heat_sources import PARTS
from verifyrig.core.trace import FloatArray, Trace

__all__ = ["NEAR_LIMIT_K", "WARM_BELOW_LIMIT_K", "RunExposure", "exposure_of"]

NEAR_LIMIT_K = 10.0
WARM_BELOW_LIMIT_K = 20.0
# A reading stands for the time up to the next one; for longer than this it is unknown.
_LONGEST_GAP_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RunExposure:
    """Figures of the whole run; each is None where its readings are lacking.

    Attributes:
        near_limit_s: Seconds with a die or card within 10 K of its own limit; of several parts the longest.
        degree_minutes: Kelvin above 20 K below that limit times minutes; of several parts the largest.
        energy_j: What processor and card drew through the run, J.
    """

    near_limit_s: float | None
    degree_minutes: float | None
    energy_j: float | None


def exposure_of(trace: Trace) -> RunExposure:
    """Return what the run asked of the machine."""
    if len(trace.t_s) < 2:
        return RunExposure(near_limit_s=None, degree_minutes=None, energy_j=None)
    dt_s = np.append(np.diff(trace.t_s), 0.0)
    dt_s = np.where((dt_s > 0) & (dt_s <= _LONGEST_GAP_S), dt_s, 0.0)
    heats = [heat for part in PARTS for heat in _heats(trace, part.temp, dt_s)]
    powers = [trace.usable(name) for part in PARTS for name in of_role(part.power, trace.columns)]
    seen = [power for power in powers if np.isfinite(power).any()]
    return RunExposure(
        near_limit_s=max((near_s for near_s, _ in heats), default=None),
        degree_minutes=max((warm for _, warm in heats), default=None),
        energy_j=float(sum(np.nansum(power * dt_s) for power in seen)) if seen else None,
    )


def _heats(trace: Trace, role: str, dt_s: FloatArray) -> list[tuple[float, float]]:
    """Return seconds near the limit and degree-minutes of each channel of a kind whose limit is known."""
    found = []
    for channel in of_role(role, trace.columns):
        temp_c, limit_c = trace.usable(channel), _limit_c(trace, channel, role)
        if limit_c is None or not np.isfinite(temp_c).any():
            continue
        near_s = float(dt_s[temp_c >= limit_c - NEAR_LIMIT_K].sum())
        over_k = np.nan_to_num(np.clip(temp_c - (limit_c - WARM_BELOW_LIMIT_K), 0.0, None))
        found.append((near_s, float((over_k * dt_s).sum()) / 60.0))
    return found


def _limit_c(trace: Trace, channel: str, role: str) -> float | None:
    """Return the machine's own limit, where it states none the one that the profile trips at, °C."""
    own = sensor_facts(trace, channel).limit
    if own is not None or trace.profile is None:
        return own
    stated = [limit.maximum for limit in trace.profile.trip_limits if limit.channel in (channel, role)]
    return min((value for value in stated if value is not None), default=None)
