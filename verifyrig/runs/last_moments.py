"""The last moments of an interrupted run: temperature at the cut with a range, power, rails, load step, errors."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from verifyrig.core.event_kind import EventKind
from verifyrig.core.load_changes import load_changes, steps_of
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import FloatArray, Trace

_SLOPE_OVER_S = 10.0
_END_S = 10.0
_IDLE_S = 30.0
_THROTTLE_WITHIN_S = 120.0
# Used where neither the sensor's driver nor the profile names a limit: trade figures lie at 85 to 105 °C.
_USUAL_LIMIT_C = 100.0
_RAILS = {"rail_12v_v": 12.0, "rail_5v_v": 5.0, "rail_3v3_v": 3.3}


@dataclass(frozen=True, slots=True, kw_only=True)
class CutTemperature:
    """A temperature at the moment of the cut, which lies after the last reading.

    Attributes:
        last_c: Last reading, °C; at the cut it was `age_s` old, and up to one period and one refresh more.
        slope_k_per_s: Of the last ten seconds, K/s.
        estimate_c, low_c, high_c: At the moment of the cut, °C: most likely, and the range.
        limit_c: The machine's own limit, °C, or the profile's; `limit_known` says whether one of them was named.
        capped: The reading stood at the limit, where sensors stop: it may have been hotter.
    """

    channel: str
    last_c: float
    age_s: float
    slope_k_per_s: float
    estimate_c: float
    low_c: float
    high_c: float
    limit_c: float
    limit_known: bool
    capped: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RailAtEnd:
    """One rail: idle before the load, lowest of the last seconds, V, and how far that lies below, as shares."""

    channel: str
    idle_v: float | None
    lowest_v: float
    below_idle: float | None
    below_nominal: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LastMoments:
    """What the record says of the end.

    Attributes:
        end_s: The last thing recorded, sample or event, s.
        stage, under_load: Where it ended.
        load_s: Since the load began or rose last, s; None where no load was on.
        power_w: At the end, W.
        throttled: The processor slowed down for heat within the last minutes; None where that is not known.
        compute_errors: Wrong results so far.
    """

    end_s: float
    stage: str | None = None
    under_load: bool = False
    load_s: float | None = None
    die: CutTemperature | None = None
    others: tuple[CutTemperature, ...] = ()
    power_w: float | None = None
    rails: tuple[RailAtEnd, ...] = ()
    throttled: bool | None = None
    compute_errors: int = 0
    notes: tuple[str, ...] = field(default_factory=tuple)


def last_moments(trace: Trace) -> LastMoments:
    """Return the last moments of a run; all that was not measured stays None."""
    if not len(trace.t_s):
        return LastMoments(end_s=0.0, notes=("nothing was recorded",))
    last_s = float(trace.t_s[-1])
    end_s = max([last_s, *(event.t_s for event in trace.events)])
    stage = next(
        (s for s in reversed(trace.stages) if s.start_s <= end_s and s.ended in (None, StageEnd.INTERRUPTED)), None
    )
    step_s = _load_start_s(trace)
    temps = [t for c in trace.columns if c.endswith("_temp_c") and (t := _at_cut(trace, c, end_s)) is not None]
    die = next((t for name in ("die_temp_c", "core_temp_c") for t in temps if t.channel == name), None)
    return LastMoments(
        end_s=end_s,
        stage=stage.name if stage else None,
        under_load=step_s is not None,
        load_s=None if step_s is None else end_s - step_s,
        die=die,
        others=tuple(t for t in temps if t is not die),
        power_w=_last(trace, "package_power_w"),
        rails=tuple(rail for name in _RAILS if (rail := _rail(trace, name, step_s)) is not None),
        throttled=_throttled(trace),
        compute_errors=int(_peak(trace, "compute_errors") or 0),
    )


# ---- load ---------------------------------------------------------------------------------------------------------


def _load_start_s(trace: Trace) -> float | None:
    """Return when the load that was on at the end began or rose last; None where none was on."""
    changes = load_changes(trace)
    if not changes:
        return None if any(event.kind == EventKind.LOAD for event in trace.events) else _open_load_stage_s(trace)
    if changes[-1].share <= 0:
        return None
    rises = [step.t_s for step in steps_of(changes) if step.share > step.share_before]
    return max(rises, default=changes[0].t_s)


def _open_load_stage_s(trace: Trace) -> float | None:
    stage = trace.stages[-1] if trace.stages else None
    is_open = stage is not None and stage.kind == StageKind.LOAD and stage.ended in (None, StageEnd.INTERRUPTED)
    return stage.start_s if stage is not None and is_open else None


# ---- temperatures -------------------------------------------------------------------------------------------------


def _at_cut(trace: Trace, channel: str, end_s: float) -> CutTemperature | None:
    values = trace.usable(channel)
    good = np.flatnonzero(np.isfinite(values))
    if not len(good):
        return None
    last_c, last_s = float(values[good[-1]]), float(trace.t_s[good[-1]])
    slope, spread = _slope(trace.t_s[good], values[good])
    info = _info(trace, channel)
    period_s = _period_s(trace)
    age_s, refresh_s = end_s - last_s, info.get("refresh_s") or 0.0
    latest_s = age_s + period_s + refresh_s
    step_k = info.get("resolution") or 0.0
    limit_c, known = _limit_c(trace, channel)
    return CutTemperature(
        channel=channel,
        last_c=last_c,
        age_s=age_s,
        slope_k_per_s=slope,
        estimate_c=last_c + slope * (age_s + (period_s + refresh_s) / 2),
        low_c=last_c - step_k / 2 + min(0.0, slope - spread) * latest_s,
        high_c=last_c + step_k / 2 + max(0.0, slope + spread) * latest_s,
        limit_c=limit_c,
        limit_known=known,
        capped=last_c >= limit_c - max(1.0, step_k),
    )


def _slope(t_s: FloatArray, temp_c: FloatArray) -> tuple[float, float]:
    """Return the slope of the last seconds, K/s, and twice its standard error; zero for fewer than three readings."""
    recent = t_s >= t_s[-1] - _SLOPE_OVER_S
    t, temp = t_s[recent], temp_c[recent]
    if len(t) < 3 or t[-1] <= t[0]:
        return 0.0, 0.0
    offset = t - t.mean()
    slope = float(offset @ (temp - temp.mean()) / (offset @ offset))
    residual = temp - temp.mean() - slope * offset
    error = math.sqrt(float(residual @ residual) / max(1, len(t) - 2) / float(offset @ offset))
    return slope, 2 * error


def _info(trace: Trace, channel: str) -> Mapping[str, Any]:
    return trace.recorded.channels.get(channel, {})


def _period_s(trace: Trace) -> float:
    if trace.recorded.period_s is not None:
        return trace.recorded.period_s
    return float(np.median(np.diff(trace.t_s))) if len(trace.t_s) > 1 else 1.0


def _limit_c(trace: Trace, channel: str) -> tuple[float, bool]:
    own = trace.recorded.limit_of(channel)
    if own is not None:
        return own, True
    limits = trace.profile.trip_limits if trace.profile else ()
    stated_c = next((limit.maximum for limit in limits if limit.channel == channel and limit.maximum is not None), None)
    return (stated_c, True) if stated_c is not None else (_USUAL_LIMIT_C, False)


# ---- power, rails, throttling -------------------------------------------------------------------------------------


def _last(trace: Trace, channel: str) -> float | None:
    if not trace.has(channel):
        return None
    values = trace.usable(channel)
    good = values[np.isfinite(values)]
    return float(good[-1]) if len(good) else None


def _peak(trace: Trace, channel: str) -> float | None:
    if not trace.has(channel):
        return None
    values = trace.usable(channel)
    return float(np.nanmax(values)) if np.isfinite(values).any() else None


def _rail(trace: Trace, channel: str, step_s: float | None) -> RailAtEnd | None:
    if not trace.has(channel):
        return None
    values, t_s = trace.usable(channel), trace.t_s
    # What was read before the load rose says nothing of how the rail bore it.
    at_end = values[(t_s >= max(t_s[-1] - _END_S, step_s if step_s is not None else -np.inf)) & np.isfinite(values)]
    if not len(at_end):
        return None
    before = step_s if step_s is not None else t_s[-1] - _END_S
    at_idle = values[(t_s >= before - _IDLE_S) & (t_s < before) & np.isfinite(values)]
    idle_v = float(np.median(at_idle)) if len(at_idle) else None
    lowest_v = float(at_end.min())
    return RailAtEnd(
        channel=channel,
        idle_v=idle_v,
        lowest_v=lowest_v,
        below_idle=None if not idle_v else 1 - lowest_v / idle_v,
        below_nominal=1 - lowest_v / _RAILS[channel],
    )


def _throttled(trace: Trace) -> bool | None:
    if not trace.has("throttle_count"):
        return None
    counts = trace.usable("throttle_count")[trace.t_s >= trace.t_s[-1] - _THROTTLE_WITHIN_S]
    good = counts[np.isfinite(counts)]
    return bool(len(good) and good[-1] > good[0])
