"""Coolant flow from the heat it carries: P = mass flow × heat capacity × difference of the two hoses."""

from __future__ import annotations

import bisect

__all__ = ["flow_l_per_min", "heat_per_litre_j_per_k"]

# Density, kg/m³, and isobaric heat capacity, J/(kg K), of water at 0.101325 MPa.
# Source: IAPWS R6-95 (IAPWS-95), computed with two independent libraries that agree in all digits given.
_TEMP_C = (20.0, 25.0, 30.0, 40.0, 50.0, 60.0)
_DENSITY = (998.207, 997.048, 995.650, 992.216, 988.035, 983.196)
_HEAT = (4184.1, 4181.3, 4179.8, 4179.4, 4181.3, 4185.0)


def heat_per_litre_j_per_k(temp_c: float = 30.0) -> float:
    """Return the heat that warms one litre of water by one kelvin, J/K; temperatures beyond 20 to 60 °C are clipped."""
    temp_c = min(max(temp_c, _TEMP_C[0]), _TEMP_C[-1])
    at = min(max(bisect.bisect_right(_TEMP_C, temp_c), 1), len(_TEMP_C) - 1)
    part = (temp_c - _TEMP_C[at - 1]) / (_TEMP_C[at] - _TEMP_C[at - 1])
    density = _DENSITY[at - 1] + part * (_DENSITY[at] - _DENSITY[at - 1])
    heat = _HEAT[at - 1] + part * (_HEAT[at] - _HEAT[at - 1])
    return density * heat / 1000.0


def flow_l_per_min(power_w: float, difference_k: float, temp_c: float = 30.0) -> float:
    """Return the flow of water that carries a power with a difference between both hoses, L/min.

    A coolant of a third glycol carries about a tenth less for each litre, so its flow is a tenth more.

    Raises:
        ValueError: The difference is not above 0.
    """
    if not difference_k > 0:
        raise ValueError(f"the hoses must differ by more than 0 K, got {difference_k}")
    return 60.0 * power_w / (difference_k * heat_per_litre_j_per_k(temp_c))
