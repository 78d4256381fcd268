"""What each case breaks in a healthy machine, with the ranges of the table of machines."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from mock_hw.physics.dice import Dice
from mock_hw.physics.network import steady_state
from mock_hw.physics.parts import MachineParameters, Mistakes, SensorModel

Fault = Callable[[MachineParameters, Dice, dict[str, str]], MachineParameters]

_DEAD_PUMP_LEAST_IDLE_C = 56.0  # "50 °C within minutes is a fault": it must come to more than that while idle
_DEAD_PUMP_OVER_LIMIT_K = 1.0  # and settle at idle no further above its limit than this
_WEDGE_UNEVENNESS = 0.3  # of what a wedge adds, how much the cores under its tight side are spared: assumed, no source


def _with_name(machine: MachineParameters, named: dict[str, str]) -> MachineParameters:
    return replace(machine, case=named["case"], cause=named["cause"])


def _healthy(machine: MachineParameters, _dice: Dice, named: dict[str, str]) -> MachineParameters:
    return _with_name(machine, named)


def _contact(low: float, high: float, unevenness_k_per_w: float) -> Fault:
    """Paste that conducts badly; where it sits unevenly, half of the cores run cooler than the hot corner."""

    def fault(machine: MachineParameters, dice: Dice, named: dict[str, str]) -> MachineParameters:
        return _with_name(_seated(machine, dice.scaled(low, high), unevenness_k_per_w), named)

    return fault


def _seated(machine: MachineParameters, paste_k_per_w: float, unevenness_k_per_w: float) -> MachineParameters:
    """Return the machine with another contact, half of its cores cooler than the hot side by K per W of the package."""
    thermal = replace(machine.thermal, paste_k_per_w=paste_k_per_w)
    offsets = machine.processor.core_offsets_k_per_w
    half = len(offsets) // 2
    tilted = (*offsets[:half], *(offset + unevenness_k_per_w for offset in offsets[half:]))
    return replace(machine, thermal=thermal, processor=replace(machine.processor, core_offsets_k_per_w=tilted))


def _mount_loose(machine: MachineParameters, dice: Dice, named: dict[str, str]) -> MachineParameters:
    """A heat sink whose mount came loose on one side: the paste has become a wedge, thick under the loose edge.

    Drawn is how far the loose edge stands off, over the thickness of the sound layer.
    """
    sound = machine.thermal.paste_k_per_w
    loose = sound * wedge_factor(dice.scaled(20, 36))
    return _with_name(_seated(machine, loose, _WEDGE_UNEVENNESS * (loose - sound)), named)


def wedge_factor(lift: float) -> float:
    """Return how many times more a wedge of paste resists than the even layer it was.

    Args:
        lift: How far one edge has lifted, over the thickness of the even layer; above 0.

    Source: strips in parallel between two plates of one temperature each. The conductance is the integral of
    1 / (1 + lift x) over the width, x from 0 to 1, which is ln(1 + lift) / lift of the even layer's.
    """
    return lift / math.log1p(lift)


def _coolant_slow(machine: MachineParameters, dice: Dice, named: dict[str, str]) -> MachineParameters:
    """A clogged block: the pump may turn as ever, or slower."""
    slower = 1.0 if dice.chance(0.5, typical=True) else dice.even(0.4, 0.8)
    fans = replace(machine.fans, pump_rpm=machine.fans.pump_rpm * slower)
    thermal = replace(machine.thermal, flow_l_per_min=dice.scaled(0.03, 0.12))
    return _with_name(replace(machine, thermal=thermal, fans=fans), named)


def _coolant_stopped(machine: MachineParameters, dice: Dice, named: dict[str, str]) -> MachineParameters:
    """No flow, though the tachometer turns. It does not settle safely at idle, so its story starts on the way up."""
    least_k_per_w = _standing_for(machine, _DEAD_PUMP_LEAST_IDLE_C)
    most_k_per_w = _standing_for(machine, machine.processor.limit_c + _DEAD_PUMP_OVER_LIMIT_K)
    standing = dice.even(least_k_per_w, max(least_k_per_w, most_k_per_w))
    stopped = _stand_still(machine, standing)
    start_c = min(dice.even(44.0, 49.0), steady_state(stopped, 0.0).die_c - 6.0)
    return _with_name(replace(stopped, idle_start_die_c=start_c), named)


def _stand_still(machine: MachineParameters, standing_k_per_w: float) -> MachineParameters:
    thermal = replace(machine.thermal, flow_l_per_min=0.0, standing_k_per_w=standing_k_per_w)
    return replace(machine, thermal=thermal)


def _standing_for(machine: MachineParameters, idle_die_c: float) -> float:
    """Return the standing resistance, within its range of 1.5 to 5 K/W, for which the idle die has a temperature."""
    low, high = 1.5, 5.0
    for _ in range(14):
        middle = (low + high) / 2
        below = steady_state(_stand_still(machine, middle), 0.0).die_c < idle_die_c
        low, high = (middle, high) if below else (low, middle)
    return low


def _fan_stopped(machine: MachineParameters, dice: Dice, named: dict[str, str]) -> MachineParameters:
    thermal = replace(machine.thermal, still_air_factor=dice.scaled(4, 8))
    fans = replace(machine.fans, cpu_fan_stopped=True)
    return _with_name(replace(machine, thermal=thermal, fans=fans), named)


def _radiator_blocked(machine: MachineParameters, dice: Dice, named: dict[str, str]) -> MachineParameters:
    blocked = machine.thermal.sink_to_air_k_per_w * dice.scaled(2, 4)
    return _with_name(replace(machine, thermal=replace(machine.thermal, sink_to_air_k_per_w=blocked)), named)


def _case_choked(machine: MachineParameters, dice: Dice, named: dict[str, str]) -> MachineParameters:
    """The way to the room gets 2 to 4 times as long; the air inside the case takes all of it."""
    thermal = machine.thermal
    whole = thermal.plate_to_next_k_per_w + thermal.sink_to_air_k_per_w
    choked = thermal.case_to_ambient_k_per_w + whole * (dice.scaled(2, 4) - 1)
    return _with_name(replace(machine, thermal=replace(thermal, case_to_ambient_k_per_w=choked)), named)


def _warm_room(machine: MachineParameters, dice: Dice, named: dict[str, str]) -> MachineParameters:
    return _with_name(replace(machine, ambient=replace(machine.ambient, temp_c=dice.even(33, 38))), named)


def _power_limit_off(machine: MachineParameters, dice: Dice, named: dict[str, str]) -> MachineParameters:
    """Firmware that states 4095 W sets no limit at all. Its board can feed that, so only the limit is at fault."""
    processor = replace(
        machine.processor,
        load_w=machine.processor.load_w * dice.scaled(1.7, 2.4),
        long_limit_w=4095.0,
        short_limit_w=4095.0,
    )
    board = machine.board_power
    cooled = board.resistance_k_per_w * machine.processor.load_w / processor.load_w
    strong = replace(board, resistance_k_per_w=cooled, capacity_j_per_k=board.capacity_j_per_k * 2)
    return _with_name(replace(machine, processor=processor, board_power=strong), named)


def _supply_sags(machine: MachineParameters, dice: Dice, named: dict[str, str]) -> MachineParameters:
    """The 12 V rail falls by 5 to 9 % at full load, more at a step, where the supply may switch itself off."""
    load_w = machine.processor.load_w
    supply = replace(
        machine.supply,
        droop_v_per_w=dice.even(0.60, 1.05) / load_w,
        step_droop_v_per_w=dice.even(0.25, 0.60) / load_w,
        trip_power_w=load_w * dice.even(0.70, 1.05),
        trip_probability=dice.even(0.3, 0.9),
    )
    return _with_name(replace(machine, supply=supply), named)


def _vrm_hot(machine: MachineParameters, dice: Dice, named: dict[str, str]) -> MachineParameters:
    """The regulator would settle well above its own limit, minutes into the load."""
    full = steady_state(machine, 1.0)
    board = machine.board_power
    over_case_k = board.pin_c + dice.even(15, 50) - full.temps_c["case"]
    resistance = over_case_k / (board.loss_share * full.power_w)
    cut = dice.even(120, 500) if dice.chance(0.3, typical=False) else math.inf
    seconds = dice.even(120, 300)
    hot = replace(board, resistance_k_per_w=resistance, capacity_j_per_k=seconds / resistance, cut_after_hot_s=cut)
    return _with_name(replace(machine, board_power=hot), named)


def _memory_faulty(machine: MachineParameters, dice: Dice, named: dict[str, str]) -> MachineParameters:
    mistakes = Mistakes(
        error_per_s=1 / dice.scaled(15, 90),
        freeze_per_s=1 / 900 if dice.chance(0.2, typical=False) else 0.0,
        reset_per_s=1 / 900 if dice.chance(0.2, typical=False) else 0.0,
    )
    return _with_name(replace(machine, mistakes=mistakes), named)


def _core_faulty(machine: MachineParameters, dice: Dice, named: dict[str, str]) -> MachineParameters:
    core = dice.one_of(range(machine.processor.cores), typical=2)
    return _with_name(replace(machine, mistakes=Mistakes(error_per_s=1 / dice.scaled(8, 60), faulty_core=core)), named)


def _sensor_stuck(machine: MachineParameters, dice: Dice, named: dict[str, str]) -> MachineParameters:
    """The die's sensors stand at one value, from power-on or from some minute of the run on."""
    value = float(round(dice.even(28, 46)))
    from_s = 0.0 if dice.chance(0.7, typical=True) else dice.even(60, 400)
    return _with_name(
        _each_die_sensor(machine, lambda model: replace(model, stuck_at=value, stuck_from_s=from_s)), named
    )


def _sensor_offset(machine: MachineParameters, dice: Dice, named: dict[str, str]) -> MachineParameters:
    offset = dice.sign() * dice.scaled(8, 35)
    return _with_name(_each_die_sensor(machine, lambda model: replace(model, offset=model.offset + offset)), named)


def _each_die_sensor(machine: MachineParameters, change: Callable[[SensorModel], SensorModel]) -> MachineParameters:
    sensors = {
        channel: change(model) if channel.startswith(("die_", "core_")) else model
        for channel, model in machine.sensors.items()
    }
    return replace(machine, sensors=sensors)


FAULTS: dict[str, Fault] = {
    "healthy-air": _healthy,
    "healthy-liquid": _healthy,
    "paste-dried": _contact(0.12, 0.30, 0.02),
    "paste-absent": _contact(0.35, 0.80, 0.08),
    "film-left-on": _contact(0.40, 0.80, 0.12),
    "mount-loose": _mount_loose,
    "coolant-stopped": _coolant_stopped,
    "coolant-slow": _coolant_slow,
    "fan-stopped": _fan_stopped,
    "radiator-blocked": _radiator_blocked,
    "case-choked": _case_choked,
    "warm-room": _warm_room,
    "power-limit-off": _power_limit_off,
    "supply-sags": _supply_sags,
    "vrm-hot": _vrm_hot,
    "memory-faulty": _memory_faulty,
    "core-faulty": _core_faulty,
    "sensor-stuck": _sensor_stuck,
    "sensor-offset": _sensor_offset,
}
