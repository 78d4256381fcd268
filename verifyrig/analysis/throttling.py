"""How long processor or graphics card slowed itself down, what work was kept, and whether it sat at its limit.

A card tells why it holds its clocks down: heat and the supply's brake are faults; its own power limit is not. A card
at that limit is judged by its work and its watts.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from verifyrig.analysis.load_edges import is_heated
from verifyrig.analysis.results import Metric, not_measured
from verifyrig.analysis.signals import sensor_facts, stage_columns
from verifyrig.core.channels import GPU_LIMITS
from verifyrig.core.heat_sources import CARD, DIE
from verifyrig.core.trace import StageSpan, Trace

__all__ = ["AT_LIMIT_NOTE", "at_limit", "power_cap_note", "throttle_metrics"]

AT_LIMIT_NOTE = "at or above: the trace is flat at the machine's own limit"
_AT_LIMIT_K = 1.5
# Moments at the limit are what a control loop does; more is a card that its limit holds.
_CAPPED_SHARE = 0.05


def throttle_metrics(trace: Trace, stage: StageSpan) -> dict[str, Metric]:
    """Return `throttle_share` and `work_rate_kept_share` of a load stage, by their names without the stage."""
    kept = _work_kept(trace, stage)
    if isinstance(kept.value, float) and is_heated(trace, stage, CARD):
        kept = replace(kept, note=power_cap_note(trace, stage))
    found = {"throttle_share": _throttle_share(trace, stage), "work_rate_kept_share": kept}
    return found | _reasons(trace, stage) if is_heated(trace, stage, CARD) else found


def _reasons(trace: Trace, stage: StageSpan) -> dict[str, Metric]:
    """Return the share of time in which each reason held the card's clocks down, by `<channel>.mean`."""
    return {
        f"{name}.mean": _share_of_time(trace, stage, name, "the card does not say what holds it back")
        for name in GPU_LIMITS
    }


def _share_of_time(trace: Trace, stage: StageSpan, channel: str, reason: str) -> Metric:
    _, held = stage_columns(trace, stage, channel)
    if len(held) == 0:
        return not_measured("1", reason)
    return Metric(value=float(np.mean(held)), unit="1", u95=1.0 / len(held))


def power_cap_note(trace: Trace, stage: StageSpan) -> str:
    """Return that the card stood at its own power limit, and for how much of the stage; empty where it did not."""
    _, held = stage_columns(trace, stage, "gpu_power_limited_share")
    share = float(np.mean(held)) if len(held) else 0.0
    limit_w = sensor_facts(trace, CARD.power).limit
    if share < _CAPPED_SHARE:
        return ""
    return f"at its power limit{f' of {limit_w:.0f} W' if limit_w else ''} for {share:.0%} of the stage"


def _throttle_share(trace: Trace, stage: StageSpan) -> Metric:
    """The processor's by its counter, the card's by what it says of heat; the larger where both worked."""
    found = [_counted(trace, stage)] if is_heated(trace, stage, DIE) is not False else []
    if is_heated(trace, stage, CARD):
        found.append(_card_share(trace, stage))
    known = [metric for metric in found if isinstance(metric.value, float)]
    # Where one of two cannot tell, the other's figure would pass for both only if it is the one that slowed down.
    if len(known) < len(found) and not any(metric.value for metric in known):
        return next(metric for metric in found if metric.value is None)
    return max(known, key=_plain_value)


def _plain_value(metric: Metric) -> float:
    return metric.value if isinstance(metric.value, float) else 0.0


def _card_share(trace: Trace, stage: StageSpan) -> Metric:
    metric = _share_of_time(trace, stage, "gpu_heat_limited_share", "the card does not say what holds it back")
    return replace(metric, note="the card says it is held back by heat") if metric.value else metric


def _counted(trace: Trace, stage: StageSpan) -> Metric:
    t_s, counts = stage_columns(trace, stage, "throttle_count")
    if len(counts) < 2:
        return not_measured("1", "this machine has no throttle counter")
    rising = np.diff(counts) > 0
    for from_s, _ in trace.dips():
        # What was counted while the load dipped and came back is no throttling of the load.
        across = int(np.searchsorted(t_s, from_s, side="right"))
        rising[across - 1 : across] = False
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
