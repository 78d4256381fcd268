"""Which channel of the contract a sensor could be, judged by its own driver, label and quantity.

No standard says which number belongs to which part, so only what is labelled, or what the driver's
document states, makes a claim.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from verifyrig.core.interfaces import ChannelInfo

_CONTROL_NOTE = (
    "a control value whose offset from the die is not known (up to 27 K on some parts); compare it only with itself"
)
AMD = ("k10temp", "zenpower")
_GPU = ("amdgpu", "radeon", "nouveau", "xe", "i915", "nvml")
_MEMORY_MODULES = ("jc42", "spd5118", "ee1004")
_DRIVES = ("nvme", "drivetemp")
_DIE_ZONES = ("x86_pkg_temp", "cpu-thermal", "cpu_thermal", "soc-thermal", "soc_thermal", "bcm2835_thermal")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelClaim:
    """A sensor that could be a channel.

    Attributes:
        base: Channel without number.
        rank: Where several sensors read the same thing, only the lowest rank present counts.
        note: What to know of the choice.
        alone: Only one sensor can be this; the others of equal rank stay without a role.
    """

    base: str
    rank: int = 0
    note: str = ""
    alone: bool = False


# Words of labels, tried in order; the first that fits decides. Common practice of board makers and of drivers
# (nct6775, nct6687, it87, asus_ec_sensors, dell_smm_hwmon, drivers of liquid coolers, one-wire names), no standard.
_TEMP_WORDS: tuple[tuple[str, str], ...] = (
    (r"room|ambient", "ambient_temp_c"),
    (r"inlet|intake|air in\b", "inlet_temp_c"),
    (r"exhaust|outlet|air out\b", "exhaust_temp_c"),
    (r"radiator|fins?\b|heat ?sink", "radiator_temp_c"),
    (r"water[ _-]?in\b|hose[ _-]?in\b", "hose_in_temp_c"),
    (r"water[ _-]?out\b|hose[ _-]?out\b", "hose_out_temp_c"),
    (r"coolant|liquid|water", "coolant_temp_c"),
    (r"plate", "plate_temp_c"),
    (r"vrm|mos\b|mosfet|vreg", "vrm_temp_c"),
    (r"dimm|memory|sodimm", "memory_temp_c"),
    (r"systin|mother ?board|mainboard|^system$|^board$", "board_temp_c"),
)
_FAN_WORDS: tuple[tuple[str, str], ...] = (
    (r"pump|aio", "pump_speed_rpm"),
    (r"cpu|processor", "cpu_fan_speed_rpm"),
    (r"gpu|video", "gpu_fan_speed_rpm"),
    (r"chassis|system|case|sys|cha_?fan|motherboard|rear|front|intake|exhaust|radiator", "case_fan_speed_rpm"),
)
_RAIL_WORDS: tuple[tuple[str, str], ...] = (
    (r"^\+? ?12 ?v(?:olts?)?$|^v?12v?$|^\+12v(?: supply| rail)?$", "rail_12v_v"),
    (r"^\+? ?5 ?v(?:olts?)?$|^\+5v(?: supply| rail)?$|^5vcc$", "rail_5v_v"),
    (r"^\+? ?3\.3 ?v(?:olts?)?$|^\+3\.3v(?: supply| rail)?$|^3vcc$", "rail_3v3_v"),
)


def _by_words(table: Sequence[tuple[str, str]], label: str) -> str | None:
    low = label.lower()
    return next((base for pattern, base in table if re.search(pattern, low)), None)


def _temperature(info: ChannelInfo) -> ChannelClaim | None:
    label = info.label
    if info.driver == "coretemp":
        return _coretemp(label)
    if info.driver in AMD:
        return _amd(label)
    if info.driver in _GPU:
        return _gpu_temperature(info)
    if info.driver == "thermal-zone":
        return ChannelClaim(base="die_temp_c", rank=3, alone=True) if label.lower() in _DIE_ZONES else None
    if info.driver in _DRIVES:
        return (
            ChannelClaim(base="drive_temp_c") if label in ("", "Composite") and info.device.endswith(":temp1") else None
        )
    if info.driver in _MEMORY_MODULES:
        return ChannelClaim(base="memory_temp_c")
    if info.driver in ("cpu_thermal", "bcm2835_thermal", "soc_thermal"):
        return ChannelClaim(base="die_temp_c", rank=2, alone=True)
    base = _by_words(_TEMP_WORDS, label)
    return ChannelClaim(base=base) if base is not None else None


def _coretemp(label: str) -> ChannelClaim | None:
    if re.match(r"(?:Package|Physical) id \d+", label):
        return ChannelClaim(base="die_temp_c")
    return ChannelClaim(base="core_temp_c") if re.match(r"Core \d+", label) else None


def _amd(label: str) -> ChannelClaim | None:
    if label == "Tdie":
        return ChannelClaim(base="die_temp_c")
    if re.fullmatch(r"Tccd\d+", label):
        return ChannelClaim(base="die_temp_c", rank=1)
    if label in ("Tctl", ""):
        return ChannelClaim(base="die_temp_c", rank=2, note=_CONTROL_NOTE)
    return None


def _gpu_temperature(info: ChannelInfo) -> ChannelClaim | None:
    label = info.label.lower()
    known = {
        "edge": "gpu_temp_c",
        "pkg": "gpu_temp_c",
        "gpu": "gpu_temp_c",
        "junction": "gpu_hotspot_temp_c",
        "hotspot": "gpu_hotspot_temp_c",
        "mem": "gpu_memory_temp_c",
        "vram": "gpu_memory_temp_c",
        "memory": "gpu_memory_temp_c",
    }
    base = known.get(label) or ("gpu_temp_c" if not label and info.device.endswith(":temp1") else None)
    return ChannelClaim(base=base) if base is not None else None


def _speed(info: ChannelInfo) -> ChannelClaim | None:
    if info.driver in _GPU:
        return ChannelClaim(base="gpu_fan_speed_rpm")
    base = _by_words(_FAN_WORDS, info.label)
    return ChannelClaim(base=base) if base is not None else None


def _voltage(info: ChannelInfo) -> ChannelClaim | None:
    base = _by_words(_RAIL_WORDS, info.label)
    return ChannelClaim(base=base) if base is not None else None


def _power(info: ChannelInfo) -> ChannelClaim | None:
    if info.driver in _GPU:
        return ChannelClaim(base="gpu_power_w")
    if info.driver == "powercap":
        return _powercap(info)
    if info.driver == "amd_energy" and info.label.startswith("Esocket"):
        return ChannelClaim(base="package_power_w", rank=2)
    if info.driver == "zenpower" and info.label == "RAPL_P_Package":
        return ChannelClaim(base="package_power_w", rank=2)
    return None


def _powercap(info: ChannelInfo) -> ChannelClaim | None:
    # The same package shows twice where both the register and the memory-mapped interface exist.
    rank = 1 if "mmio" in info.device else 0
    if re.fullmatch(r"package-\d+", info.label):
        return ChannelClaim(base="package_power_w", rank=rank)
    if re.fullmatch(r"package-\d+ (?:long_term )?limit", info.label):
        return ChannelClaim(base="power_limit_w", rank=rank)
    return None


def _clock(info: ChannelInfo) -> ChannelClaim | None:
    if info.driver in ("cpufreq", "psutil"):
        return ChannelClaim(base="core_clock_mhz", alone=True)
    if info.driver in _GPU and info.label in ("sclk", "graphics"):
        return ChannelClaim(base="gpu_clock_mhz")
    return None


_NVML_SHARES = {
    "busy": "gpu_busy_share",
    "fan duty": "gpu_fan_duty_share",
    "limited by heat": "gpu_heat_limited_share",
    "limited by power": "gpu_power_limited_share",
    "limited by power brake": "gpu_brake_limited_share",
}


def _share(info: ChannelInfo) -> ChannelClaim | None:
    if info.driver == "nvml":
        return ChannelClaim(base=_NVML_SHARES[info.label]) if info.label in _NVML_SHARES else None
    return ChannelClaim(base="busy_share", alone=True) if info.label == "all processors" else None


def _count(info: ChannelInfo) -> ChannelClaim | None:
    is_throttle = info.driver == "thermal-throttle" and info.device.endswith(":core_throttle_count")
    return ChannelClaim(base="throttle_count", alone=True) if is_throttle else None


_CLAIMS: Mapping[str, Callable[[ChannelInfo], ChannelClaim | None]] = {
    "temperature": _temperature,
    "speed": _speed,
    "voltage": _voltage,
    "power": _power,
    "clock": _clock,
    "share": _share,
    "count": _count,
}


def claim(info: ChannelInfo) -> ChannelClaim | None:
    """Return which channel a sensor could be, judged by itself; None where its role is unknown."""
    judge = _CLAIMS.get(info.quantity)
    return judge(info) if judge is not None else None
