"""Drawing how each channel's sensor shows its truth: refresh, steps, noise, offset."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from mock_hw.physics.dice import Dice
from mock_hw.physics.parts import Cooler, Processor, SensorModel

PROBE_CHANNELS: dict[str, str] = {
    "room": "ambient_temp_c",
    "plate": "plate_temp_c",
    "radiator": "radiator_temp_c",
    "hose-in": "hose_in_temp_c",
    "hose-out": "hose_out_temp_c",
    "inlet": "inlet_temp_c",
    "exhaust": "exhaust_temp_c",
}
"""Probes that can be laid on the machine, and the channel each one measures."""

SECOND_DIE = "die_2_temp_c"

_COOLED_BY_LIQUID = ("radiator", "hose-in", "hose-out")


def probes_for(cooler: Cooler) -> tuple[str, ...]:
    """Return the probes that a machine with this cooler has a place for."""
    return tuple(name for name in PROBE_CHANNELS if cooler == "liquid" or name not in _COOLED_BY_LIQUID)


def core_channel(number: int) -> str:
    """Return the channel of a core, counted from 0: core_temp_c, core_2_temp_c, and so on."""
    return "core_temp_c" if number == 0 else f"core_{number + 1}_temp_c"


def second_die_sensors(sensors: Mapping[str, SensorModel]) -> dict[str, SensorModel]:
    """Return the sensors of a processor of two dies: eighths of a degree, and no stop at the limit (k10temp)."""
    dies = {
        channel: replace(model, step=0.125, high=120.0)
        for channel, model in sensors.items()
        if channel.startswith(("die_", "core_"))
    }
    return {**sensors, **dies, SECOND_DIE: dies["die_temp_c"]}


def draw_sensors(dice: Dice, processor: Processor, cooler: Cooler) -> dict[str, SensorModel]:
    """Return a model for each channel of a healthy machine."""
    liquid = {"coolant_temp_c": _temp(dice, step=0.1, noise=0.1, offset=0.5)} if cooler == "liquid" else {}
    return {
        **_die_sensors(dice, processor),
        **{PROBE_CHANNELS[probe]: _probe(dice, probe) for probe in probes_for(cooler)},
        **liquid,
        "board_temp_c": _temp(dice, step=0.5, noise=0.2, offset=1.0, refresh_s=1.5),
        "vrm_temp_c": _temp(dice, step=1.0, noise=0.3, offset=1.0, refresh_s=1.5),
        "drive_temp_c": _temp(dice, step=1.0, noise=0.1, offset=1.0, refresh_s=2.0),
        **_speeds(),
        **_rails(dice),
    }


def _die_sensors(dice: Dice, processor: Processor) -> dict[str, SensorModel]:
    """Both drivers refresh once in 1 to 2 s; coretemp shows whole degrees and nothing above the limit."""
    register = processor.driver == "coretemp"
    noise, refresh_s, offset = dice.even(0.2, 0.5), dice.even(1.0, 2.0), dice.even(-1, 1)

    def model(extra: float) -> SensorModel:
        return SensorModel(
            step=1.0 if register else 0.125,
            refresh_s=refresh_s,
            noise=noise,
            offset=offset + extra,
            low=0.0,
            high=processor.limit_c if register else 120.0,
        )

    cores = {core_channel(n): model(dice.even(-0.5, 0.5)) for n in range(processor.cores)}
    return {"die_temp_c": model(0.0), **cores}


def _temp(dice: Dice, *, step: float, noise: float, offset: float, refresh_s: float = 1.0) -> SensorModel:
    return SensorModel(step=step, refresh_s=refresh_s, noise=noise, offset=dice.even(-offset, offset))


def _probe(dice: Dice, probe: str) -> SensorModel:
    """A one-wire probe shows sixteenths of a degree; the one in the room hangs in free air and is the better."""
    return _temp(dice, step=0.0625, noise=0.04, offset=0.2 if probe == "room" else 0.5)


def _speeds() -> dict[str, SensorModel]:
    channels = ("cpu_fan_speed_rpm", "case_fan_speed_rpm", "pump_speed_rpm")
    return {
        channel: SensorModel(step=1.0, refresh_s=1.5, noise=6.0, low=0.0, zero_is_exact=True) for channel in channels
    }


def _rails(dice: Dice) -> dict[str, SensorModel]:
    """Boards read their rails through dividers the driver does not know, so each is off by up to 1 %."""
    steps = {"rail_12v_v": (0.024, 12.0), "rail_5v_v": (0.02, 5.0), "rail_3v3_v": (0.016, 3.3)}
    return {
        channel: SensorModel(step=step, refresh_s=1.5, noise=0.3 * step, offset=0.01 * nominal * dice.even(-1, 1))
        for channel, (step, nominal) in steps.items()
    }
