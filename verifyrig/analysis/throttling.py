"""How long processor or graphics card slowed itself down, what work was kept, and whether it sat at its limit.

A card says why it holds its clocks down: heat and the supply's brake are faults; its own power limit is not. A card
at that limit is judged by its work and its watts.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from verifyrig.analysis.load_steps import is_heated
from verifyrig.analysis.results import Metric, not_measured
from verifyrig.analysis.signals import sensor_facts, stage_columns
from verifyrig.analysis.work_rate import work_rate_kept
from verifyrig.core.channels import GPU_LIMITS
from verifyrig.core.heat_sources import CARD, DIE
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import StageSpan, Trace

__all__ = ["at_limit", "power_cap", "throttle_metrics"]

_AT_LIMIT_K = 1.5
# Moments at the limit are what a control loop does; more is a card that its limit holds.
_CAPPED_SHARE = 0.05


def throttle_metrics(trace: Trace, stage: StageSpan) -> dict[str, Metric]:
    """Return `throttle_share` and `work_rate_kept_share` of a load stage, by their names without the stage."""
    kept = work_rate_kept(trace, stage)
    if isinstance(kept.value, float) and is_heated(trace, stage, CARD):
        kept = replace(kept, why=(*kept.why, *power_cap(trace, stage)))
    found = {"throttle_share": _throttle_share(trace, stage), "work_rate_kept_share": kept}
    return found | _reasons(trace, stage) if is_heated(trace, stage, CARD) else found


def _reasons(trace: Trace, stage: StageSpan) -> dict[str, Metric]:
    """Return the share of time in which each reason held the card's clocks down, by `<channel>.mean`."""
    return {f"{name}.mean": _share_of_time(trace, stage, name) for name in GPU_LIMITS}


def _share_of_time(trace: Trace, stage: StageSpan, channel: str) -> Metric:
    _, held = stage_columns(trace, stage, channel)
    if len(held) == 0:
        return not_measured("1", reason("card-does-not-say"))
    return Metric(value=float(np.mean(held)), unit="1", u95=1.0 / len(held))


def power_cap(trace: Trace, stage: StageSpan) -> tuple[Reason, ...]:
    """Return that the card stood at its own power limit, and for how much of the stage; none where it did not."""
    _, held = stage_columns(trace, stage, "gpu_power_limited_share")
    share = float(np.mean(held)) if len(held) else 0.0
    limit_w = sensor_facts(trace, CARD.power).limit
    if share < _CAPPED_SHARE:
        return ()
    if limit_w is None:
        return (reason("card-at-unknown-power-limit", share=share),)
    return (reason("card-at-power-limit", limit_w=limit_w, share=share),)


def _throttle_share(trace: Trace, stage: StageSpan) -> Metric:
    """The processor's by its counter, the card's by what it says of heat; the larger where both worked."""
    found = [_counted(trace, stage)] if is_heated(trace, stage, DIE) is not False else []
    if is_heated(trace, stage, CARD):
        found.append(_card_share(trace, stage))
    known = [metric for metric in found if isinstance(metric.value, float)]
    # Where one of two cannot say, the other's figure would pass for both only if it is the one that slowed down.
    if len(known) < len(found) and not any(metric.value for metric in known):
        return next(metric for metric in found if metric.value is None)
    return max(known, key=_plain_value)


def _plain_value(metric: Metric) -> float:
    return metric.value if isinstance(metric.value, float) else 0.0


def _card_share(trace: Trace, stage: StageSpan) -> Metric:
    metric = _share_of_time(trace, stage, "gpu_heat_limited_share")
    return replace(metric, why=(reason("card-held-by-heat"),)) if metric.value else metric


def _counted(trace: Trace, stage: StageSpan) -> Metric:
    t_s, counts = stage_columns(trace, stage, "throttle_count")
    if len(counts) < 2:
        return not_measured("1", reason("no-throttle-counter"))
    rising = np.diff(counts) > 0
    for from_s, _ in trace.dips():
        # What was counted while the load dipped and came back is no throttling of the load.
        across = int(np.searchsorted(t_s, from_s, side="right"))
        rising[across - 1 : across] = False
    why = (reason("throttled-for-heat"),) if rising.any() else ()
    return Metric(value=float(np.mean(rising)), unit="1", u95=1.0 / len(counts), why=why)


def at_limit(trace: Trace, stage: StageSpan, channel: str = "die_temp_c") -> bool:
    """Return whether the channel sat flat at the machine's own limit in the last minute of the stage."""
    limit = sensor_facts(trace, channel).limit
    t_s, values = stage_columns(trace, stage, channel)
    if limit is None or len(values) < 10:
        return False
    late = values[t_s >= t_s[-1] - 60.0]
    return bool(np.median(late) >= limit - _AT_LIMIT_K)
