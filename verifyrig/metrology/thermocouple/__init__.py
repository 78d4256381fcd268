"""Thermocouples: reference functions (ITS-90), and their exact inverse."""

from verifyrig.metrology.thermocouple.reference import (
    TYPES,
    OutOfRangeError,
    emf_mv,
    temperature_c,
    temperature_range_c,
)

__all__ = ["TYPES", "OutOfRangeError", "emf_mv", "temperature_c", "temperature_range_c"]
