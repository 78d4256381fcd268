"""Thermocouples: reference functions (ITS-90), their exact inverse, and tolerance classes."""

from .reference import TYPES, OutOfRangeError, emf_mv, temperature_c, temperature_range_c
from .tolerance import tolerance_k

__all__ = ["TYPES", "OutOfRangeError", "emf_mv", "temperature_c", "temperature_range_c", "tolerance_k"]
