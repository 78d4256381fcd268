"""Channel names: `role[_n]_quantity_unit`, their units, and their place on the thermal path."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import NamedTuple

from verifyrig.core.interfaces import Quantity

# In the order of the thermal path: room, air inlet, fins or radiator, coolant, plate, die; then the rest.
TEMPERATURES = (
    "ambient_temp_c",
    "inlet_temp_c",
    "exhaust_temp_c",
    "radiator_temp_c",
    "hose_in_temp_c",
    "hose_out_temp_c",
    "coolant_temp_c",
    "plate_temp_c",
    "core_temp_c",
    "die_temp_c",
    "vrm_temp_c",
    "board_temp_c",
    "memory_temp_c",
    "drive_temp_c",
    "gpu_temp_c",
    "gpu_hotspot_temp_c",
    "gpu_memory_temp_c",
)
POWERS = ("package_power_w", "gpu_power_w", "wall_power_w", "power_limit_w")
SPEEDS = ("cpu_fan_speed_rpm", "pump_speed_rpm", "case_fan_speed_rpm", "gpu_fan_speed_rpm")
DUTIES = ("cpu_fan_duty_share", "pump_duty_share", "case_fan_duty_share", "gpu_fan_duty_share")
RAILS = ("rail_12v_v", "rail_5v_v", "rail_3v3_v")
CLOCKS = ("core_clock_mhz", "gpu_clock_mhz")
# 1 while a graphics card says that this holds its clocks down, else 0; the mean is the share of time.
GPU_LIMITS = ("gpu_heat_limited_share", "gpu_power_limited_share", "gpu_brake_limited_share")
OTHERS = (
    "busy_share",
    "gpu_busy_share",
    "load_share",
    "throttle_count",
    *GPU_LIMITS,
    "work_rate_per_s",
    "compute_errors",
)
BASE_CHANNELS = (*TEMPERATURES, *POWERS, *SPEEDS, *DUTIES, *RAILS, *CLOCKS, *OTHERS)

# Written by the runner itself into every record, whatever the machine has.
OWN_CHANNELS = ("load_share", "work_rate_per_s", "compute_errors")

THERMAL_PATH = (
    ("room", ("ambient_temp_c",)),
    ("inlet", ("inlet_temp_c",)),
    ("fins or radiator", ("radiator_temp_c", "exhaust_temp_c")),
    ("coolant", ("coolant_temp_c", "hose_in_temp_c", "hose_out_temp_c")),
    ("plate", ("plate_temp_c",)),
    ("die", ("die_temp_c",)),
)


class _Suffix(NamedTuple):
    ending: str
    unit: str
    quantity: Quantity


_SUFFIXES = (
    _Suffix("_temp_c", "°C", "temperature"),
    _Suffix("_power_w", "W", "power"),
    _Suffix("_limit_w", "W", "power"),
    _Suffix("_speed_rpm", "rpm", "speed"),
    _Suffix("_clock_mhz", "MHz", "clock"),
    _Suffix("_rate_per_s", "1/s", "count"),
    _Suffix("_share", "1", "share"),
    _Suffix("_count", "1", "count"),
    _Suffix("_errors", "1", "count"),
    _Suffix("_v", "V", "voltage"),
)
_NUMBERED = re.compile(
    r"^(?P<role>.+?)_(?P<n>[2-9]|[1-9]\d+)(?P<rest>_(?:temp_c|power_w|limit_w|speed_rpm|duty_share"
    r"|clock_mhz|share|count|v))$"
)


def duty_of(speed: str) -> str:
    """Return the channel of what a fan or pump is commanded, of that of its speed."""
    return speed.replace("_speed_rpm", "_duty_share")


def base_name(channel: str) -> str:
    """Return the channel without its number: `case_fan_2_speed_rpm` gives `case_fan_speed_rpm`."""
    if channel in BASE_CHANNELS:
        return channel
    found = _NUMBERED.match(channel)
    return found["role"] + found["rest"] if found else channel


def number_of(channel: str) -> int:
    """Return which one of its kind the channel is, from 1."""
    if channel in BASE_CHANNELS:
        return 1
    found = _NUMBERED.match(channel)
    return int(found["n"]) if found else 1


def numbered(base: str, n: int) -> str:
    """Return the name of the n-th channel of a kind: (`case_fan_speed_rpm`, 2) gives `case_fan_2_speed_rpm`."""
    if base not in BASE_CHANNELS:
        raise ValueError(f"{base} is not a channel of the contract")
    if n == 1:
        return base
    suffix = "_duty_share" if base.endswith("_duty_share") else _suffix(base).ending
    return f"{base.removesuffix(suffix)}_{n}{suffix}"


def of_role(channel: str, names: Iterable[str]) -> tuple[str, ...]:
    """Return which of `names` a rule about `channel` holds for, by number.

    A role without a number stands for all of its kind: `die_temp_c` for `die_temp_c`, `die_2_temp_c` and so on. A
    numbered channel stands for itself alone.
    """
    if number_of(channel) > 1:
        return (channel,) if channel in names else ()
    return tuple(sorted((name for name in names if base_name(name) == channel), key=number_of))


def is_channel(name: str) -> bool:
    """Return whether the name is one that the contract knows."""
    return base_name(name) in BASE_CHANNELS


def _suffix(channel: str) -> _Suffix:
    for suffix in _SUFFIXES:
        if channel.endswith(suffix.ending):
            return suffix
    raise ValueError(f"{channel} does not end in a unit of the contract")


def unit_of(channel: str) -> str:
    """Return the unit as the contract writes it: `°C W rpm MHz V 1/s 1`."""
    return _suffix(channel).unit


def quantity_of(channel: str) -> Quantity:
    """Return what kind of quantity the channel is."""
    return _suffix(channel).quantity


def is_temperature(channel: str) -> bool:
    """Return whether the channel is a temperature in °C."""
    return channel.endswith("_temp_c")
