"""The simulated thermal network against scipy.signal, closed forms and a published worked example."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from mock_hw.physics.machine import SimulatedMachine
from mock_hw.physics.network import FAN_LEVELS, ThermalNetwork, steady_state, true_impedance
from mock_hw.physics.parameters import draw
from mock_hw.physics.parts import MachineParameters, ThermalPath

COOLED = [("healthy-air", 3), ("healthy-liquid", 3), ("coolant-stopped", 5), ("case-choked", 2)]


def state_space(network: ThermalNetwork, cpu_share: float, case_share: float) -> Any:
    """The same network as scipy writes it: inputs die power, case power, room; outputs all nodes."""
    signal = pytest.importorskip("scipy.signal")
    size = len(network.nodes)
    inputs = np.zeros((size, 3))
    inputs[0, 0] = inputs[-1, 1] = 1.0
    inputs[-1, 2] = network.ambient_w_per_k(case_share)
    per_heat = 1 / network.capacities_j_per_k[:, None]
    conductance = network.conductance_matrix(cpu_share, case_share)
    return signal.StateSpace(-per_heat * conductance, per_heat * inputs, np.eye(size), np.zeros((size, 3)))


@pytest.mark.parametrize(("case", "seed"), COOLED)
def test_steps_of_constant_power_agree_with_scipy_lsim(case: str, seed: int) -> None:
    signal = pytest.importorskip("scipy.signal")
    network = ThermalNetwork(draw(case, seed).thermal)
    rng = np.random.default_rng(7)
    dt_s, count = 0.25, 400
    inputs = np.column_stack([rng.uniform(5, 180, count), np.full(count, 25.0), np.full(count, 22.0)])
    start_c = np.linspace(40, 23, len(network.nodes))
    # Without interpolation lsim holds each input over the step that follows it: the same piecewise constant power.
    _, expected_c, _ = signal.lsim(
        state_space(network, 0.6, 0.6), inputs, np.arange(count) * dt_s, X0=start_c, interp=False
    )
    step = network.propagator(60, 60, round(dt_s * 1e6))
    temps_c = start_c
    for row in range(count - 1):
        temps_c = step.matrix @ np.concatenate([temps_c, inputs[row]])
        np.testing.assert_allclose(temps_c, expected_c[row + 1], atol=1e-7)


@pytest.mark.parametrize(("case", "seed"), COOLED)
def test_the_step_response_agrees_with_scipy_step(case: str, seed: int) -> None:
    signal = pytest.importorskip("scipy.signal")
    machine = draw(case, seed)
    network = ThermalNetwork(machine.thermal)
    times_s = np.linspace(0, 900, 181)
    # Fan speeds are rounded to the network's levels, so both are asked at a whole level.
    system = state_space(network, 0.4, 0.4)
    single = signal.StateSpace(system.A, system.B[:, :1], system.C[:1], system.D[:1, :1])
    _, expected = signal.step(single, T=times_s)
    impedance = true_impedance(machine, times_s, fan_share=0.4)
    np.testing.assert_allclose(impedance, expected, atol=1e-8)


TINY_K_PER_W = 1e-7


def almost_one_node(sink_k_per_w: float) -> ThermalPath:
    """All heat capacity sits close together, behind one resistance to a room of practically no resistance."""
    return replace(
        draw("healthy-air", 0).thermal,
        die_to_lid_k_per_w=TINY_K_PER_W,
        paste_k_per_w=TINY_K_PER_W,
        plate_to_next_k_per_w=TINY_K_PER_W,
        sink_to_air_k_per_w=sink_k_per_w,
        case_to_ambient_k_per_w=TINY_K_PER_W,
        case_j_per_k=1.0,
    )


@pytest.mark.parametrize("t_s", [1.0, 10.0, 60.0, 300.0, 3000.0])
def test_one_node_warms_as_the_closed_form_says(t_s: float) -> None:
    # Lumped capacitance: rise = P R (1 - exp(-t / (R C))). The four other links may add theirs, 4e-7 in all.
    resistance = 0.25
    path = almost_one_node(resistance)
    capacity = path.die_j_per_k + path.lid_j_per_k + path.plate_j_per_k + path.sink_j_per_k
    expected = resistance * (1 - np.exp(-t_s / (resistance * capacity)))
    network = ThermalNetwork(path)
    assert network.die_impedance(np.array(t_s), 1.0, 1.0) == pytest.approx(expected, abs=5 * TINY_K_PER_W)


@pytest.mark.parametrize("case", ["healthy-air", "healthy-liquid"])
def test_no_energy_is_lost_or_made_in_a_closed_box(case: str) -> None:
    path = replace(draw(case, 4).thermal, case_to_ambient_k_per_w=1e12)
    network = ThermalNetwork(path)
    step = network.propagator(50, 50, 250_000)
    temps_c = np.full(len(network.nodes), 22.0)
    start_j = network.capacities_j_per_k @ temps_c
    given_j = 0.0
    for power_w in np.linspace(10, 150, 300):
        temps_c = step.matrix @ np.concatenate([temps_c, [power_w, 20.0, 22.0]])
        given_j += (power_w + 20.0) * 0.25
    assert network.capacities_j_per_k @ temps_c - start_j == pytest.approx(given_j, rel=1e-9)


@pytest.mark.parametrize("case", ["healthy-air", "healthy-liquid", "fan-stopped", "coolant-slow", "film-left-on"])
def test_all_power_leaves_for_the_room_in_steady_state(case: str) -> None:
    machine = draw(case, 0)
    steady = steady_state(machine, 0.4)
    to_room = ThermalNetwork(machine.thermal).ambient_w_per_k(steady.fan_share)
    out_w = (steady.temps_c["case"] - steady.temps_c["room"]) * to_room
    assert out_w == pytest.approx(steady.power_w + machine.thermal.board_power_w, rel=1e-9)


def test_the_steady_state_agrees_with_resistances_in_a_row() -> None:
    machine = draw("healthy-air", 6)
    path = machine.thermal
    steady = steady_state(machine, 1.0, fan_share=1.0)
    in_a_row = path.die_to_lid_k_per_w + path.paste_k_per_w + path.plate_to_next_k_per_w + path.sink_to_air_k_per_w
    assert steady.die_c - steady.temps_c["case"] == pytest.approx(in_a_row * steady.power_w, rel=1e-9)


def test_a_published_cooler_gives_its_published_case_temperature() -> None:
    # Thermal and mechanical design guidelines for the QX9770 (LGA775), 3.1.1: T_C = 67 °C at 100 W over air of 38 °C;
    # psi_CA = 0.29 = psi_CS 0.10 (interface) + psi_SA 0.19 (sink), °C/W.
    machine = draw("healthy-air", 0)
    path = replace(
        machine.thermal,
        paste_k_per_w=0.10,
        plate_to_next_k_per_w=0.05,
        sink_to_air_k_per_w=0.14,
        case_to_ambient_k_per_w=1e-9,
    )
    cpu = replace(machine.processor, load_w=100.0, leakage_per_k=0.0, limit_c=150.0)
    steady = steady_state(replace(machine, thermal=path, processor=cpu), 1.0, ambient_c=38.0, fan_share=1.0)
    assert steady.power_w == pytest.approx(100.0)
    assert steady.temps_c["lid"] == pytest.approx(67.0, abs=1e-3)


@pytest.mark.parametrize("case", ["healthy-air", "healthy-liquid", "radiator-blocked", "paste-dried", "fan-stopped"])
def test_a_long_run_ends_where_the_steady_state_says(case: str) -> None:
    parameters = still_room(draw(case, 0))
    machine = SimulatedMachine(parameters, seed=0)
    for _ in range(5000):
        machine.advance(1.0, 1.0)
    # Fan speeds move in steps of 1 %, worth about a tenth of a kelvin each.
    assert machine.die_c == pytest.approx(steady_state(parameters).die_c, abs=0.3)


def still_room(parameters: MachineParameters) -> MachineParameters:
    return replace(parameters, ambient=replace(parameters.ambient, drift_k=0.0))


def test_how_time_is_cut_into_steps_does_not_matter() -> None:
    parameters = still_room(draw("healthy-liquid", 2))
    ends_c = []
    for dt_s in (0.05, 0.1, 0.25):
        machine = SimulatedMachine(parameters, seed=0)
        for _ in range(round(60 / dt_s)):
            machine.advance(dt_s, 1.0)
        ends_c.append(machine.die_c)
        assert machine.elapsed_s == pytest.approx(60.0, abs=1e-9)
    # Heat is exact; what is left is the fan's lag and the leakage, both held over a step.
    assert max(ends_c) - min(ends_c) < 0.1


def test_impedance_rises_with_time_and_falls_with_air() -> None:
    machine = draw("healthy-air", 8)
    times_s = np.array([0.1, 1.0, 5.0, 60.0, 600.0, 6000.0])
    slow, fast = (true_impedance(machine, times_s, fan_share=share) for share in (0.3, 1.0))
    assert np.all(np.diff(slow) > 0)
    assert np.all(fast <= slow + 1e-12)
    assert true_impedance(machine, 60.0) == pytest.approx(
        true_impedance(machine, np.array([60.0]), fan_share=round(machine.fans.low_share * FAN_LEVELS) / FAN_LEVELS)[0]
    )
