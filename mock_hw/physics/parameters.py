"""Drawing machines at random: the healthy ranges, and what makes a machine healthy.

The same seed and cooler give the same machine under every case: a faulty case takes the healthy machine of its
seed and breaks one thing. So a repair can be shown by drawing the healthy case of the same seed.
"""

from __future__ import annotations

import math
from dataclasses import replace

from mock_hw.physics.dice import Dice
from mock_hw.physics.faults import FAULTS
from mock_hw.physics.network import steady_state, true_impedance
from mock_hw.physics.parts import (
    AmbientAir,
    BoardPower,
    Cooler,
    Fans,
    MachineParameters,
    Mistakes,
    Processor,
    Supply,
    ThermalPath,
)
from mock_hw.physics.sensing import draw_sensors, second_die_sensors

__all__ = ["CASES", "MachineParameters", "draw", "is_healthy", "with_second_die"]

CASES: dict[str, str] = {
    "healthy-air": "none",
    "healthy-liquid": "none",
    "paste-dried": "contact",
    "paste-absent": "contact",
    "film-left-on": "contact",
    "mount-loose": "contact",
    "coolant-stopped": "coolant-flow",
    "coolant-slow": "coolant-flow",
    "fan-stopped": "airflow",
    "radiator-blocked": "airflow",
    "case-choked": "airflow",
    "warm-room": "warm-room",
    "power-limit-off": "firmware-limit",
    "supply-sags": "supply",
    "vrm-hot": "board-power",
    "memory-faulty": "memory",
    "core-faulty": "processor",
    "sensor-stuck": "sensor",
    "sensor-offset": "sensor",
}
"""Each case and its true cause."""

_COOLER_OF_CASE: dict[str, Cooler] = {
    "healthy-air": "air",
    "healthy-liquid": "liquid",
    "coolant-stopped": "liquid",
    "coolant-slow": "liquid",
    "radiator-blocked": "liquid",
    "case-choked": "air",
}
_TYPICAL_COOLER: dict[str, Cooler] = {"vrm-hot": "liquid"}  # no air from a cooler blows over the regulator there

_MOST_ATTEMPTS = 2000

# What a healthy machine is held to (see `is_healthy`). The trip of a usual profile lies at the lower of these two.
_USUAL_TRIP_C = 95.0
_BELOW_LIMIT_K = 3.0
_MARGIN_TO_TRIP_K = 10.0
_HIGHEST_RESISTANCE_K_PER_W = 0.40
_HIGHEST_IDLE_RISE_K = 18.0
_HIGHEST_STEP_RATE_K_PER_S = 4.0
_HIGHEST_REGULATOR_C = 85.0


def draw(case: str, seed: int, *, cooler: Cooler | None = None) -> MachineParameters:
    """Return a machine of a case.

    Args:
        case: A key of `CASES`.
        seed: Any whole number; 0 is a typical machine.
        cooler: Chooses air or liquid for cases that may have either.

    Raises:
        ValueError: No such case, or the case comes with the other cooler only.
    """
    if case not in CASES:
        raise ValueError(f"no simulated case {case!r}; there are: {', '.join(CASES)}")
    healthy = _healthy_machine(seed, _cooler_for(case, seed, cooler))
    named = {"case": case, "cause": CASES[case]}
    return FAULTS[case](healthy, Dice(seed, f"fault/{case}"), named)


def with_second_die(machine: MachineParameters, die_to_lid_k_per_w: float) -> MachineParameters:
    """Return the machine with a processor of two dies below one lid, the second with its own way to the lid, K/W.

    Each die takes half of the package power. A second die far above 0.1 to 0.4 K/W has lost its contact.
    """
    return replace(
        machine,
        processor=replace(machine.processor, driver="k10temp"),
        sensors=second_die_sensors(machine.sensors),
        second_die_k_per_w=die_to_lid_k_per_w,
    )


def _cooler_for(case: str, seed: int, wanted: Cooler | None) -> Cooler:
    fixed = _COOLER_OF_CASE.get(case)
    if fixed and wanted and wanted != fixed:
        raise ValueError(f"the case {case!r} comes with the {fixed} cooler only")
    typical: Cooler = _TYPICAL_COOLER.get(case, "air")
    coolers: tuple[Cooler, ...] = ("air", "liquid")
    either = Dice(seed, f"cooler/{case}").one_of(coolers, typical=typical)
    return fixed or wanted or either


def _healthy_machine(seed: int, cooler: Cooler) -> MachineParameters:
    """Return the first healthy draw; combinations that would not be a sound machine are drawn anew."""
    for attempt in range(_MOST_ATTEMPTS):
        machine = _any_machine(seed, cooler, Dice(seed, f"machine/{cooler}/{attempt}"))
        if is_healthy(machine):
            return machine
    raise RuntimeError(f"no healthy machine among {_MOST_ATTEMPTS} draws of seed {seed}")


def is_healthy(machine: MachineParameters) -> bool:
    """Say whether a machine is one that a shop would call sound.

    The ranges of the table allow combinations that nobody would sell (180 W through 0.45 K/W against a limit of
    85 °C). Such draws are left out: at full load for ever, in its warmest hour, the die must stay 10 K below
    the usual trip (the lower of 95 °C and limit - 3 K, so at least 13 K below its limit), within 0.40 K/W of
    the room; a step of full power must rise by less than 4 K/s over 10 s, and the straight line through two
    readings 2 s apart must not reach that trip one second later; at idle the die must stay within 18 K of the
    room, and the voltage regulator below 85 °C. The bounds are common practice, no source.
    """
    trip_c = min(_USUAL_TRIP_C, machine.processor.limit_c - _BELOW_LIMIT_K)
    warmest_c = machine.ambient.temp_c + machine.ambient.drift_k
    idle = steady_state(machine, 0.0, ambient_c=warmest_c)
    full = steady_state(machine, 1.0, ambient_c=warmest_c)
    step_w = full.power_w - idle.power_w
    line_c = idle.die_c + 1.5 * true_impedance(machine, 2.0) * step_w
    regulator_c = full.temps_c["case"] + _regulator_rise_k(machine.board_power, full.power_w)
    return (
        full.die_c <= trip_c - _MARGIN_TO_TRIP_K
        and (full.die_c - warmest_c) / full.power_w <= _HIGHEST_RESISTANCE_K_PER_W
        and idle.die_c - warmest_c <= _HIGHEST_IDLE_RISE_K
        and true_impedance(machine, 10.0) * step_w / 10.0 <= _HIGHEST_STEP_RATE_K_PER_S
        and line_c <= trip_c - _BELOW_LIMIT_K
        and regulator_c <= _HIGHEST_REGULATOR_C
    )


def _regulator_rise_k(board_power: BoardPower, power_w: float) -> float:
    return board_power.loss_share * power_w * board_power.resistance_k_per_w


def _any_machine(seed: int, cooler: Cooler, dice: Dice) -> MachineParameters:
    processor = _draw_processor(dice)
    return MachineParameters(
        case="",
        seed=seed,
        cause="none",
        thermal=_draw_thermal(dice, cooler),
        ambient=_draw_ambient(dice),
        processor=processor,
        fans=_draw_fans(dice),
        supply=_draw_supply(dice),
        board_power=_draw_board_power(dice),
        mistakes=Mistakes(),
        sensors=draw_sensors(dice, processor, cooler),
        power_gain=1 + dice.even(-0.05, 0.05),
        idle_start_die_c=None,
    )


def _draw_thermal(dice: Dice, cooler: Cooler) -> ThermalPath:
    pipes_and_fins = dice.scaled(0.10, 0.19)
    air = cooler == "air"
    return ThermalPath(
        cooler=cooler,
        die_j_per_k=dice.scaled(2, 10),
        lid_j_per_k=dice.scaled(12, 35),
        plate_j_per_k=dice.scaled(50, 150),
        coolant_j_per_k=dice.scaled(300, 800),
        sink_j_per_k=dice.scaled(200, 700),
        case_j_per_k=dice.scaled(500, 1500),
        die_to_lid_k_per_w=dice.scaled(0.07, 0.20),
        paste_k_per_w=dice.scaled(0.02, 0.05),
        plate_to_next_k_per_w=0.25 * pipes_and_fins if air else dice.scaled(0.015, 0.03),
        sink_to_air_k_per_w=0.75 * pipes_and_fins if air else dice.scaled(0.07, 0.13),
        still_air_factor=dice.scaled(4, 8),
        flow_l_per_min=0.0 if air else dice.scaled(0.7, 1.5),
        standing_k_per_w=math.inf if air else dice.scaled(1.5, 5.0),
        coolant_to_radiator_k_per_w=0.01,
        case_to_ambient_k_per_w=dice.scaled(0.015, 0.035),
        board_power_w=dice.even(15, 35),
    )


def _draw_ambient(dice: Dice) -> AmbientAir:
    return AmbientAir(
        temp_c=dice.even(18, 27),
        drift_k=dice.even(0.1, 0.5),
        drift_period_s=dice.even(1800, 5400),
        drift_phase_rad=dice.even(0, 2 * math.pi),
    )


def _draw_processor(dice: Dice) -> Processor:
    load_w = dice.scaled(60, 180)
    cores = dice.one_of((4, 6, 8), typical=6)
    full_mhz = 100.0 * round(dice.even(36, 52))
    return Processor(
        idle_w=dice.scaled(8, 30),
        load_w=load_w,
        leakage_per_k=dice.even(0.003, 0.008),
        leakage_reference_c=50.0,
        limit_c=float(round(dice.even(85, 105))),
        cut_above_limit_k=dice.even(4, 20),
        gives_up_after_s=dice.scaled(15, 150) if dice.chance(0.4, typical=False) else math.inf,
        floor_clock_share=800.0 / full_mhz,
        clock_fall_per_s=dice.scaled(0.3, 4.0),
        full_clock_mhz=full_mhz,
        base_clock_mhz=100.0 * round(0.75 * full_mhz / 100),
        idle_clock_mhz=800.0,
        cores=cores,
        threads_per_core=dice.one_of((1, 1, 2), typical=1),
        core_offsets_k_per_w=(0.0, *(dice.even(0.01, 0.05) for _ in range(cores - 1))),
        long_limit_w=5.0 * math.ceil(1.2 * load_w / 5),
        short_limit_w=5.0 * math.ceil(1.5 * load_w / 5),
        driver=dice.one_of(("coretemp", "coretemp", "coretemp", "k10temp"), typical="coretemp"),
    )


def _draw_fans(dice: Dice) -> Fans:
    return Fans(
        low_share=dice.even(0.30, 0.50),
        low_c=dice.even(45, 55),
        high_c=dice.even(75, 85),
        spin_time_s=dice.even(1.0, 2.5),
        control_time_s=dice.even(2.0, 6.0),
        cpu_max_rpm=dice.even(1300, 2200),
        case_max_rpm=dice.even(1000, 1600),
        pump_rpm=dice.even(2000, 3000),
        cpu_fan_stopped=False,
    )


def _draw_supply(dice: Dice) -> Supply:
    return Supply(
        rail_12v_v=dice.even(11.98, 12.18),
        rail_5v_v=dice.even(4.98, 5.08),
        rail_3v3_v=dice.even(3.28, 3.36),
        droop_v_per_w=dice.even(0.0003, 0.0008),
        step_droop_v_per_w=dice.even(0.0002, 0.0005),
        step_fades_s=dice.even(0.5, 1.5),
        trip_power_w=math.inf,
        trip_probability=0.0,
    )


def _draw_board_power(dice: Dice) -> BoardPower:
    pin_c = dice.even(100, 108)
    return BoardPower(
        loss_share=dice.even(0.07, 0.10),
        resistance_k_per_w=dice.even(2.5, 4.5),
        capacity_j_per_k=dice.even(40, 70),
        pin_c=pin_c,
        release_c=pin_c - dice.even(6, 12),
        cut_after_hot_s=math.inf,
    )
