"""Water of the simulated coolant loop against two independent implementations of its properties."""

from __future__ import annotations

import pytest

from mock_hw.physics import water

TEMPS_C = [10, 20, 25, 30, 40, 50, 60, 80, 90]
ONE_ATMOSPHERE_MPA = 0.101325
# IAPWS-95 and IF97 differ from one another by up to 0.05 % in heat capacity, so nothing finer can be asked.
RELATIVE = 1e-3


@pytest.mark.parametrize("temp_c", TEMPS_C)
def test_water_agrees_with_iapws_95_and_if97(temp_c: float) -> None:
    iapws = pytest.importorskip("iapws")
    for formulation in (iapws.IAPWS95, iapws.IAPWS97):
        reference = formulation(T=temp_c + 273.15, P=ONE_ATMOSPHERE_MPA)
        assert water.density_kg_per_m3(temp_c) == pytest.approx(reference.rho, rel=RELATIVE)
        assert water.heat_capacity_j_per_kg_k(temp_c) == pytest.approx(1000 * reference.cp, rel=RELATIVE)


@pytest.mark.parametrize("temp_c", TEMPS_C)
def test_water_agrees_with_coolprop(temp_c: float) -> None:
    properties = pytest.importorskip("CoolProp.CoolProp").PropsSI
    state = ("T", temp_c + 273.15, "P", ONE_ATMOSPHERE_MPA * 1e6, "Water")
    assert water.density_kg_per_m3(temp_c) == pytest.approx(properties("D", *state), rel=RELATIVE)
    assert water.heat_capacity_j_per_kg_k(temp_c) == pytest.approx(properties("C", *state), rel=RELATIVE)


def test_a_litre_a_minute_carries_the_heat_of_the_published_balance() -> None:
    # P = rho V' cp dT for water at 25 °C and 1 L/min: 69.5 W/K, so 100 W warm it by 1.44 K (IAPWS-95, computed).
    assert water.flow_w_per_k(1.0, 25.0) == pytest.approx(69.5, abs=0.05)
    assert 100 / water.flow_w_per_k(1.0, 25.0) == pytest.approx(1.44, abs=0.005)
    assert water.flow_w_per_k(0.1, 25.0) == pytest.approx(6.95, abs=0.005)
