"""Runs of simulated machines for the forecast benchmarks: idle, then a steady full load, and where that truly ends."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

import numpy as np

from mock_hw.physics.machine import SimulatedMachine
from mock_hw.physics.network import ThermalNetwork, steady_state
from mock_hw.physics.parameters import MachineParameters, draw
from verifyrig.core.trace import FloatArray

IDLE_S, LOAD_S = 150, 1200
# Cases without a settled value to forecast: no load is reached, the reading never moves, or clocks swing for ever.
LEFT_OUT = ("coolant-stopped", "sensor-stuck", "vrm-hot")
USUAL_TRIP_C, BELOW_LIMIT_K = 95.0, 3.0
# The forecast's constants were chosen by looking at machines of small seeds: what is measured here must be others.
FIRST_SEED = 1001


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One recorded run.

    Attributes:
        rows: Time, die reading, power reading, fan speed, room reading and share, as of `StageForecaster.forecast`,
            and what its further sensors of the die read; shape (n, 6 + m).
        fan_duty: What the cooler's fan is commanded, 0 to 1 in 255 steps, shape (n,).
        true_ambient_c: The room, shape (n,).
        slowest_s: True slowest time constant of the network at its final fan speed, s.
    """

    case: str
    seed: int
    machine: MachineParameters
    rows: FloatArray
    fan_duty: FloatArray
    true_ambient_c: FloatArray
    slowest_s: float

    def end_c(self, at: int = -1) -> float:
        """What the die's sensor would show for ever in the room as of a sample, without noise and steps, °C."""
        sensor = self.machine.sensors["die_temp_c"]
        ambient_c = float(self.true_ambient_c[at])
        return min(steady_state(self.machine, 1.0, ambient_c=ambient_c).die_c + sensor.offset, sensor.high)


def record(case: str, seed: int, machine: MachineParameters | None = None) -> Run | None:
    """Run one machine; None where it went off or its reading crossed the usual trip limit: no load is completed."""
    parameters = machine or draw(case, seed)
    trip_c = min(USUAL_TRIP_C, parameters.processor.limit_c - BELOW_LIMIT_K)
    simulated = SimulatedMachine(parameters, seed=seed)
    cores = die_sensors(parameters)[1:]
    rows, fan_duty, true_ambient_c = [], [], []
    for second in range(1, IDLE_S + LOAD_S + 1):
        share = 0.0 if second <= IDLE_S else 1.0
        simulated.advance(1.0, share)
        readings = simulated.readings
        if simulated.power_state != "on" or readings["die_temp_c"] >= trip_c:
            return None
        rows.append(
            (
                float(second),
                readings["die_temp_c"],
                simulated.power_w * parameters.power_gain,
                readings["cpu_fan_speed_rpm"],
                readings["ambient_temp_c"],
                share,
                *(readings[core] for core in cores),
            )
        )
        fan_duty.append(round(255 * simulated.fans.duty_share) / 255)
        true_ambient_c.append(simulated.ambient_c)
    return Run(
        case=case,
        seed=seed,
        machine=parameters,
        rows=np.array(rows),
        fan_duty=np.array(fan_duty),
        true_ambient_c=np.array(true_ambient_c),
        slowest_s=slowest_s(parameters),
    )


def die_sensors(machine: MachineParameters) -> list[str]:
    """Return the die's sensors that the machine's driver shows, its own first: one driver shows two in all."""
    channels = [name for name in machine.sensors if name.startswith(("die_", "core_"))]
    return channels[:2] if machine.processor.driver == "k10temp" else channels[: 1 + machine.processor.cores]


def slowest_s(machine: MachineParameters) -> float:
    """Return the slowest time constant at the fan speed where the machine settles under full load, s."""
    end = steady_state(machine, 1.0)
    network = ThermalNetwork(machine.thermal)
    root = np.sqrt(network.capacities_j_per_k)
    cpu = 0.0 if machine.fans.cpu_fan_stopped else end.fan_share
    stiffness = network.conductance_matrix(cpu, end.fan_share) / np.outer(root, root)
    return float(1.0 / np.linalg.eigvalsh(stiffness)[0])


def outside(case: str, seed: int) -> MachineParameters:
    """Return a machine of a case with several parameters outside the ranges that machines are drawn from."""
    dice = random.Random(f"outside/{case}/{seed}")
    machine = draw(case, seed)

    def beyond(value: float, low: float, high: float) -> float:
        """Put it above the range or below it, by up to half."""
        factor = dice.uniform(1.05, 1.5)
        return high * factor if dice.random() < 0.5 else low / factor

    thermal, fans, cpu = machine.thermal, machine.fans, machine.processor
    thermal = replace(
        thermal,
        plate_j_per_k=beyond(thermal.plate_j_per_k, 50, 150),
        sink_j_per_k=beyond(thermal.sink_j_per_k, 200, 700),
        die_to_lid_k_per_w=thermal.die_to_lid_k_per_w * dice.uniform(0.7, 1.4),
        case_to_ambient_k_per_w=thermal.case_to_ambient_k_per_w * dice.uniform(0.5, 2.0),
    )
    fans = replace(
        fans,
        low_share=min(0.8, beyond(fans.low_share, 0.30, 0.50)),
        low_c=fans.low_c + dice.uniform(-8, 8),
        high_c=fans.high_c + dice.uniform(-6, 12),
    )
    cpu = replace(cpu, leakage_per_k=beyond(cpu.leakage_per_k, 0.003, 0.008))
    return replace(machine, thermal=thermal, fans=fans, processor=cpu)


def share_within(errors: list[float], u95: list[float]) -> float:
    """Return the share of errors inside their stated uncertainty; NaN for none."""
    if not errors:
        return math.nan
    return float(np.mean(np.abs(errors) <= np.array(u95)))
