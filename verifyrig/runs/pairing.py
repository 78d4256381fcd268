"""Two records of one machine on one time axis: its own, and a bench computer's with probes on it. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from verifyrig.core.event_kind import EventKind
from verifyrig.core.trace import FloatArray, Trace

# Steps further apart than this, once the records are shifted, are not the same step: an operator's key comes late.
SAME_STEP_S = 5.0
# A shift is tried for every pair of steps; more than these never occur in a record that a person marked.
_MOST_STEPS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairing:
    """How two records lie to one another.

    Attributes:
        offset_s: Add this to the second record's times to get the first's, s.
        steps: Steps of the load that both have.
        spread_s: Largest distance between two steps that belong together, s; None where the clocks had to do.
        how: `load edges` (as the contract has it), or `wall clocks` where one record has no steps.
    """

    offset_s: float
    steps: int
    spread_s: float | None
    how: str


def pair(first: Trace, second: Trace) -> Pairing | None:
    """Return how the second record lies on the first one's time axis; None where neither steps nor clocks show it.

    The shift that brings the most load steps of the same direction together wins; of equals, that with the least
    spread. Load steps are events of the record: commanded to workers, or marked by the operator.
    """
    ours, theirs = _load_steps(first), _load_steps(second)
    shifts = [a_s - b_s for a_s, a_up in ours for b_s, b_up in theirs if a_up == b_up]
    found = [_with_shift(ours, theirs, shift) for shift in shifts]
    best = max(found, key=lambda p: (p.steps, -(p.spread_s or 0.0)), default=None)
    return best if best is not None else _by_clocks(first, second)


def _load_steps(trace: Trace) -> list[tuple[float, bool]]:
    """Return time and direction of each step between load and no load."""
    found: list[tuple[float, bool]] = []
    on = False
    for event in trace.events:
        if event.kind == EventKind.LOAD and (float(event.detail.get("share", 0.0)) > 0) != on:
            on = not on
            found.append((event.t_s, on))
    return found[:_MOST_STEPS]


def _with_shift(ours: list[tuple[float, bool]], theirs: list[tuple[float, bool]], shift_s: float) -> Pairing:
    gaps = []
    for b_s, b_up in theirs:
        near = [a_s - (b_s + shift_s) for a_s, a_up in ours if a_up == b_up]
        gap = min(near, key=abs, default=math.inf)
        if abs(gap) <= SAME_STEP_S:
            gaps.append(gap)
    middle = float(np.median(gaps))
    spread_s = float(max(abs(gap - middle) for gap in gaps))
    return Pairing(offset_s=shift_s + middle, steps=len(gaps), spread_s=spread_s, how="load edges")


def _by_clocks(first: Trace, second: Trace) -> Pairing | None:
    if not len(first.t_s) or not len(second.t_s):
        return None
    offset_s = _start_utc_s(second) - _start_utc_s(first)
    return Pairing(offset_s=offset_s, steps=0, spread_s=None, how="wall clocks")


def _start_utc_s(trace: Trace) -> float:
    return float(trace.utc_s[0] - trace.t_s[0])


def on_one_axis(first: Trace, second: Trace, pairing: Pairing) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Return the first record's times, s, and the channels of both at these times.

    The second's channels are taken from its last sample before each time, NaN where there is none within two of its
    periods; names of channels that both have get `second_` in front.
    """
    columns = dict(first.columns)
    times = second.t_s + pairing.offset_s
    period_s = float(np.median(np.diff(times))) if len(times) > 1 else 1.0
    at = np.searchsorted(times, first.t_s, side="right") - 1
    age_s = first.t_s - times[np.maximum(at, 0)]
    fresh = (at >= 0) & (age_s <= 2 * period_s)
    for name, values in second.columns.items():
        column = np.where(fresh, values[np.maximum(at, 0)], np.nan)
        columns[f"second_{name}" if name in columns else name] = column
    return first.t_s, columns
