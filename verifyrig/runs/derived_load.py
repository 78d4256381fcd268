"""When an imported machine was loaded: by a busy share or power in the log, else by the kinds of the stages named.

A log seldom says what was commanded. A busy share that follows the stages does, and so does power; where
neither is there, a load stage is loaded, and idle and cooldown are not. Outside of the stages it is then unknown.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from verifyrig.core.profile import StageKind
from verifyrig.core.trace import BoolArray, FloatArray
from verifyrig.runs.import_words import StagePart

__all__ = ["STAGES", "DerivedLoad", "contradicted", "derived_load"]

STAGES = "stages"
# Busy shares first: power also falls where a machine throttles, while its load goes on.
_SHOWING = ("busy_share", "gpu_busy_share", "package_power_w", "gpu_power_w", "wall_power_w")
# Load and idle differ by at least so much (a share by itself, a power as a part of it), or it shows something else.
_LEAST_SHARE, _LEAST_POWER = 0.15, 0.3
_ON_FROM = {"share": 0.5, "w": 0.3}  # of the way from idle to load
# What is shorter is another program's moment; pulses of a profile last 5 s.
_SHORTEST_S = 3.0
# A stage that begins so soon after its step was named by the clock, not by the sample.
_NEAR_S, _NEAR_SAMPLES = 3.0, 3.0


class DerivedLoad(NamedTuple):
    """Share of the load at each sample, 0 to 1, shape (n,), NaN where nothing shows it, and what it was taken from."""

    share: FloatArray
    source: str


def derived_load(t_s: FloatArray, columns: Mapping[str, FloatArray], stages: Sequence[StagePart]) -> DerivedLoad:
    """Return the load of a log, its times in s, shape (n,), rising."""
    for column in _SHOWING:
        share = _by_column(t_s, columns[column], column, stages) if column in columns else None
        if share is not None:
            return DerivedLoad(share, column)
    return DerivedLoad(_by_kind(t_s, stages), STAGES)


def _of_kind(t_s: FloatArray, stages: Sequence[StagePart], kind: StageKind) -> BoolArray:
    inside = np.zeros(len(t_s), dtype=np.bool_)
    for stage in stages:
        if stage.kind == kind:
            inside |= (t_s >= stage.start_s) & (t_s < stage.end_s)
    return inside


def _by_kind(t_s: FloatArray, stages: Sequence[StagePart]) -> FloatArray:
    share = np.full(len(t_s), np.nan)
    for stage in stages:
        share[(t_s >= stage.start_s) & (t_s < stage.end_s)] = float(stage.kind == StageKind.LOAD)
    for first, end in _runs(np.isnan(share))[1:-1]:
        # Some samples between two stages, as rows that mark the turn, go with the stage before them.
        if np.isnan(share[first]) and t_s[end] - t_s[first] <= _near_s(t_s):
            share[first:end] = share[first - 1]
    return share


def _near_s(t_s: FloatArray) -> float:
    return max(_NEAR_S, _NEAR_SAMPLES * float(np.median(np.diff(t_s)))) if len(t_s) > 1 else _NEAR_S


def _by_column(t_s: FloatArray, values: FloatArray, column: str, stages: Sequence[StagePart]) -> FloatArray | None:
    """Return the share that a column shows, None where it does not follow the stages."""
    read = np.isfinite(values)
    loaded = _of_kind(t_s, stages, StageKind.LOAD)
    idle = _of_kind(t_s, stages, StageKind.IDLE)
    if not (idle & read).any():
        idle = _of_kind(t_s, stages, StageKind.COOLDOWN)
    low, high = _low(values[read], values[read & idle]), _high(values[read], values[read & loaded])
    is_share = column.endswith("share")
    if not high - low >= (_LEAST_SHARE if is_share else _LEAST_POWER * high):
        return None
    on = _steady(t_s, _held(values) > low + _ON_FROM["share" if is_share else "w"] * (high - low))
    in_load, in_idle = (float(on[stage].mean()) if stage.any() else None for stage in (loaded, idle))
    if in_load == 0.0 or (in_idle is not None and (in_idle > 0.5 or (in_load is not None and in_load <= in_idle))):
        return None
    on = _at_the_stages(t_s, on, stages)
    share = np.zeros(len(t_s))
    for first, end in _runs(on):
        if on[first]:
            now = values[first:end][read[first:end]]
            level = float(np.median(now)) if len(now) else high
            share[first:end] = round(min(1.0, max(0.05, level if is_share else (level - low) / (high - low))), 2)
    return share


def _low(values: FloatArray, idle: FloatArray) -> float:
    """Return what is read while idle; without an idle stage the lowest tenth of all stands for it, NaN for nothing."""
    some = idle if len(idle) else np.sort(values)[: max(1, len(values) // 10)]
    return float(np.median(some)) if len(some) else float("nan")


def _high(values: FloatArray, loaded: FloatArray) -> float:
    """Return what is read under load; pulses are on for a small part of their stage."""
    some = loaded if len(loaded) else values
    return float(np.quantile(some, 0.95)) if len(some) else float("nan")


def _held(values: FloatArray) -> FloatArray:
    """Return the readings, each gap filled with what was read before it (at the beginning, after it)."""
    read = np.isfinite(values)
    at = np.maximum.accumulate(np.where(read, np.arange(len(values)), -1))
    return values[np.where(at < 0, int(np.argmax(read)), at)]


def _runs(on: BoolArray) -> list[tuple[int, int]]:
    """Return the stretches of equal values, each from its first place to before its end."""
    marks = [0, *(int(at) + 1 for at in np.flatnonzero(np.diff(on.astype(np.int8)))), len(on)]
    return [(a, b) for a, b in pairwise(marks) if b > a]


def _steady(t_s: FloatArray, on: BoolArray) -> BoolArray:
    """Return it without moments too short to be a load or its end."""
    steady = on.copy()
    for first, end in _runs(on)[1:-1]:
        if t_s[end] - t_s[first] < _SHORTEST_S:
            steady[first:end] = steady[first - 1]
    return steady


def _at_the_stages(t_s: FloatArray, on: BoolArray, stages: Sequence[StagePart]) -> BoolArray:
    """Return it with a step that comes just before the stage that it belongs to moved to the stage's first sample."""
    near_s = _near_s(t_s)
    moved = on.copy()
    for stage in stages:
        if stage.kind == StageKind.IDLE:
            continue
        wanted = stage.kind == StageKind.LOAD
        start = int(np.searchsorted(t_s, stage.start_s))
        before = int(np.searchsorted(t_s, stage.start_s - near_s))
        steps = [at for at in range(max(1, before), min(start, len(on))) if on[at] == wanted and on[at - 1] != wanted]
        if steps and bool((on[steps[-1] : start] == wanted).all()):
            moved[steps[-1] : start] = not wanted
    return moved


def contradicted(load: DerivedLoad, t_s: FloatArray, stages: Sequence[StagePart]) -> dict[str, float]:
    """Return for each stage that is named against what the log shows by how many seconds of it it was loaded.

    A load stage without any load, and one of another kind with load in more than a tenth of it.
    """
    if load.source == STAGES or len(t_s) < 2:
        return {}
    step_s = np.append(np.diff(t_s), np.median(np.diff(t_s)))
    found = {}
    for stage in stages:
        inside = (t_s >= stage.start_s) & (t_s < stage.end_s)
        on_s, length_s = float(step_s[inside & (load.share > 0)].sum()), float(step_s[inside].sum())
        if on_s == 0.0 if stage.kind == StageKind.LOAD else on_s > max(_NEAR_S, 0.1 * length_s):
            found[stage.name] = round(on_s, 1)
    return found
