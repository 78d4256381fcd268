"""When the load changed, and how many watts that was."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from verifyrig.analysis.card_power import TYPICAL_PROCESSOR_W, in_processor_terms
from verifyrig.analysis.signals import sensor_facts
from verifyrig.core.heat_sources import CARD, DIE, HeatSource, heated_by
from verifyrig.core.load_changes import load_changes, steps_of
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import StageSpan, Trace

__all__ = [
    "LoadStep",
    "is_heated",
    "is_pulsed",
    "last_step_s",
    "power_channel",
    "power_scale",
    "power_step_w",
    "steps_in",
]

_BEFORE_S = 15.0


class LoadStep(NamedTuple):
    """The load changed at `t_s` from one share to another; `until_s` is when it changed next or the stage ended."""

    t_s: float
    share_before: float
    share: float
    until_s: float


def steps_in(trace: Trace, stage: StageSpan) -> list[LoadStep]:
    """Return the steps of the load within the stage, oldest first; the stage's own start where nothing else is known.

    A share that is steered all the time (hold) makes no steps beyond its first: small moves do not count.
    """
    commanded = load_changes(trace)
    end_s = _end_s(trace, stage)
    changes = [(t, a, b) for t, a, b in steps_of(commanded) if stage.start_s - 0.5 <= t < end_s]
    if not changes and stage.kind in (StageKind.LOAD, StageKind.COOLDOWN) and not commanded:
        on = stage.kind == StageKind.LOAD
        changes = [(stage.start_s, 0.0 if on else 1.0, 1.0 if on else 0.0)]
    ends = ([t for t, _, _ in changes] + [end_s])[1:]
    return [LoadStep(t, a, b, until) for (t, a, b), until in zip(changes, ends, strict=True)]


def _end_s(trace: Trace, stage: StageSpan) -> float:
    if stage.end_s is not None:
        return stage.end_s
    return float(trace.t_s[-1]) if len(trace.t_s) else stage.start_s


def is_pulsed(steps: list[LoadStep]) -> bool:
    """Return whether the load came in pulses: it fell to nothing at least once and rose again."""
    fell = [step.t_s for step in steps if step.share == 0.0]
    rose = [step.t_s for step in steps if step.share > step.share_before]
    # A load that ended before its stage did (a trip, the space bar) is no pulse.
    return bool(fell and rose) and (max(rose) > min(fell) or len(fell) > 1)


def last_step_s(trace: Trace, stage: StageSpan) -> float:
    """Return when the load last changed within the stage, s; the stage's start where it did not."""
    return max([stage.start_s, *(step.t_s for step in steps_in(trace, stage))])


def power_channel(trace: Trace, part: HeatSource = DIE) -> str | None:
    """Return the power reading that heats the part, or None."""
    return part.power if trace.has(part.power) else None


def is_heated(trace: Trace, stage: StageSpan, part: HeatSource) -> bool | None:
    """Return whether the stage's load heats the part; after a load, that load counts. None where no profile says."""
    if trace.profile is None:
        return None
    plans = {planned.name: planned.load for planned in trace.profile.stages}
    so_far = [s for s in trace.stages if s.start_s <= stage.start_s and s.ended != StageEnd.SKIPPED]
    loads = [plan for s in so_far if (plan := plans.get(s.name)) is not None]
    own = plans.get(stage.name)
    if stage.kind == StageKind.IDLE:
        return any(part.temp in heated_by(plan.work) for plan in plans.values() if plan is not None)
    plan = own or (loads[-1] if loads else None)
    return None if plan is None else part.temp in heated_by(plan.work)


def power_scale(trace: Trace, part: HeatSource) -> float:
    """Return by what the part's watts are multiplied before plausible processors are asked to explain them.

    The thermal path is linear: a card of 700 W counts in parts of its own limit. Without a known limit the highest
    power so far stands for it, and a card weaker than a processor is taken as it is.
    """
    if part is not CARD or not trace.has(part.power):
        return 1.0
    limit_w = sensor_facts(trace, part.power).limit
    if limit_w is None:
        limit_w = max(TYPICAL_PROCESSOR_W, float(np.nanmax(trace.usable(part.power), initial=0.0)))
    return in_processor_terms(1.0, limit_w)


def power_step_w(
    trace: Trace, step: LoadStep, channel: str, longest_s: float = 60.0, from_s: float | None = None
) -> tuple[float, float] | None:
    """Return the measured power step at a step of the load and its standard uncertainty, W; None where it is unknown.

    The mean over the last `_BEFORE_S` before the step is subtracted from that between 2 s after it and its end,
    or `longest_s` after it. Of a climb, whose steps began at `from_s`, it is the power of all its steps.
    """
    values = trace.usable(channel)
    began_s = step.t_s if from_s is None else from_s
    before = values[(trace.t_s >= began_s - _BEFORE_S) & (trace.t_s < began_s - 0.5)]
    length_s = min(step.until_s - step.t_s, longest_s)
    after = values[(trace.t_s > step.t_s + min(2.0, length_s / 3)) & (trace.t_s <= step.t_s + length_s)]
    before, after = before[np.isfinite(before)], after[np.isfinite(after)]
    if len(before) < 1 or len(after) < 1:
        return None
    spread = [float(np.std(x, ddof=1)) / math.sqrt(len(x)) if len(x) > 1 else 0.0 for x in (before, after)]
    return float(np.mean(after) - np.mean(before)), math.hypot(*spread)
