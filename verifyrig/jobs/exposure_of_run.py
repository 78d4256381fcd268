"""What a run put the machine through: how long each part was loaded, and how long it idled. Pure."""

from __future__ import annotations

import numpy as np

from verifyrig.core.exposure import PARTS_OF_WORK, Exposure, LoadedPart, TimeSpent
from verifyrig.core.load_changes import stretches
from verifyrig.core.outcome import StageEnd
from verifyrig.core.pattern import is_gentle
from verifyrig.core.profile import LoadPlan, StageKind
from verifyrig.core.trace import StageSpan, Trace

# A card that is busy for most of the time is under load, whoever loads it (common practice, no source).
_BUSY_SHARE = 0.5


def exposure_of(trace: Trace) -> Exposure:
    """Return what a run put the machine through, as it was sampled."""
    found = Exposure(recorded=_spent([_length_s(trace)]), idle=_idle(trace))
    for span in trace.stages:
        plan = _plan(trace, span)
        if span.kind != StageKind.LOAD or span.ended == StageEnd.SKIPPED or (plan is not None and is_gentle(plan)):
            continue
        spent = _loaded(trace, span)
        if spent.total_s > 0:
            by_part = dict.fromkeys(_parts(trace, span, plan), spent)
            found = found.plus(Exposure(loaded=spent, by_part=by_part))
    return found


def _plan(trace: Trace, span: StageSpan) -> LoadPlan | None:
    stage = trace.profile.stage(span.name) if trace.profile is not None else None
    return stage.load if stage is not None else None


def _parts(trace: Trace, span: StageSpan, plan: LoadPlan | None) -> tuple[LoadedPart, ...]:
    """Return the parts that a stage loaded: by its work, and what the machine itself shows to have been busy."""
    # What an operator or an imported log loads is not named; such logs are made at least of the processor's load.
    parts = PARTS_OF_WORK.get(plan.work, ()) if plan is not None else ()
    parts = parts or (LoadedPart.PROCESSOR,)
    if LoadedPart.GRAPHICS not in parts and _busy(trace, span, "gpu_busy_share"):
        parts = (*parts, LoadedPart.GRAPHICS)
    return parts


def _busy(trace: Trace, span: StageSpan, channel: str) -> bool:
    if not trace.has(channel):
        return False
    values = trace.usable(channel)[trace.within(span)]
    known = values[np.isfinite(values)]
    return bool(known.size) and float(np.mean(known)) >= _BUSY_SHARE


def _length_s(trace: Trace) -> float:
    return float(trace.t_s[-1] - trace.t_s[0]) if len(trace.t_s) else 0.0


def _idle(trace: Trace) -> TimeSpent:
    spans = [span for span in trace.stages if span.kind == StageKind.IDLE and span.end_s is not None]
    return _spent([span.end_s - span.start_s for span in spans if span.end_s is not None])


def _loaded(trace: Trace, span: StageSpan) -> TimeSpent:
    """Return the time in which the load was commanded to work; the stage's length where that was not recorded."""
    if not trace.has("load_share"):
        end_s = span.end_s if span.end_s is not None else span.start_s
        return _spent([end_s - span.start_s])
    within = trace.within(span)
    # A dip takes its own time from the total, and does not part one stretch into two.
    t_s, on = trace.t_s[within], trace.columns["load_share"][within] > 0
    longest_s = max((span.length_s for span in stretches(t_s, trace.load_on()[within])), default=0.0)
    return TimeSpent(sum(span.length_s for span in stretches(t_s, on)), longest_s)


def _spent(lengths_s: list[float]) -> TimeSpent:
    return TimeSpent(sum(lengths_s), max(lengths_s, default=0.0))
