"""When the commanded load of a run changed, and the stretches in which it was on: one reading of a record for all."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from verifyrig.core.event_kind import EventKind
from verifyrig.core.trace import BoolArray, FloatArray, Trace

__all__ = ["LoadChange", "Span", "load_changes", "load_known_from", "steps_of", "stretches"]

# A share that is steered (hold) moves a little all the time; a step is more than this part of the largest share.
_STEP_PART = 0.2


class LoadChange(NamedTuple):
    """At `t_s` the commanded share went from one value to another, 0 to 1."""

    t_s: float
    share_before: float
    share: float


class Span(NamedTuple):
    """From one time of the run to another, s."""

    from_s: float
    to_s: float

    @property
    def length_s(self) -> float:
        """How long, s."""
        return self.to_s - self.from_s


def load_changes(trace: Trace) -> list[LoadChange]:
    """Return every change of the commanded share, oldest first; a record that begins under load begins with one.

    The run's own events count; where it noted none (an imported log), the samples of `load_share`.
    """
    noted = [
        (e.t_s, float(e.detail["share"])) for e in trace.events if e.kind == EventKind.LOAD and "share" in e.detail
    ]
    if not noted and trace.has("load_share"):
        share = np.nan_to_num(trace.columns["load_share"])
        noted = list(zip(trace.t_s.tolist(), share.tolist(), strict=True))
    pairs = pairwise([(0.0, 0.0), *noted])
    return [LoadChange(t_s, before, share) for (_, before), (t_s, share) in pairs if share != before]


def load_known_from(trace: Trace, t_s: float) -> int:
    """Return from which sample on the load is known up to that time: 0, or the first after samples without a share.

    Only an imported log has such samples: outside of the named stages it is unknown whether it was loaded.
    """
    share = trace.columns.get("load_share")
    if share is None or any(event.kind == EventKind.LOAD for event in trace.events):
        return 0
    unknown = np.flatnonzero(~np.isfinite(share[: int(np.searchsorted(trace.t_s, t_s))]))
    return int(unknown[-1]) + 1 if len(unknown) else 0


def steps_of(changes: list[LoadChange]) -> list[LoadChange]:
    """Return the steps among the changes: on, off, and what differs clearly from the share after the last step."""
    largest = max((max(change.share_before, change.share) for change in changes), default=0.0)
    steps: list[LoadChange] = []
    last = 0.0
    for t_s, _, share in changes:
        if abs(share - last) > _STEP_PART * largest or (share == 0.0) != (last == 0.0):
            steps.append(LoadChange(t_s, last, share))
            last = share
    return steps


def stretches(t_s: FloatArray, on: BoolArray) -> list[Span]:
    """Return the stretches of samples that are on, each up to the next sample; both shapes (n,)."""
    marked = np.concatenate(([False], on, [False]))
    rises, falls = np.flatnonzero(~marked[:-1] & marked[1:]), np.flatnonzero(marked[:-1] & ~marked[1:])
    last = len(t_s) - 1
    return [
        Span(float(t_s[low]), float(t_s[min(high, last)]))
        for low, high in zip(rises.tolist(), falls.tolist(), strict=True)
    ]
