"""The settled value of a finished or broken-off stage, from its own samples."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from verifyrig.analysis.ambient import ambient_columns, ambient_of
from verifyrig.analysis.forecast import DEFAULT_SETTLE, LATE_S, forecast, forecast_from_own_answers
from verifyrig.analysis.load_steps import is_pulsed, last_step_s, power_scale, steps_in
from verifyrig.analysis.results import Forecast
from verifyrig.analysis.signals import fit_line, lag1_correlation, sensor_facts, stage_columns
from verifyrig.analysis.through_dips import dipped, through_dips
from verifyrig.core.ceilings import COLDEST_READING_C, HOTTEST_READING_C
from verifyrig.core.heat_sources import cores_of, part_of
from verifyrig.core.load_changes import load_known_from
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import Settle, StageKind
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import FloatArray, StageSpan, Trace

__all__ = ["Settled", "commanded_share", "history_from", "settle_rule", "settled_value"]

_HISTORY_S = 600.0
_LONG_IN_TIME_CONSTANTS = 5.0
_FEWEST = 5
# What moves within one of the slowest time constants by more than this part of `within_k` has not settled.
_STILL_MOVES = 0.25


class Settled(NamedTuple):
    """A settled value, °C, its statistical standard uncertainty, K, whether it counts as known, and remarks."""

    value_c: float
    u_k: float
    known: bool
    extrapolated: bool
    why: tuple[Reason, ...]


def settle_rule(trace: Trace, stage: StageSpan) -> Settle:
    """Return the settle rule of the stage's profile, or 1 K and 400 s."""
    planned = trace.profile.stage(stage.name) if trace.profile else None
    return planned.settle if planned and planned.settle else DEFAULT_SETTLE


def settled_value(trace: Trace, stage: StageSpan, channel: str) -> Settled | Reason:
    """Return where the channel settled in this stage or would have settled, or the reason why that is not known.

    The trace with its dips: their readings do not count, but the heat that they lack does.
    """
    t_s, values = stage_columns(trace.without_dips(), stage, channel)
    if len(values) == 0:
        return reason("no-reading")
    if len(values) < _FEWEST:
        return reason("few-readings", count=len(values))
    if stage.kind == StageKind.LOAD and is_pulsed(steps_in(trace, stage)):
        return reason("pulsed")
    rule = settle_rule(trace, stage)
    from_s = last_step_s(trace, stage)
    if t_s[-1] - from_s >= _LONG_IN_TIME_CONSTANTS * rule.slowest_time_constant_s:
        flat = _flat_end(t_s[t_s >= from_s], values[t_s >= from_s], rule)
        if flat is not None:
            return flat
    return _forecast_end(trace, stage, channel, rule, from_s)


def _flat_end(t_s: FloatArray, values: FloatArray, rule: Settle) -> Settled | Reason | None:
    """Mean of the last part of a long stage; None where that part still moves: a long time alone settles nothing.

    A slope that is there but small still widens. How slow the mode behind it is, is unknown; more than four of its
    time constants were not seen, or it would be gone.
    """
    long_s = float(t_s[-1] - t_s[0])
    late = t_s >= t_s[-1] - max(120.0, 0.75 * rule.slowest_time_constant_s, 0.1 * long_s)
    if np.count_nonzero(late) < _FEWEST:  # a logger that writes every few minutes
        late = t_s >= float(t_s[-min(_FEWEST, len(t_s))])
    if np.count_nonzero(late) < _FEWEST:
        return reason("few-readings", count=int(np.count_nonzero(late)))
    t, v = t_s[late], values[late]
    line = fit_line(t, v, origin=float(t[-1]))
    correlated = _correlation_factor(v)
    u_mean = float(np.std(v, ddof=1)) / math.sqrt(len(v)) * correlated
    if abs(line.slope) < 2 * line.u_slope * correlated:
        return Settled(float(np.mean(v)), u_mean, True, False, ())
    if abs(line.slope) * rule.slowest_time_constant_s > _STILL_MOVES * rule.within_k:
        return None
    still_moving_k = abs(line.slope) * max(rule.slowest_time_constant_s, long_s / 4)
    return Settled(
        float(np.mean(v)), math.hypot(u_mean, still_moving_k / 2), still_moving_k <= rule.within_k, False, ()
    )


def _correlation_factor(values: FloatArray) -> float:
    """Return by how much the standard error of a mean grows for the samples' correlation with their neighbours."""
    r = min(0.98, max(0.0, lag1_correlation(values)))
    return math.sqrt((1 + r) / (1 - r))


def _forecast_end(trace: Trace, stage: StageSpan, channel: str, rule: Settle, from_s: float) -> Settled | Reason:
    ahead = _ahead(trace, stage, channel, rule, from_s)
    if ahead is None:
        steady = trace.without_dips()
        silent_s = steady.t_s[steady.within(stage)][-1] - stage_columns(steady, stage, channel)[0][-1]
        return reason("no-reading-at-its-end" if silent_s > LATE_S else "stage-too-short")
    # The rule that ended the stage saw the same readings, and its own earlier forecasts beside them.
    known = ahead.known or (stage.ended == StageEnd.SETTLED and channel == rule.channel)
    extrapolated = reason("extrapolated" if known else "extrapolated-not-settled")
    # What reaches beyond all that a sensor can show says that nothing is known of the end, in a bad way.
    low_c, high_c = ahead.settles_at_c - ahead.u95_k, ahead.settles_at_c + ahead.u95_k
    if not (low_c >= COLDEST_READING_C and high_c <= HOTTEST_READING_C):
        return reason("cannot-tell-settled")
    return Settled(ahead.settles_at_c, ahead.u95_k / 2, known, True, (extrapolated, *ahead.why))


def history_from(trace: Trace, from_s: float) -> int:
    """Return from which sample on the history counts: ten minutes, but not from amid a load or a cooldown on.

    A machine stands nowhere there; of a file with many cycles the same is used as of one that was cut out.
    """
    early_s = from_s - _HISTORY_S
    amid = [
        stage.end_s
        for stage in trace.stages
        if stage.kind != StageKind.IDLE and stage.end_s is not None and stage.start_s < early_s < stage.end_s
    ]
    after_s = min((end_s for end_s in amid if end_s < from_s - 0.5), default=early_s)
    return int(np.searchsorted(trace.t_s, after_s))


def _ahead(trace: Trace, stage: StageSpan, channel: str, rule: Settle, from_s: float) -> Forecast | None:
    facts = sensor_facts(trace, channel)
    part = part_of(channel)
    trace = trace.without_dips() if part is None else trace
    span = trace.within(stage)
    early = max(history_from(trace, from_s), load_known_from(trace, from_s))
    span = slice(min(early, span.start), span.stop)
    if part is None:
        return _unpowered(trace, stage, channel, span, rule)
    dips = through_dips(trace.usable(channel)[span], commanded_share(trace)[span], dipped(trace)[span])
    span = slice(span.start, span.start + dips.until)
    temp_c, share = dips.temp_c[: dips.until], dips.share[: dips.until]

    def column(name: str, scale: float = 1.0) -> FloatArray | None:
        return scale * trace.usable(name)[span] if trace.has(name) else None

    return forecast(
        trace.t_s[span],
        temp_c,
        power_w=column(part.power, power_scale(trace, part)),
        fan_rpm=column(part.fan),
        ambient_c=ambient_columns(trace, stage, span),
        load_share=share,
        load_on_s=from_s,
        settle=rule,
        resolution_k=facts.resolution,
        refresh_s=facts.refresh_s,
        limit_c=facts.limit,
        part=part,
        cores_c=_cores(trace, channel, span),
        fan_duty=column(part.fan_duty),
    )


def _cores(trace: Trace, channel: str, span: slice) -> FloatArray | None:
    """Return what further sensors of the same die read, °C, shape (n, m), None without any."""
    devices = {name: sensor_facts(trace, name).device for name in trace.columns}
    found = [trace.usable(name)[span] for name in cores_of(channel, devices)]
    return np.column_stack(found) if found else None


def _unpowered(trace: Trace, stage: StageSpan, channel: str, span: slice, rule: Settle) -> Forecast | None:
    """Return the forecast of a temperature that has no power of its own: by its own answers to the load."""
    ambient = ambient_of(trace, stage)
    facts = sensor_facts(trace, channel)
    return forecast_from_own_answers(
        trace.t_s[span],
        trace.usable(channel)[span],
        commanded_share(trace)[span],
        None if ambient is None or ambient.source == channel else ambient.value_c,
        rule,
        facts.resolution,
        facts.refresh_s,
    )


def commanded_share(trace: Trace) -> FloatArray:
    """Return the share of the load at each sample; where none is on record, that of the stages' kinds."""
    if trace.has("load_share"):
        return np.nan_to_num(trace.columns["load_share"])
    share = np.zeros(len(trace.t_s))
    for stage in trace.stages:
        share[trace.within(stage)] = float(stage.kind == StageKind.LOAD)
    return share
