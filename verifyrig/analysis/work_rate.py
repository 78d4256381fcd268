"""How much of its first speed a load kept to its end, over a minute at each end or over as long as there was."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from verifyrig.analysis.budget import expanded
from verifyrig.analysis.results import Metric, not_measured
from verifyrig.analysis.signals import lag1_correlation, stage_columns
from verifyrig.core.pattern import LEAST_KEPT_LOAD_S
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import BoolArray, FloatArray, StageSpan, Trace
from verifyrig.metrology.uncertainty import Component

__all__ = ["work_rate_kept"]

_MINUTE_S = 60.0
_LEAST_READINGS = 5
# Work in pulses and steps is compared with work at the same share only.
_SAME_SHARE = 0.99


def work_rate_kept(trace: Trace, stage: StageSpan) -> Metric:
    """Return work per second at the end of the load over that at its begin, with what the scatter of both leaves open.

    Two windows as long as there was, at most the contract's minute each: a card that settles in 89 s is held to the
    first and the last 44 s.
    """
    t_s, rate = _under_like_load(trace, stage)
    if len(rate) == 0:
        return not_measured("1", reason("no-work-counted"))
    had_s = float(t_s[-1] - t_s[0])
    if had_s < LEAST_KEPT_LOAD_S:
        return not_measured("1", reason("load-too-short", had_s=had_s, least_s=LEAST_KEPT_LOAD_S))
    window_s = min(_MINUTE_S, had_s / 2)
    first, last = rate[t_s < t_s[0] + window_s], rate[t_s > t_s[-1] - window_s]
    if min(len(first), len(last)) < _LEAST_READINGS:
        return not_measured("1", reason("few-readings", count=len(rate)))
    (begin, at_begin), (end, at_end) = _mean("work rate at the begin", first), _mean("work rate at the end", last)
    if begin <= 0:
        return not_measured("1", reason("no-work-at-first"))
    kept = end / begin
    lines = (_in_ratio(at_begin, -kept / begin), _in_ratio(at_end, 1 / begin))
    shorter: tuple[Reason, ...] = () if window_s >= _MINUTE_S else (reason("work-kept-over", window_s=window_s),)
    return Metric(value=kept, unit="1", u95=expanded(lines), why=shorter, budget=lines)


def _under_like_load(trace: Trace, stage: StageSpan) -> tuple[FloatArray, FloatArray]:
    """Return times and rates; of a load in pulses or steps only those under its highest share."""
    t_s, rate = stage_columns(trace, stage, "work_rate_per_s")
    planned = trace.profile.stage(stage.name) if trace.profile else None
    is_held = planned is not None and planned.load is not None and planned.load.hold is not None
    if is_held or not trace.has("load_share") or len(rate) == 0:
        return t_s, rate
    share = np.interp(t_s, trace.t_s, np.nan_to_num(trace.columns["load_share"]))
    like: BoolArray = share >= _SAME_SHARE * float(np.max(share))
    # The rate counts what was done since the reading before: one that began under another share is of both.
    like[1:] &= like[:-1]
    return t_s[like], rate[like]


def _mean(name: str, values: FloatArray) -> tuple[float, Component]:
    """Return the mean and its standard uncertainty, by as many readings as are independent of their neighbours."""
    r = min(0.98, max(0.0, lag1_correlation(values)))
    independent = max(2.0, len(values) * (1 - r) / (1 + r))
    u = float(np.std(values, ddof=1)) / math.sqrt(independent)
    return float(np.mean(values)), Component(name=name, standard_uncertainty=u, dof=independent - 1)


def _in_ratio(line: Component, sensitivity: float) -> Component:
    return replace(line, sensitivity=sensitivity)
