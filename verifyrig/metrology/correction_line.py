"""The correction line: what is added to a reading, as the bank of sensors does it and a calibration finds it."""

from __future__ import annotations


def line_correction(reading: float, intercept: float, slope: float, at: float) -> float:
    """Return what to add to a reading, in its unit; `intercept` is the correction at a reading of `at`.

    Source: JCGM 100:2008, H.3.1, equation H.12.
    """
    return intercept + slope * (reading - at)
