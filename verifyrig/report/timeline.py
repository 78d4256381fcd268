"""Where the load began and ended in a run, and where the run did."""

from __future__ import annotations

import numpy as np

from verifyrig.core.load_changes import Span, stretches
from verifyrig.core.outcome import CauseClass, Outcome, StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import StageSpan, Trace
from verifyrig.report.inputs import RunInput

_ALIKE_PERIODS = 1.5


def last_s(trace: Trace) -> float:
    """Return the time of the last sample, s; 0 where there is none."""
    return float(trace.t_s[-1]) if len(trace.t_s) else 0.0


def load_spans(trace: Trace) -> list[Span]:
    """Return the stretches in which the load was commanded to work (`load_share` above 0), as they were sampled."""
    return stretches(trace.t_s, trace.load_on())


def main_load(trace: Trace) -> Span | None:
    """Return the longest stretch of load, of several alike the first; None where no load was run."""
    spans = load_spans(trace)
    # Pulses of one length are sampled longer or shorter by a period.
    longest_s = max((span.length_s for span in spans), default=0.0) - _ALIKE_PERIODS * usual_period_s(trace)
    return next((span for span in spans if span.length_s >= longest_s), None)


def loaded_s(trace: Trace) -> float:
    """Return how long the load worked in all, s."""
    return sum(span.length_s for span in load_spans(trace))


def closed_gate(trace: Trace) -> StageSpan | None:
    """Return the stage whose gate closed, or None."""
    return next((stage for stage in trace.stages if stage.ended == StageEnd.GATE), None)


def load_start_s(trace: Trace) -> float:
    """Return the time that runs are laid on one another by, s.

    The start of the main load; without load, the moment at which the load was refused or the
    stage before it ended; without either, the start.
    """
    span = main_load(trace)
    if span is not None:
        return span.from_s
    gate = closed_gate(trace)
    if gate is not None and gate.end_s is not None:
        return gate.end_s
    load = next((stage for stage in trace.stages if stage.kind == StageKind.LOAD), None)
    return load.start_s if load is not None else 0.0


def load_end_s(trace: Trace) -> float:
    """Return when the load was ended or refused, s: the closed gate, else the end of the last stretch of load."""
    gate = closed_gate(trace)
    if gate is not None and gate.end_s is not None:
        return gate.end_s
    return max((span.to_s for span in load_spans(trace)), default=last_s(trace))


def went_dark(run: RunInput) -> bool:
    """Return whether the run ended because the machine lost power or stopped answering."""
    dark = (CauseClass.POWER_OFF, CauseClass.HANG)
    return run.outcome is Outcome.INTERRUPTED and run.trace.recorded.cause_class in dark


def value_at(trace: Trace, channel: str, t_s: float) -> float | None:
    """Return the reading nearest to `t_s`, if one within three sample periods can be believed; else None."""
    if not trace.has(channel):
        return None
    period_s = usual_period_s(trace)
    low, high = np.searchsorted(trace.t_s, (t_s - 3 * period_s - 1e-9, t_s + 3 * period_s + 1e-9))
    times, values = trace.t_s[low:high], trace.usable(channel)[low:high]
    known = np.isfinite(values)
    if not known.any():
        return None
    return float(values[known][int(np.argmin(np.abs(times[known] - t_s)))])


def usual_period_s(trace: Trace) -> float:
    """Return the usual time between samples, s, from at most some thousand of them; 1 s where there are not two."""
    steps = np.diff(trace.t_s)
    return float(np.median(steps[:: max(1, len(steps) // 4000)])) if len(steps) else 1.0


def highest(trace: Trace, channel: str) -> tuple[float, float] | None:
    """Return time and value of the highest reading that can be believed, or None."""
    if not trace.has(channel):
        return None
    values = trace.usable(channel)
    if not np.isfinite(values).any():
        return None
    at = int(np.nanargmax(values))
    return float(trace.t_s[at]), float(values[at])
