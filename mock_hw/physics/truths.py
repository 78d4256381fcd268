"""The true value behind every sensor of a simulated machine."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from mock_hw.physics.cooling import FanRegulator
from mock_hw.physics.parts import MachineParameters
from mock_hw.physics.regulator import Regulator
from mock_hw.physics.sensing import SECOND_DIE, core_channel
from mock_hw.physics.supply import PowerSupply
from mock_hw.physics.thermal_state import ThermalState

_IDLE_CORE_COOLER_K_PER_W = 0.04  # a core with nothing to do, below the same core at work
_BOARD_OVER_CASE_K = 3.0
_DRIVE_OVER_CASE_K = 10.0


class Inside(Protocol):
    """What sensors may look at inside a simulated machine."""

    parameters: MachineParameters
    thermal: ThermalState
    fans: FanRegulator
    supply: PowerSupply
    regulator: Regulator
    busy_cores: Sequence[int] | None
    die_c: float
    second_die_c: float
    case_c: float
    power_w: float

    @property
    def is_on(self) -> bool:
        """Whether it has power and runs."""
        ...

    @property
    def ambient_c(self) -> float:
        """The true room temperature, °C."""
        ...


def truths(machine: Inside) -> dict[str, float]:
    """Return channel to true value for every channel that any machine may have a sensor for."""
    thermal, fans, supply = machine.thermal, machine.fans, machine.supply
    on = machine.is_on
    plate_c, case_c = thermal.temps[2], machine.case_c
    return {
        "die_temp_c": machine.die_c,
        **_cores(machine),
        SECOND_DIE: machine.second_die_c,
        "plate_temp_c": plate_c,
        "coolant_temp_c": thermal.temp_c("coolant"),
        "radiator_temp_c": thermal.temp_c("radiator"),
        "hose_in_temp_c": thermal.temp_c("coolant"),
        "hose_out_temp_c": thermal.hose_out_c,
        "ambient_temp_c": machine.ambient_c,
        "inlet_temp_c": case_c,
        "exhaust_temp_c": case_c,
        "board_temp_c": case_c + _BOARD_OVER_CASE_K,
        "vrm_temp_c": machine.regulator.temp_c,
        "drive_temp_c": case_c + _DRIVE_OVER_CASE_K,
        "cpu_fan_speed_rpm": fans.cpu_fan_rpm,
        "case_fan_speed_rpm": fans.case_fan_rpm,
        "pump_speed_rpm": machine.parameters.fans.pump_rpm if on else 0.0,
        "rail_12v_v": supply.rail_12v_v if on else 0.0,
        "rail_5v_v": supply.rail_5v_v if on else 0.0,
        "rail_3v3_v": supply.rail_3v3_v if on else 0.0,
    }


def _cores(machine: Inside) -> dict[str, float]:
    """Return each core's temperature: below the die's hottest point, more so where it has nothing to do."""
    power_w, die_c, busy = machine.power_w, machine.die_c, machine.busy_cores
    return {
        core_channel(core): die_c
        - power_w * (below + (_IDLE_CORE_COOLER_K_PER_W if busy is not None and core not in busy else 0.0))
        for core, below in enumerate(machine.parameters.processor.core_offsets_k_per_w)
    }
