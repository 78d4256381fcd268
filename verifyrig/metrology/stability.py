"""Series of readings that ought to stand still: a calibration point, two probes in the same air.

Source: JCGM 100:2008 (GUM), 4.2 (means); readings that lean on the last one are counted as fewer (lag-1
autocorrelation, common practice). The limits of what counts as stable are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from verifyrig.metrology.uncertainty import Combined, Component, combine

__all__ = ["Match", "Stability", "check_stability", "match_probes"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stability:
    """Whether a series of readings stood still long enough to be a calibration point.

    Attributes:
        stable: Whether drift and scatter are both known to be within their limits.
        mean_c: Mean reading, °C.
        u_mean_k: Standard uncertainty of the mean, K: scatter, drift left over, resolution.
        drift_k_per_min: Slope of the straight line through the readings, K/min.
        u_drift_k_per_min: Its standard uncertainty, K/min.
        sd_k: Scatter about that line, K.
        n: Number of readings.
        why: What stands in the way, one clause; empty where stable.
    """

    stable: bool
    mean_c: float
    u_mean_k: float
    drift_k_per_min: float
    u_drift_k_per_min: float
    sd_k: float
    n: int
    why: str = ""


def check_stability(
    elapsed_s: Sequence[float] | FloatArray,
    temp_c: Sequence[float] | FloatArray,
    *,
    max_drift_k_per_min: float = 0.05,
    max_sd_k: float = 0.2,
    min_readings: int = 30,
    resolution_k: float = 0.0,
) -> Stability:
    """Return whether a point is stable; the limits are common practice, no source.

    Args:
        elapsed_s: Times of the readings, s, shape (n,), rising.
        temp_c: Readings, °C, shape (n,); NaN (no reading) is left out.
        resolution_k: Smallest step of the instrument, K.
    """
    times_s, temps_c = np.asarray(elapsed_s, dtype=np.float64), np.asarray(temp_c, dtype=np.float64)
    if times_s.shape != temps_c.shape:
        raise ValueError(f"elapsed_s has shape {times_s.shape}, temp_c {temps_c.shape}")
    read = np.isfinite(temps_c)
    times_s, temps_c = times_s[read], temps_c[read]
    if temps_c.size < max(3, min_readings):
        why = f"{temps_c.size} readings so far, {max(3, min_readings)} needed"
        return _too_few(temps_c, why)
    slope, u_slope, sd_k, u_mean_k = _line_with_memory(times_s, temps_c)
    drift, u_drift = 60 * slope, 60 * u_slope
    leftover_k = abs(slope) * float(np.ptp(times_s)) / math.sqrt(12)
    why = ""
    if abs(drift) + 2 * u_drift > max_drift_k_per_min:
        why = f"drift {drift:+.3f} ± {2 * u_drift:.3f} K/min, allowed {max_drift_k_per_min:g} K/min"
    elif sd_k > max_sd_k:
        why = f"scatter {sd_k:.3f} K, allowed {max_sd_k:g} K"
    return Stability(
        stable=not why,
        mean_c=float(np.mean(temps_c)),
        u_mean_k=math.hypot(u_mean_k, leftover_k, resolution_k / math.sqrt(12)),
        drift_k_per_min=drift,
        u_drift_k_per_min=u_drift,
        sd_k=sd_k,
        n=int(temps_c.size),
        why=why,
    )


def _too_few(temps_c: FloatArray, why: str) -> Stability:
    return Stability(
        stable=False,
        mean_c=float(np.mean(temps_c)) if temps_c.size else math.nan,
        u_mean_k=math.inf,
        drift_k_per_min=0.0,
        u_drift_k_per_min=math.inf,
        sd_k=math.nan,
        n=int(temps_c.size),
        why=why,
    )


def _line_with_memory(times_s: FloatArray, temps_c: FloatArray) -> tuple[float, float, float, float]:
    """Return slope K/s, its u, scatter K and u of the mean K, widened where a reading leans on the last one."""
    centred_s = times_s - np.mean(times_s)
    square_sum = float(np.sum(centred_s**2))
    slope = float(np.sum(centred_s * temps_c)) / square_sum
    residuals_k = temps_c - np.mean(temps_c) - slope * centred_s
    sd_k = math.sqrt(float(np.sum(residuals_k**2)) / (temps_c.size - 2))
    widening = _memory_factor(residuals_k)
    return slope, widening * sd_k / math.sqrt(square_sum), sd_k, widening * sd_k / math.sqrt(temps_c.size)


def _memory_factor(residuals_k: FloatArray) -> float:
    """Return sqrt((1 + r)/(1 - r)) for lag-1 autocorrelation r: the factor on u of a mean of such readings."""
    total = float(np.sum(residuals_k**2))
    if total == 0.0:
        return 1.0
    lag_1 = float(np.sum(residuals_k[1:] * residuals_k[:-1])) / total
    lag_1 = min(max(lag_1, 0.0), 0.99)
    return math.sqrt((1 + lag_1) / (1 - lag_1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """The difference of two probes that stood in the same air.

    Attributes:
        difference_k: First minus second, K.
        uncertainty: Its budget's foot, K.
        n: Number of pairs.
    """

    difference_k: float
    uncertainty: Combined
    n: int

    @property
    def differs(self) -> bool:
        """Whether the difference is larger than its expanded uncertainty."""
        return abs(self.difference_k) > self.uncertainty.expanded_uncertainty


def match_probes(
    first_c: Sequence[float] | FloatArray,
    second_c: Sequence[float] | FloatArray,
    *,
    place_half_width_k: float = 0.1,
    resolution_k: float = 0.0,
) -> Match:
    """Return the difference of two probes in the same air, read in pairs at the same times.

    Args:
        first_c: Readings of one probe, °C, shape (n,); a pair with NaN in it is left out.
        second_c: Readings of the other at the same times, °C, shape (n,).
        place_half_width_k: How far two places a finger's breadth apart may differ in still air, K (common
            practice, no source; 0 in a stirred bath).
        resolution_k: Smallest step of each instrument, K.

    Raises:
        ValueError: The shapes differ, or fewer than 3 whole pairs are left.
    """
    ones_c, others_c = np.asarray(first_c, dtype=np.float64), np.asarray(second_c, dtype=np.float64)
    if ones_c.shape != others_c.shape:
        raise ValueError(f"first_c has shape {ones_c.shape}, second_c {others_c.shape}")
    differences_k = (ones_c - others_c)[np.isfinite(ones_c) & np.isfinite(others_c)]
    n = int(differences_k.size)
    if n < 3:
        raise ValueError(f"{n} whole pairs of readings; a match needs at least 3")
    mean_k = float(np.mean(differences_k))
    sd_k, widening = float(np.std(differences_k, ddof=1)), _memory_factor(differences_k - mean_k)
    lines = [
        # Correlated readings also say less of the scatter itself.
        Component(
            name="scatter",
            standard_uncertainty=widening * sd_k / math.sqrt(n),
            dof=max(1.0, (n - 1) / widening**2),
        ),
        # Taken as normal: the expanded uncertainty is kept alone, and halved by whoever uses it.
        Component(name="place", standard_uncertainty=place_half_width_k / math.sqrt(3)),
        Component(name="resolution", standard_uncertainty=resolution_k / math.sqrt(12), sensitivity=math.sqrt(2)),
    ]
    return Match(difference_k=mean_k, uncertainty=combine(lines), n=n)
