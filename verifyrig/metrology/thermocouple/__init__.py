"""Thermocouples: reference functions (ITS-90), their exact inverse, and tolerance classes."""

from verifyrig.metrology.thermocouple.reference import (
    TYPES,
    OutOfRangeError,
    emf_mv,
    temperature_c,
    temperature_range_c,
)
from verifyrig.metrology.thermocouple.tolerance import tolerance_k

__all__ = ["TYPES", "OutOfRangeError", "emf_mv", "temperature_c", "temperature_range_c", "tolerance_k"]
