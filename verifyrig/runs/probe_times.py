"""When the readings of a probe over the link were taken, on the time axis of the run."""

from __future__ import annotations

import numpy as np

from verifyrig.core.event_kind import EventKind
from verifyrig.core.trace import FloatArray, Trace
from verifyrig.record.shape import is_number


def read_times_s(trace: Trace, channel: str) -> FloatArray | None:
    """Return the run's time at which each sample's reading of a channel was taken, s, shape (n,).

    NaN where the record does not say; None for a channel of the machine itself, which is read as it is sampled.
    """
    moments: dict[float, float] = {}
    for event in trace.events:
        if event.kind == EventKind.PROBE_TIMES and event.detail.get("channel") == channel:
            at_s, read_s = event.detail.get("at_s"), event.detail.get("read_s")
            if isinstance(at_s, list) and isinstance(read_s, list):
                pairs = zip(at_s, read_s, strict=False)
                moments.update((float(at), float(read)) for at, read in pairs if is_number(at) and is_number(read))
    if not moments:
        return None
    return np.array([moments.get(round(t_s, 6), np.nan) for t_s in trace.t_s.tolist()])
