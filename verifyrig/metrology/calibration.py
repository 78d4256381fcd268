"""Calibration of a probe: the correction line with its uncertainty, and what an overdue one is worth.

Whether a point stood still, and how two probes in the same air differ, is in `stability` and offered here too.

Source: JCGM 100:2008 (GUM), H.3. What has no source says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt

from verifyrig.metrology.correction_line import line_correction
from verifyrig.metrology.stability import Match, Stability, check_stability, match_probes
from verifyrig.metrology.uncertainty import Combined, Component, combine

__all__ = [
    "Correction",
    "Match",
    "Stability",
    "check_stability",
    "fit_correction",
    "match_probes",
    "widened_when_overdue",
]

FloatArray = npt.NDArray[np.float64]

# One point gives an offset and nothing of the gain. A hundredth either way covers new thermocouple wire of
# every class (at most 1.5 %, below 0 °C) and Pt100 class C; common practice, no source.
UNKNOWN_GAIN_HALF_WIDTH = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """A straight line of corrections, to be added to a reading.

    Attributes:
        at_c: Reading at which the intercept holds, °C.
        intercept_k: Correction at `at_c`, K.
        slope: Change of the correction with the reading, K/K.
        u_intercept_k: Standard uncertainty of the intercept, K.
        u_slope: Standard uncertainty of the slope, K/K.
        correlation: Between intercept and slope, -1 to 1.
        residual_sd_k: Standard deviation of the corrections about the line, K.
        dof: Degrees of freedom of that figure; infinite where the points' own uncertainty was used.
        u_reference_k: Standard uncertainty common to all points (the reference thermometer's), K.
        residuals_k: Correction minus line at each point, K, in the order given.
        low_c: Lowest calibrated reading, °C.
        high_c: Highest calibrated reading, °C; outside the two the line is extrapolated.
    """

    at_c: float
    intercept_k: float
    slope: float
    u_intercept_k: float
    u_slope: float
    correlation: float
    residual_sd_k: float
    dof: float
    u_reference_k: float
    residuals_k: tuple[float, ...]
    low_c: float
    high_c: float

    def correction_k(self, reading_c: float) -> float:
        """Return what to add to a reading, K."""
        return line_correction(reading_c, self.intercept_k, self.slope, self.at_c)

    def line_uncertainty_k(self, reading_c: float) -> float:
        """Return the standard uncertainty of the correction from the fit alone, K (GUM, equation H.15)."""
        offset_k = reading_c - self.at_c
        cross = 2 * offset_k * self.correlation * self.u_intercept_k * self.u_slope
        return math.sqrt(max(0.0, self.u_intercept_k**2 + (offset_k * self.u_slope) ** 2 + cross))

    def uncertainty(self, reading_c: float, p: float = 0.95) -> Combined:
        """Return the uncertainty of the correction at a reading, with the reference thermometer's share, K."""
        line = Component(name="correction line", standard_uncertainty=self.line_uncertainty_k(reading_c), dof=self.dof)
        reference = Component(name="reference thermometer", standard_uncertainty=self.u_reference_k)
        return combine([line, reference], p)

    def covers(self, reading_c: float) -> bool:
        """Return whether the reading lies between the calibrated points."""
        return self.low_c <= reading_c <= self.high_c


def fit_correction(
    reference_c: Sequence[float] | FloatArray,
    reading_c: Sequence[float] | FloatArray,
    *,
    u_points_k: Sequence[float] | FloatArray | None = None,
    u_reference_k: float = 0.0,
    at_c: float | None = None,
) -> Correction:
    """Return the least-squares line of corrections (reference minus reading) over the reading.

    From three points on the scatter about the line gives the uncertainty, as in the GUM; where the points'
    own uncertainties are given and larger, those count, so that three points that happen to lie well prove
    nothing. Two points, or one (an offset, with an unknown gain allowed for), need `u_points_k`.

    Args:
        reference_c: True temperatures, °C, shape (n,): 0 for an ice bath, or a reference thermometer's.
        reading_c: The probe's mean readings there, °C, shape (n,).
        u_points_k: Standard uncertainty of each point (reading and bath), K, shape (n,).
        u_reference_k: Standard uncertainty that all points share, K.
        at_c: Where to state the intercept, °C; the mean reading if None (then intercept and slope do not
            depend on one another).

    Raises:
        ValueError: The shapes differ, a value is not finite, all readings of several points are equal, or
            fewer than three points come without `u_points_k`.

    Source: JCGM 100:2008, H.3.2 and H.3.3.
    """
    readings_c, corrections_k, points_u_k = _checked_points(reference_c, reading_c, u_points_k)
    centre_c = float(np.mean(readings_c)) if at_c is None else at_c
    if readings_c.size == 1:
        return _offset_only(readings_c, corrections_k, points_u_k, u_reference_k)
    offsets_k = readings_c - centre_c
    slope = _centred_slope(readings_c, corrections_k)
    intercept_k = float(np.mean(corrections_k) - slope * np.mean(offsets_k))
    residuals_k = corrections_k - intercept_k - slope * offsets_k
    sd_k, dof = _scatter(residuals_k, points_u_k)
    n, square_sum = offsets_k.size, float(np.sum(offsets_k**2))
    spread = n * float(np.sum((readings_c - np.mean(readings_c)) ** 2))
    return Correction(
        at_c=centre_c,
        intercept_k=intercept_k,
        slope=slope,
        u_intercept_k=sd_k * math.sqrt(square_sum / spread),
        u_slope=sd_k * math.sqrt(n / spread),
        correlation=-float(np.sum(offsets_k)) / math.sqrt(n * square_sum),
        residual_sd_k=sd_k,
        dof=dof,
        u_reference_k=u_reference_k,
        residuals_k=tuple(float(residual_k) for residual_k in residuals_k),
        low_c=float(readings_c.min()),
        high_c=float(readings_c.max()),
    )


def _checked_points(
    reference_c: Sequence[float] | FloatArray,
    reading_c: Sequence[float] | FloatArray,
    u_points_k: Sequence[float] | FloatArray | None,
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    references_c = np.asarray(reference_c, dtype=np.float64)
    readings_c = np.asarray(reading_c, dtype=np.float64)
    points_u_k = None if u_points_k is None else np.asarray(u_points_k, dtype=np.float64)
    columns = [references_c, readings_c, *([] if points_u_k is None else [points_u_k])]
    if any(column.shape != readings_c.shape for column in columns) or readings_c.ndim != 1:
        raise ValueError(f"the points' columns have shapes {[column.shape for column in columns]}")
    if readings_c.size == 0 or not all(np.isfinite(column).all() for column in columns):
        raise ValueError("a calibration needs at least one point, and only finite values")
    if readings_c.size > 1 and np.ptp(readings_c) == 0:
        raise ValueError(f"all readings are {readings_c[0]:g} °C; a line needs two different temperatures")
    if readings_c.size < 3 and points_u_k is None:
        raise ValueError(f"{readings_c.size} points leave no scatter about a line; give u_points_k")
    return readings_c, references_c - readings_c, points_u_k


def _centred_slope(readings_c: FloatArray, corrections_k: FloatArray) -> float:
    centred_k = readings_c - np.mean(readings_c)
    return float(np.sum(centred_k * (corrections_k - np.mean(corrections_k))) / np.sum(centred_k**2))


def _scatter(residuals_k: FloatArray, points_u_k: FloatArray | None) -> tuple[float, float]:
    """Return the standard deviation about the line, K, and its degrees of freedom."""
    dof = residuals_k.size - 2
    from_fit_k = math.sqrt(float(np.sum(residuals_k**2)) / dof) if dof else 0.0
    own_k = 0.0 if points_u_k is None else math.sqrt(float(np.mean(points_u_k**2)))
    return (own_k, math.inf) if own_k > from_fit_k or not dof else (from_fit_k, float(dof))


def _offset_only(
    readings_c: FloatArray, corrections_k: FloatArray, points_u_k: FloatArray | None, u_reference_k: float
) -> Correction:
    own_k = 0.0 if points_u_k is None else float(points_u_k[0])
    return Correction(
        at_c=float(readings_c[0]),
        intercept_k=float(corrections_k[0]),
        slope=0.0,
        u_intercept_k=own_k,
        u_slope=UNKNOWN_GAIN_HALF_WIDTH / math.sqrt(3),
        correlation=0.0,
        residual_sd_k=own_k,
        dof=math.inf,
        u_reference_k=u_reference_k,
        residuals_k=(0.0,),
        low_c=float(readings_c[0]),
        high_c=float(readings_c[0]),
    )


def widened_when_overdue(u95: float, *, calibrated: date, due: date, today: date) -> float:
    """Return an expanded uncertainty, wider by its own size for every whole interval that the date is overdue.

    A calibration states what held until the due date; what drifts after it is taken to drift on at the same
    pace. Up to the due date nothing changes. Own rule, no source.

    Raises:
        ValueError: `due` is not after `calibrated`.
    """
    interval_days = (due - calibrated).days
    if interval_days <= 0:
        raise ValueError(f"due {due} is not after calibrated {calibrated}")
    overdue_days = max(0, (today - due).days)
    return u95 * (1 + overdue_days / interval_days)
