"""What readings may lie off the lumps' answer by: noise, a sensor's age, and what lumps leave out of a path."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from verifyrig.analysis.compress import Compressed
from verifyrig.analysis.die_course import joined_covariance
from verifyrig.core.trace import FloatArray

__all__ = ["ANY_PATH", "KNOWN_KIND", "Allowance", "model_covariance", "model_sd_k", "reading_covariance"]

_FLOOR_K = 0.06  # what no average gets below: a sensor's steps do not average out where nothing moves
# What four lumps cannot follow: standard deviation, and how far on a logarithmic scale of time it stays alike.
_MODEL_K, _MODEL_LENGTH = 0.1, 1.0
_TIMING_S = 0.7  # age of a held reading is not known better
# Within which time a change counts, and after which what lumps leave out at first has halved, s.
_CHANGES_WITHIN_S, _AT_FIRST_S = 10.0, 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowance:
    """What readings may lie off the lumps' answer by, beside their noise.

    Attributes:
        model_share: What lumps cannot follow at any time, standard deviation over the whole swing.
        more_at_first: The same right after a change of load, when the masses that a lump takes together part.
        refresh_share: Age of a held reading, standard deviation over the sensor's refresh.
        old_share: What a reading may not show yet within one refresh after a change of load, over what that comes to.
        own_noise_k: Noise of the die's own sensor, K, where the readings are the mean course of several; else 0.
    """

    model_share: float
    more_at_first: float = 0.0
    refresh_share: float = 0.0
    old_share: float = 0.0
    own_noise_k: float = 0.0


ANY_PATH = Allowance(model_share=0.012)
# A processor in its machine, seen on three kinds of simulated paths: a third of that later on, more at first.
KNOWN_KIND = Allowance(model_share=0.004, more_at_first=0.015, refresh_share=0.4, old_share=0.15)


def reading_covariance(data: Compressed, noise_k: float, refresh_s: float, allowed: Allowance = ANY_PATH) -> FloatArray:
    """Return the covariance of the steps' mean readings around the lumps' answer, K², shape (k, k)."""
    fresh = np.maximum(1.0, np.minimum(data.count, data.drive.dt_s / refresh_s))
    timing = math.hypot(_TIMING_S, allowed.refresh_share * refresh_s) * data.slope_k_per_s / np.sqrt(fresh)
    old = allowed.old_share * _change_k(data) * np.exp(-data.since_step_s / refresh_s)
    # Several sensors do not take their steps at the same time.
    floor_k = _FLOOR_K * min(1.0, noise_k / (allowed.own_noise_k or noise_k))
    own = np.diag(noise_k**2 / fresh + floor_k**2 + timing**2 + old**2)
    return own + joined_covariance(data, noise_k, allowed.own_noise_k, fresh) + model_covariance(data, data, allowed)


def _change_k(data: Compressed) -> FloatArray:
    """Return by how much the reading changes within ten seconds of each step's change of load, K, shape (k,)."""
    found = np.zeros(len(data.part))
    read = np.isfinite(data.temp_c)
    for part in np.unique(data.part):
        soon = (data.part == part) & (data.since_step_s <= _CHANGES_WITHIN_S)
        before = np.flatnonzero((data.part < part) & read)
        if (soon & read).any() and len(before):
            found[soon] = np.ptp(np.append(data.temp_c[soon & read], data.temp_c[before[-1]]))
    return found


def model_covariance(data: Compressed, other: Compressed, allowed: Allowance = ANY_PATH) -> FloatArray:
    """Return the covariance of what four lumps cannot follow in two runs of a machine, K², shape (k, l).

    It is alike at times alike on a logarithmic scale after the same change of load, counted from the last one.
    """
    place, other_place = np.log(data.since_step_s + 3.0), np.log(other.since_step_s + 3.0)
    alike = np.exp(-0.5 * ((place[:, None] - other_place[None, :]) / _MODEL_LENGTH) ** 2)
    same_part = (data.part - data.part[-1])[:, None] == (other.part - other.part[-1])[None, :]
    return np.asarray(np.outer(model_sd_k(data, allowed), model_sd_k(other, allowed)) * alike * same_part)


def model_sd_k(data: Compressed, allowed: Allowance) -> FloatArray:
    """Return the standard deviation of what lumps cannot follow in each step, K, shape (k,)."""
    seen = data.temp_c[np.isfinite(data.temp_c)]
    at_first = (data.part > 0) / (1.0 + data.since_step_s / _AT_FIRST_S)
    share = allowed.model_share + allowed.more_at_first * at_first
    return np.hypot(_MODEL_K, share * np.ptp(seen) * ~data.stood)
