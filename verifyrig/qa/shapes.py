"""The fingerprint of a unit against its batch: which part of the thermal path is longer than in the others.

The windows of the transient thermal impedance are sums from the die outwards. Taken as steps (to 5 s, 5 to 60 s,
60 to 600 s) each belongs to one part of the path, and a mounting fault shows in the first one long before the
temperature reaches a limit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from verifyrig.capability.samples import FloatArray
from verifyrig.qa.units import UnitRun

__all__ = [
    "WINDOWS",
    "Fingerprint",
    "OddShape",
    "find_shapes",
    "fingerprint_of",
    "fingerprint_stage",
    "stage_of_most",
    "usual_fingerprint",
]

# Steps of the impedance from the die outwards, K/W: to 5 s, 5 to 60 s, 60 to 600 s; NaN where unknown.
Fingerprint = tuple[float, float, float]

WINDOWS = ("thermal_impedance_5s", "thermal_impedance_60s", "thermal_impedance_600s")
_PARTS = ("die to plate (paste, contact)", "plate to coolant or heat pipes (flow)", "fins to air (radiator, fan, case)")
_NAMES = ("first", "second", "third")
# Common practice, no source: units of one model differ by some per cent; a quarter more is a fault in the making.
_NOTABLE_SHARE = 0.25
_NOTABLE_SDS = 4.0
_FEWEST_UNITS = 5
# Scales the median absolute deviation to the standard deviation of a normal distribution: 1/0.67449.
_MAD_TO_SD = 1.4826


@dataclass(frozen=True, slots=True, kw_only=True)
class OddShape:
    """A unit whose fingerprint differs from the batch's.

    Attributes:
        window: 1, 2 or 3, counted from the die.
        ratio: The unit's step over the batch's median.
        what: In words.
    """

    run: str
    unit: str
    window: int
    ratio: float
    what: str


def fingerprint_stage(runs: Sequence[UnitRun]) -> str | None:
    """Return the stage whose windows most runs have, None where no run has any."""
    known = {tuple(run.metrics) for run in runs}  # runs of one recipe have one set of names, or a few
    names = [name for name in dict.fromkeys(name for some in known for name in some) if _is_window(name)]
    return stage_of_most({name: sum(_has_value(run, name) for run in runs) for name in names})


def stage_of_most(known: Mapping[str, int]) -> str | None:
    """Return the stage whose windows most runs have, None where no run has any.

    Args:
        known: By metric, how many runs have a figure of it.
    """
    counts: dict[str, int] = {}
    for name in sorted(name for name in known if _is_window(name)):
        stage = name.partition(".")[0]
        counts[stage] = counts.get(stage, 0) + known[name]
    return max((stage for stage in counts if counts[stage]), key=lambda stage: counts[stage], default=None)


def _is_window(name: str) -> bool:
    return name.partition(".")[2] in WINDOWS


def _has_value(run: UnitRun, name: str) -> bool:
    figure = run.metrics.get(name)
    return figure is not None and figure.value is not None


def find_shapes(runs: Sequence[UnitRun], stage: str | None = None) -> list[OddShape]:
    """Return every unit and window that stands out; none where fewer than five units have a fingerprint.

    A step stands out where it differs from the median by more than a quarter, by more than four standard
    deviations of the batch, and by more than its own uncertainty.

    Args:
        stage: Whose windows to take; that which most runs have if None.
    """
    stage = stage or fingerprint_stage(runs)
    if stage is None:
        return []
    steps = np.array([fingerprint_of(run, stage) for run in runs])
    u95 = np.array([_uncertainties(run, stage) for run in runs])
    found: list[OddShape] = []
    for window in range(len(WINDOWS)):
        found += _notable(runs, steps[:, window], u95[:, window], window)
    order = {run.run: at for at, run in enumerate(runs)}
    return sorted(found, key=lambda shape: (order[shape.run], shape.window))


def fingerprint_of(run: UnitRun, stage: str) -> Fingerprint:
    """Return the impedance step of each window, K/W."""
    sums = [_value(run, f"{stage}.{window}") for window in WINDOWS]
    return sums[0], sums[1] - sums[0], sums[2] - sums[1]


def usual_fingerprint(runs: Sequence[UnitRun], stage: str) -> Fingerprint:
    """Return the median step of each window over all runs that know it, K/W."""
    steps = np.array([fingerprint_of(run, stage) for run in runs]).reshape(-1, len(WINDOWS))
    known = [column[np.isfinite(column)] for column in steps.T]
    first, second, third = (float(np.median(column)) if column.size else math.nan for column in known)
    return first, second, third


def _uncertainties(run: UnitRun, stage: str) -> list[float]:
    """Return u95 of each step, K/W; what windows share (the power reading) cancels between them, so this is wide."""
    u95 = []
    for window in WINDOWS:
        figure = run.metrics.get(f"{stage}.{window}")
        u95.append(math.nan if figure is None or figure.u95 is None else figure.u95)
    return [u95[0], math.hypot(u95[0], u95[1]), math.hypot(u95[1], u95[2])]


def _value(run: UnitRun, name: str) -> float:
    figure = run.metrics.get(name)
    return math.nan if figure is None or figure.value is None else figure.value


def _notable(runs: Sequence[UnitRun], steps: FloatArray, u95: FloatArray, window: int) -> list[OddShape]:
    known = steps[np.isfinite(steps)]
    if known.size < _FEWEST_UNITS:
        return []
    middle = float(np.median(known))
    sd = _MAD_TO_SD * float(np.median(np.abs(known - middle)))
    if middle <= 0:
        return []
    excess = steps - middle
    limit = np.maximum(np.maximum(_NOTABLE_SHARE * middle, _NOTABLE_SDS * sd), np.nan_to_num(u95))
    hits = np.flatnonzero(np.abs(excess) > limit).tolist()
    return [_shape(runs[at], window, float(steps[at] / middle)) for at in hits]


def _shape(run: UnitRun, window: int, ratio: float) -> OddShape:
    way = "up" if ratio > 1 else "down"
    what = f"{_NAMES[window]} window {abs(ratio - 1):.0%} {way}: {_PARTS[window]}"
    return OddShape(run=run.run, unit=run.unit, window=window + 1, ratio=ratio, what=what)
