"""Figures that only a graphics card has: how far its hot spot and its memory lie above the chip."""

from __future__ import annotations

import math

import numpy as np

from verifyrig.analysis.budget import expanded
from verifyrig.analysis.results import Metric, not_measured
from verifyrig.analysis.signals import sensor_facts
from verifyrig.core.heat_sources import CARD
from verifyrig.core.reason import reason
from verifyrig.core.trace import StageSpan, Trace
from verifyrig.metrology.uncertainty import Component

__all__ = ["card_gap_metrics"]

_ABOVE = ("gpu_hotspot_temp_c", "gpu_memory_temp_c")
_LAST_S = 60.0
# Sensors of one card share their reference; what they differ by at equal temperature is common practice, no source.
_AGREE_K = 1.0


def card_gap_metrics(trace: Trace, stage: StageSpan) -> dict[str, Metric]:
    """Return `<temp>.above_chip`, K: hot spot and memory minus the chip's edge, mean of the stage's last minute.

    None for sensors that the card lacks. Dried paste and lifted pads open this gap before the chip grows hotter.
    """
    if CARD.temp not in trace.columns:
        return {}
    return {f"{name}.above_chip": _gap(trace, stage, name) for name in _ABOVE if name in trace.columns}


def _gap(trace: Trace, stage: StageSpan, channel: str) -> Metric:
    span = trace.within(stage)
    t_s = trace.t_s[span]
    gap = trace.usable(channel)[span] - trace.usable(CARD.temp)[span]
    good = np.isfinite(gap)
    if not good.any():
        return not_measured("K", reason("no-reading"))
    late = gap[good & (t_s >= t_s[good][-1] - _LAST_S)]
    scatter = float(np.std(late, ddof=1)) / math.sqrt(len(late)) if len(late) > 1 else 0.0
    steps = [sensor_facts(trace, name).resolution or 0.0 for name in (channel, CARD.temp)]
    lines = (
        Component(name="scatter", standard_uncertainty=scatter),
        Component.within("accuracy of one sensor against the other", _AGREE_K),
        *(Component.within("resolution", step / 2) for step in steps if step),
    )
    return Metric(value=float(np.mean(late)), unit="K", u95=expanded(lines), budget=lines)
