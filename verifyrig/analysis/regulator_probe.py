"""When somebody should lay a probe on the board's regulators, because no sensor shows them.

A regulator that is too hot shows itself by nothing before it holds itself at its limit, minutes into full load: then
the clock falls though the die is cool. No bound of a part that nobody sees tells a hot one from a sound one; a probe
does.
"""

from __future__ import annotations

import math
from collections.abc import Collection

import numpy as np

from verifyrig.analysis.signals import sensor_facts
from verifyrig.core.heat_sources import DIE, heated_by
from verifyrig.core.load_changes import load_changes
from verifyrig.core.pattern import is_gentle, longest_s_of, peak_share
from verifyrig.core.profile import Profile, StageKind
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import StageSpan, Trace

__all__ = ["before_load", "probe_advice"]

REGULATOR = "regulator"
# From so many watts on what a board's regulators lose, some 8 % of it, wants a heat sink and moving air (common
# practice, no source).
HIGH_W = 125.0
# Hot regulators slow the processor down 2 to 15 minutes into full load (common practice, no source).
_SOON_S, _LONG_S = 60.0, 900.0
_FULL, _FALLEN, _COOL_K, _USUAL_LIMIT_C = 0.85, 0.8, 9.0, 95.0


def before_load(profile: Profile, not_watched: Collection[str], full_w: float | None) -> Reason | None:
    """Return what to do before a run whose load is high and long; None where it is not, or something watches them.

    Args:
        not_watched: Parts that the run's loads heat and no channel shows.
        full_w: What the processor may draw for long, W; None where that is unknown.
    """
    if REGULATOR not in not_watched or full_w is None or full_w < HIGH_W:
        return None
    loads = [(stage, stage.load) for stage in profile.stages if stage.load is not None and not is_gentle(stage.load)]
    is_long = any(
        DIE.temp in heated_by(load.work) and peak_share(load) > _FULL and longest_s_of(stage) > 2 * _SOON_S
        for stage, load in loads
    )
    return reason("regulators-before-load", power_w=full_w, probe=(reason("probe-regulators"),)) if is_long else None


def probe_advice(trace: Trace) -> Reason | None:
    """Return what the record says of regulators that nobody watched: that they may be hot, or were not looked at."""
    facts = trace.recorded
    if REGULATOR not in facts.not_watched:
        return None
    for stage in trace.stages:
        if stage.kind == StageKind.LOAD and (fell := _fell_cool(trace, stage)) is not None:
            after_s, die_c = fell
            probe = (reason("probe-regulators"),)
            return reason("regulators-may-be-hot", after_s=after_s, die_c=die_c, probe=probe)
    drawn = trace.usable("package_power_w") if trace.has("package_power_w") else np.empty(0)
    power_w = float(np.nanmax(drawn, initial=0.0)) or facts.firmware_power_limit_w
    return None if trace.profile is None else before_load(trace.profile, facts.not_watched, power_w)


def _fell_cool(trace: Trace, stage: StageSpan) -> tuple[float, float] | None:
    """Return how long into full share the clock fell though the die was cool, s, and how warm that was, °C."""
    end_s = math.inf if stage.end_s is None else stage.end_s
    changes = [change for change in load_changes(trace) if stage.start_s - 0.5 <= change.t_s < end_s]
    full = [at for at, change in enumerate(changes) if change.share >= _FULL]
    if not full or not trace.has("core_clock_mhz") or not trace.has(DIE.temp):
        return None
    from_s = changes[full[0]].t_s
    lower = [change.t_s for change in changes[full[0] :] if change.share < _FULL]
    inside = (trace.t_s > from_s + 1.5) & (trace.t_s < min([end_s, *lower]) - 0.5)
    t_s, clocks, dies = (trace.t_s[inside], trace.usable("core_clock_mhz")[inside], trace.usable(DIE.temp)[inside])
    early = clocks[t_s < from_s + _SOON_S]
    if not np.isfinite(early).any():
        return None
    low = (clocks < _FALLEN * np.nanmedian(early)) & (t_s >= from_s + _SOON_S) & (t_s <= from_s + _LONG_S)
    # A single low reading is no slow-down.
    if np.count_nonzero(low) < 5:
        return None
    first_s = float(t_s[low][0])
    before = dies[(t_s >= first_s - 8.0) & (t_s < first_s) & np.isfinite(dies)]
    limit_c = sensor_facts(trace, DIE.temp).limit or _USUAL_LIMIT_C
    if not len(before) or float(before.mean()) > limit_c - _COOL_K:
        return None
    return first_s - from_s, float(before.mean())
