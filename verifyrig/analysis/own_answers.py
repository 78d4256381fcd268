"""The forecast that a temperature's own answers give, and how it is weighed against that of plausible machines.

Plausible machines (`posterior`) know how desktops are built: where power and room are measured they are far sharper,
and on anything else they are wrong without knowing it. The spectrum of a temperature's own answers knows no machine.
"""

from __future__ import annotations

import math
from enum import Enum
from typing import NamedTuple

import numpy as np

from verifyrig.analysis.compress import compress
from verifyrig.analysis.signals import held_s, noise_k
from verifyrig.analysis.spectrum import Level, spectrum_ends
from verifyrig.core.trace import FloatArray

__all__ = ["Driven", "OwnEnd", "calm_noise_k", "expected_level", "own_end", "reading_noise_k", "weighed"]

_LEAST_NOISE_K = 0.15
# A room moves by some tenths of a kelvin within the hour.
_AMBIENT_MOVES_K = 0.2
_MISFIT_ALLOWED = 1.0
# From here on the machine may have begun colder than it is without any load, as one that was just switched on.
_MISFIT_COLD = 4.0
_MISFIT_WRONG = 25.0
_LEAST_SAMPLES = 8
# A die's own step is over after that; and so many second differences say what its noise is.
_CALM_S, _LEAST_CALM = 15.0, 10
_STEP = 0.05  # of the share: a smaller change is steering
# A reading stands whose means of ten seconds have lain so close together for a minute.
_BLOCK_S, _STANDS_K, _STANDS_S = 10.0, 0.6, 60.0
_TYPICAL_AMBIENT_C, _AMBIENT_SPREAD_K = 23.0, 10.0


class OwnEnd(NamedTuple):
    """Where a temperature ends by its own answers, °C, its standard uncertainty, K, and how slow it is (`Ends`)."""

    settles_at_c: float
    u_k: float
    slow: bool
    too_slow: bool


class Driven(Enum):
    """What drives a temperature, so that it stands at its level where that is nothing.

    `POWER`: its own measured power. `LOAD`: its own, known by the share of the load alone; what it draws while idle
    belongs to the level. `BESIDE`: the load of another part. Each with the rise above the room that is expected then,
    and its standard deviation, K (common practice, no source).
    """

    POWER = (4.0, 5.0)
    LOAD = (10.0, 10.0)
    BESIDE = (3.0, 10.0)


def expected_level(ambient_c: float | None, driven: Driven) -> Level:
    """Return what is expected of a temperature without any load, the room in °C, None where it is not measured."""
    rise_k, spread_k = driven.value
    if ambient_c is None:
        return Level(_TYPICAL_AMBIENT_C + rise_k, math.hypot(spread_k, _AMBIENT_SPREAD_K))
    return Level(ambient_c + rise_k, spread_k)


def reading_noise_k(temp_c: FloatArray, resolution_k: float | None) -> float:
    """Return the standard deviation of one fresh reading, K."""
    readings = temp_c[np.isfinite(temp_c)]
    return math.hypot(max(_LEAST_NOISE_K, noise_k(readings)), (resolution_k or 0.0) / math.sqrt(12))


def calm_noise_k(
    t_s: FloatArray,
    temp_c: FloatArray,
    share: FloatArray,
    resolution_k: float | None,
    fresh_s: float,
    sensors: int = 1,
) -> float:
    """Return the standard deviation of one fresh reading, its step included, K, where no load had changed for long.

    Right after a change of load second differences are of the heat and of readings that are old, not of noise. Where
    too little is calm, all readings speak (`reading_noise_k`).

    Args:
        t_s, temp_c, share: Samples, s, °C, 0 to 1, shape (n,); the temperature may be NaN.
        fresh_s: Interval between fresh readings, s.
        sensors: Of how many sensors the readings are the mean.
    """
    changed = np.concatenate(([False], np.abs(np.diff(share)) > _STEP / 10))
    last_s = np.maximum.accumulate(np.where(changed, t_s, -math.inf))
    calm = np.flatnonzero(np.isfinite(temp_c) & (t_s - last_s >= _CALM_S))
    hold = max(1, round(fresh_s / float(np.median(np.diff(t_s)))))
    spans = np.split(calm, np.flatnonzero(np.diff(calm) > 1) + 1)
    squares = np.sort(np.concatenate([np.diff(temp_c[span[::hold]], 2) ** 2 for span in spans]))
    if len(squares) < _LEAST_CALM:
        return reading_noise_k(temp_c, resolution_k)
    kept = squares[: len(squares) - max(1, len(squares) // 50)]
    least_k = math.hypot(_LEAST_NOISE_K, (resolution_k or 0.0) / math.sqrt(12)) / math.sqrt(sensors)
    return max(float(np.sqrt(np.mean(kept) / 6.0)), least_k)


def own_end(
    t_s: FloatArray,
    temp_c: FloatArray,
    drive: FloatArray,
    share: FloatArray,
    level: Level,
    slowest_s: float,
    resolution_k: float | None = None,
    refresh_s: float | None = None,
    limit_c: float | None = None,
) -> OwnEnd | None:
    """Return where the temperature ends by its own answers, None where there are too few readings.

    Args:
        t_s, temp_c: Samples, s and °C, shape (n,); NaN where there was no reading.
        drive: What heats it, in any unit, shape (n,): its power, or the share of its load.
        share: Share of the load, 0 to 1, shape (n,).
        level: What is expected where nothing drives.
        slowest_s: Slowest time constant that the profile allows for, s.
        resolution_k, refresh_s, limit_c: As in `forecast`.
    """
    kept = _of_this_load(share)
    t_s, temp_c, drive, share = t_s[:kept], temp_c[:kept], drive[:kept], share[:kept]
    noise_k = reading_noise_k(temp_c, resolution_k)
    fresh_s = refresh_s or held_s(t_s, temp_c)
    ends = None
    for first in _beginnings(t_s, temp_c, share):
        data = compress(t_s[first:], temp_c[first:], drive[first:], np.zeros(len(t_s) - first), None, share[first:])
        ends = ends if data is None else spectrum_ends(data, noise_k, fresh_s, level, slowest_s)
        if data is not None and ends is not None and ends.misfit > _MISFIT_COLD:
            ends = min(
                ends, spectrum_ends(data, noise_k, fresh_s, level, slowest_s, cold=True), key=lambda one: one.misfit
            )
        if ends is None or ends.misfit <= _MISFIT_ALLOWED:
            break
    # What explains nothing of the readings says nothing of where they go.
    if ends is None or ends.misfit > _MISFIT_WRONG:
        return None
    middle_c = float(np.median(ends.ends_c))
    # A few slow draws lie far to one side: that side counts for both.
    spread_k = math.hypot(float(np.std(ends.ends_c)), float(np.mean(ends.ends_c)) - middle_c)
    misfit = math.sqrt(max(1.0, ends.misfit / _MISFIT_ALLOWED))
    if limit_c is not None:
        middle_c = min(middle_c, limit_c)
    return OwnEnd(middle_c, math.hypot(misfit * spread_k, _AMBIENT_MOVES_K), ends.slow, ends.too_slow)


def _beginnings(t_s: FloatArray, temp_c: FloatArray, share: FloatArray) -> list[int]:
    """Return from which samples on to explain the readings, one after the other until they are explained.

    First all of them; then the stage before the present one and that; then the present one alone: a machine that has
    throttled or turned its fans up answers otherwise than it did. Last what stands since, where it did so amid a load.
    """
    changes = np.flatnonzero(np.abs(np.diff(share)) > _STEP) + 1
    firsts = {0, *(int(at) for at in changes[-2:] if at <= len(share) - _LEAST_SAMPLES)}
    stands = _stands_from(t_s, temp_c)
    if stands is not None and stands <= len(share) - _LEAST_SAMPLES:
        firsts.add(max(stands, *firsts))
    return sorted(firsts)


def _stands_from(t_s: FloatArray, temp_c: FloatArray) -> int | None:
    """Return from which sample on the means of each ten seconds lie close together; None for less than a minute."""
    read = np.flatnonzero(np.isfinite(temp_c))
    if not len(read):
        return None
    block = ((t_s[-1] - t_s[read]) // _BLOCK_S).astype(np.intp)
    counts = np.bincount(block)
    means = np.bincount(block, weights=temp_c[read])[counts > 0] / counts[counts > 0]
    apart = np.maximum.accumulate(means) - np.minimum.accumulate(means)
    stand = int(np.flatnonzero(counts > 0)[np.count_nonzero(apart <= _STANDS_K) - 1])
    from_s = float(t_s[-1]) - (stand + 1) * _BLOCK_S
    return int(np.searchsorted(t_s, from_s, side="right")) if t_s[-1] - from_s >= _STANDS_S else None


def _of_this_load(share: FloatArray) -> int:
    """Return how many samples there are without the last of another load: a stage ends with the next one's first."""
    few = max(0, len(share) - _LEAST_SAMPLES)
    others = np.flatnonzero(np.abs(share[few:] - np.median(share[few:])) > _STEP) + few
    return int(others[0]) if len(others) and others[-1] == len(share) - 1 else len(share)


def weighed(a: tuple[float, float], b: tuple[float, float]) -> tuple[float, float]:
    """Return one answer for two of the same question, each a value and its standard uncertainty.

    They rest on the same readings, so that one does not make the other surer: it is either the one or the other, and
    what they differ by is uncertainty of the answer. The surer one has the odds of the fourth power: an answer that
    leaves all open says little against one that does not.
    """
    odds = [1.0 / max(u, 1e-9) ** 4 for _, u in (a, b)]
    first = odds[0] / sum(odds)
    value = first * a[0] + (1.0 - first) * b[0]
    squares = (u**2 + (x - value) ** 2 for x, u in (a, b))
    return value, math.sqrt(sum(part * square for part, square in zip((first, 1.0 - first), squares, strict=True)))
