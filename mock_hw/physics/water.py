"""Density and heat capacity of liquid water at one atmosphere, and what a flow of it carries away."""

from __future__ import annotations

_KELL_NUMERATOR = (999.83952, 16.945176, -7.9870401e-3, -46.170461e-6, 105.56302e-9, -280.54253e-12)
_KELL_DENOMINATOR = 16.879850e-3
# Quartic through IAPWS-95 at 0.101325 MPa, 5 to 95 °C; it leaves that formulation by less than 0.02 %.
_HEAT_CAPACITY = (4216.38524, -2.67413809, 6.51741675e-2, -6.43714047e-4, 2.60116619e-6)


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    value = 0.0
    for coefficient in reversed(coefficients):
        value = value * x + coefficient
    return value


def density_kg_per_m3(temp_c: float) -> float:
    """Return the density of water between 0 and 100 °C, kg/m³.

    Source: G. S. Kell, J. Chem. Eng. Data 20 (1975) 97, formula from memory, checked against IAPWS-95.
    """
    return _polynomial(_KELL_NUMERATOR, temp_c) / (1 + _KELL_DENOMINATOR * temp_c)


def heat_capacity_j_per_kg_k(temp_c: float) -> float:
    """Return the isobaric heat capacity of water between 5 and 95 °C, J/(kg K)."""
    return _polynomial(_HEAT_CAPACITY, temp_c)


def flow_w_per_k(flow_l_per_min: float, temp_c: float = 30.0) -> float:
    """Return the heat that a flow of water carries per kelvin of its warming, W/K (about 69.4 at 1 L/min)."""
    litres_per_m3, seconds_per_min = 1000.0, 60.0
    per_litre = density_kg_per_m3(temp_c) * heat_capacity_j_per_kg_k(temp_c) / litres_per_m3
    return flow_l_per_min * per_litre / seconds_per_min
