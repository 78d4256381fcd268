"""What a machine allows now, from its records and findings: the answer forbids tests, it never permits new ones."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from verifyrig.core.event_kind import EventKind
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.trace import Trace
from verifyrig.diagnosis.next_test import State
from verifyrig.diagnosis.readings import Readings
from verifyrig.jobs.dangers import dangers_in

__all__ = ["state_of"]

# Idle within 25 K of the limit, or more than 30 K over the room: no load (common practice, no source).
_NEAR_LIMIT_K, _OVER_AMBIENT_K = 25.0, 30.0


def state_of(traces: Sequence[Trace], findings: Mapping[str, str], done: frozenset[str] = frozenset()) -> State:
    """Return the state after the last record; findings by name to word."""
    last = traces[-1] if traces else None
    return State(
        load_unsafe=any(_load_unsafe(trace) for trace in traces[-1:]),
        idle_unsafe=last is not None and _idle_unsafe(last),
        must_stay_off=bool(dangers_in(findings)),
        done=done,
    )


def _load_unsafe(trace: Trace) -> bool:
    dark = trace.recorded.cause_class in (CauseClass.POWER_OFF, CauseClass.HANG)
    refused = any(event.kind == EventKind.LOAD_REFUSED for event in trace.events)
    if trace.recorded.cause_class == CauseClass.LOAD_FAILED:
        refused = False  # by the rig's own fault: it says nothing of what the machine bears
    return dark or refused or trace.recorded.outcome in (Outcome.TRIPPED, Outcome.STOPPED) or _idle_unsafe(trace)


def _idle_unsafe(trace: Trace) -> bool:
    readings = Readings(trace)
    span = readings.idle_span()
    if span is None:
        return False
    die = readings.mean("die_temp_c", max(span[0], span[1] - 20.0), span[1])
    ambient, _ = readings.ambient(*span)
    limit = readings.limit_c()
    near = die > (limit if math.isfinite(limit) else 95.0) - _NEAR_LIMIT_K
    return bool(near or die - ambient > _OVER_AMBIENT_K)
