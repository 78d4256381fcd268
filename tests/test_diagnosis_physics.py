"""The diagnosis' own physics: heat model, water, and what sound machines show, against sources outside."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import expm

from verifyrig.diagnosis.draws import sound
from verifyrig.diagnosis.explain import normal_range
from verifyrig.diagnosis.heat_model import run_course
from verifyrig.diagnosis.water import flow_l_per_min, heat_per_litre_j_per_k

# Density, kg/m³, and heat capacity, J/(kg K), of water at 0.101325 MPa: IAPWS R6-95, computed with two libraries.
WATER = [(20.0, 998.207, 4184.1), (30.0, 995.650, 4179.8), (40.0, 992.216, 4179.4), (60.0, 983.196, 4185.0)]


@pytest.mark.parametrize(("temp_c", "density", "heat"), WATER)
def test_flow_from_the_hoses_agrees_with_water_tables(temp_c: float, density: float, heat: float) -> None:
    # 1 L/min carries density × heat / 60000 W for each kelvin.
    watts_per_k = density * heat / 60000.0
    assert flow_l_per_min(120.0, 120.0 / watts_per_k, temp_c) == pytest.approx(1.0, rel=1e-4)


@pytest.mark.parametrize("temp_c", [22.5, 27.0, 35.0, 45.0, 57.0])
def test_heat_of_a_litre_between_the_rows_agrees_with_if97(temp_c: float) -> None:
    iapws = pytest.importorskip("iapws")
    water = iapws.IAPWS97(T=temp_c + 273.15, P=0.101325)
    # The industrial formulation differs from IAPWS-95 by up to 0.05 %; straight lines between rows add less than that.
    assert heat_per_litre_j_per_k(temp_c) == pytest.approx(water.rho * water.cp, rel=1e-3)


def test_hoses_that_do_not_differ_give_no_flow() -> None:
    with pytest.raises(ValueError, match="more than 0 K"):
        flow_l_per_min(100.0, 0.0)


def test_the_heat_model_follows_the_matrix_exponential() -> None:
    # With a steady fan and no leakage the chain is linear: T(t) = T_end + exp(A t) (T_0 - T_end), scipy.linalg.expm.
    machines = sound(3, "liquid", np.random.default_rng(3))
    machines = replace(
        machines,
        leakage_per_k=np.zeros(3),
        low_share=np.ones(3),
        limit_c=np.full(3, 500.0),
    )
    course = run_course(machines)
    for n in range(3):
        a, b = _chain(machines, n)
        end = -np.linalg.solve(a, b * machines.load_w[n] + _ground(machines, n))
        for place in (8, 33, len(course.t_s) - 1):
            exact = end + expm(a * course.t_s[place]) @ (course.idle_c[:, n] - end)
            # Implicit steps of 0.25 to 20 s lag the exact course by up to half a step: 3 % of the rise.
            rise_k = float(exact[0] - course.idle_c[0, n])
            assert course.temps_c[place, 0, n] == pytest.approx(exact[0], abs=0.03 * rise_k)


def _chain(m: object, n: int) -> tuple[np.ndarray, np.ndarray]:
    links = [1 / getattr(m, name)[n] for name in ("die_k_per_w", "contact_k_per_w", "flow_k_per_w", "carry_k_per_w")]
    links += [1 / m.sink_k_per_w[n]]  # type: ignore[attr-defined]
    k = np.zeros((6, 6))
    for i, w in enumerate(links):
        k[i : i + 2, i : i + 2] += [[w, -w], [-w, w]]
    k[5, 5] += 1 / m.case_k_per_w[n]  # type: ignore[attr-defined]
    c = m.capacity_j_per_k[:, n]  # type: ignore[attr-defined]
    return -k / c[:, None], np.array([1.0, 0, 0, 0, 0, 0]) / c


def _ground(m: object, n: int) -> np.ndarray:
    source = np.zeros(6)
    source[5] = m.board_w[n] + m.ambient_c[n] / m.case_k_per_w[n]  # type: ignore[attr-defined]
    return np.asarray(source / m.capacity_j_per_k[:, n])  # type: ignore[attr-defined]


def test_sound_air_coolers_cover_the_published_heat_pipe_towers() -> None:
    # Heat-pipe towers as a whole: 0.11 to 0.19 K/W, plate to air (published tests of such coolers).
    machines = sound(4000, "air", np.random.default_rng(0))
    whole = machines.flow_k_per_w + machines.carry_k_per_w + machines.sink_k_per_w
    low, high = np.quantile(whole, [0.15, 0.85])
    assert low < 0.12
    assert high > 0.17


def test_sound_machines_lie_around_the_makers_worked_examples() -> None:
    # psi_CA of 0.27 and 0.29 K/W (case to air) in two processor makers' guidelines; die to lid, another 0.07 to 0.20
    # (common practice, no source), comes on top: 0.34 to 0.49 at the outside, a good desktop cooler somewhat less.
    low, high = normal_range("load_rise", "air") or (0.0, 0.0)
    assert 0.20 < low < 0.34
    assert 0.36 < high < 0.50


def test_a_healthy_loop_keeps_its_hoses_one_to_three_kelvin_apart_at_100_w() -> None:
    # 1 to 3 K at 100 W: common practice, no source; P = mass flow × heat × difference.
    low, high = normal_range("coolant_flow", "liquid") or (0.0, 0.0)
    assert 1.0 > 60 * 100 / (high * heat_per_litre_j_per_k()) > 0.5
    assert 3.5 > 60 * 100 / (low * heat_per_litre_j_per_k()) > 1.5
