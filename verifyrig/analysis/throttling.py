"""How long the processor slowed itself down, what work it kept, and whether it sat at its limit."""

from __future__ import annotations

import math

import numpy as np

from verifyrig.analysis.results import Metric, not_measured
from verifyrig.analysis.signals import sensor_facts, stage_columns
from verifyrig.trace import StageSpan, Trace

__all__ = ["AT_LIMIT_NOTE", "at_limit", "throttle_metrics"]

AT_LIMIT_NOTE = "at or above: the trace is flat at the machine's own limit"
_AT_LIMIT_K = 1.5


def throttle_metrics(trace: Trace, stage: StageSpan) -> dict[str, Metric]:
    """Return `throttle_share` and `work_rate_kept_share` of a load stage, by their names without the stage."""
    return {"throttle_share": _throttle_share(trace, stage), "work_rate_kept_share": _work_kept(trace, stage)}


def _throttle_share(trace: Trace, stage: StageSpan) -> Metric:
    _, counts = stage_columns(trace, stage, "throttle_count")
    if len(counts) < 2:
        return not_measured("1", "this machine has no throttle counter")
    rising = np.diff(counts) > 0
    note = "counted by the processor for heat" if rising.any() else ""
    return Metric(value=float(np.mean(rising)), unit="1", u95=1.0 / len(counts), note=note)


def _work_kept(trace: Trace, stage: StageSpan) -> Metric:
    """Work per second in the last minute over that in the first full minute."""
    t_s, rate = stage_columns(trace, stage, "work_rate_per_s")
    if len(rate) == 0:
        return not_measured("1", "no work was counted")
    if t_s[-1] - t_s[0] < 120.0:
        return not_measured("1", "the load lasted less than two minutes")
    first, last = rate[t_s < t_s[0] + 60.0], rate[t_s > t_s[-1] - 60.0]
    if np.mean(first) <= 0:
        return not_measured("1", "no work was done in the first minute")
    kept = float(np.mean(last) / np.mean(first))
    spread = [float(np.std(x, ddof=1) / np.sqrt(len(x)) / np.mean(first)) for x in (first, last)]
    return Metric(value=kept, unit="1", u95=2 * math.hypot(*spread))


def at_limit(trace: Trace, stage: StageSpan, channel: str = "die_temp_c") -> bool:
    """Return whether the channel sat flat at the machine's own limit in the last minute of the stage."""
    limit = sensor_facts(trace, channel).limit
    t_s, values = stage_columns(trace, stage, channel)
    if limit is None or len(values) < 10:
        return False
    late = values[t_s >= t_s[-1] - 60.0]
    return bool(np.median(late) >= limit - _AT_LIMIT_K)
