"""When an imported machine was loaded: by a busy share or power in the log, else by the kinds of the stages named.

A log seldom says what its machine was told to do. A busy share that follows the stages does, and so does power; where
neither is there, a load stage is loaded, and idle and cooldown are not. Outside of the stages nobody knows then.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from verifyrig.core.profile import StageKind
from verifyrig.core.trace import BoolArray, FloatArray
from verifyrig.runs.import_words import StagePart

__all__ = ["STAGES", "DerivedLoad", "derived_load"]

STAGES = "stages"
# Busy shares first: power also falls where a machine throttles, while its load goes on.
_TELLS = ("busy_share", "gpu_busy_share", "package_power_w", "gpu_power_w", "wall_power_w")
# Load and rest differ by at least this part of the full load, or the column tells of something else.
_LEAST_CONTRAST = 0.3
_ON_FROM = {"share": 0.5, "w": 0.3}  # of the way from rest to load
# What is shorter is another program's moment; pulses of a profile last 5 s.
_SHORTEST_S = 3.0
# A stage that begins so soon after its step was named by the clock, not by the sample.
_NEAR_S, _NEAR_SAMPLES = 3.0, 3.0


class DerivedLoad(NamedTuple):
    """Share of the load at each sample, 0 to 1, shape (n,), NaN where nothing tells, and what it was taken from."""

    share: FloatArray
    source: str


def derived_load(t_s: FloatArray, columns: Mapping[str, FloatArray], stages: Sequence[StagePart]) -> DerivedLoad:
    """Return the load of a log, its times in s, shape (n,), rising."""
    by_kind = _by_kind(t_s, stages)
    found = [
        (contrast, -at, column)
        for at, column in enumerate(_TELLS)
        if column in columns and (contrast := _contrast(columns[column], by_kind)) >= _LEAST_CONTRAST
    ]
    if not found:
        return DerivedLoad(by_kind, STAGES)
    column = max(found, key=lambda one: (one[2].endswith("share"), one[0], one[1]))[2]
    return DerivedLoad(_by_column(t_s, columns[column], by_kind, column, stages), column)


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


def _levels(values: FloatArray, by_kind: FloatArray) -> tuple[float, float] | None:
    """Return what the column reads at rest and under load, None where one of them was not seen.

    Without a stage of rest the lowest tenth of all that was read stands for it.
    """
    read = np.isfinite(values)
    loaded, idle = values[read & (by_kind == 1.0)], values[read & (by_kind == 0.0)]
    if len(loaded) == 0:
        loaded = np.sort(values[read])[-max(1, int(read.sum()) // 10) :]
    if len(idle) == 0:
        idle = np.sort(values[read])[: max(1, int(read.sum()) // 10)]
    if not read.any():
        return None
    return float(np.median(idle)), float(np.median(loaded))


def _contrast(values: FloatArray, by_kind: FloatArray) -> float:
    """Return by how much load and rest differ, as a part of the load."""
    levels = _levels(values, by_kind)
    return 0.0 if levels is None or levels[1] <= 0 else (levels[1] - levels[0]) / levels[1]


def _by_column(
    t_s: FloatArray, values: FloatArray, by_kind: FloatArray, column: str, stages: Sequence[StagePart]
) -> FloatArray:
    low, high = _levels(values, by_kind) or (0.0, 1.0)
    part = _ON_FROM["share" if column.endswith("share") else "w"]
    on = _steady(t_s, _held(values) > low + part * (high - low))
    on = _at_the_stages(t_s, on, stages)
    share = np.zeros(len(t_s))
    for first, end in _runs(on):
        if on[first]:
            read = values[first:end][np.isfinite(values[first:end])]
            level = float(np.median(read)) if len(read) else high
            full = level if column.endswith("share") else (level - low) / (high - low)
            share[first:end] = round(min(1.0, max(0.05, full)), 2)
    return share


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
