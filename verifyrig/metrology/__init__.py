"""Uncertainty, verdicts against limits, calibration and thermocouples."""
