"""Hardware-monitoring chips below `sys/class/hwmon` (kernel document "hwmon/sysfs-interface")."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from verifyrig.core.interfaces import ChannelInfo, Quantity
from verifyrig.sensors.energy import EnergySensor
from verifyrig.sensors.files import (
    FileSensor,
    HeldFile,
    device_path,
    numbered_dirs,
    read_int,
    read_text,
    relative,
    unreadable_reason,
)


@dataclass(frozen=True, slots=True)
class _Kind:
    quantity: Quantity
    unit: str
    per_unit: float  # units of the file in one unit of the channel


# hwmon/sysfs-interface: m°C, RPM, mV, µW, µJ, Hz, and 0 to 255 for the duty of a fan output.
_KINDS = {
    "temp": _Kind("temperature", "°C", 1e3),
    "fan": _Kind("speed", "rpm", 1.0),
    "in": _Kind("voltage", "V", 1e3),
    "power": _Kind("power", "W", 1e6),
    "energy": _Kind("power", "W", 1e6),
    "freq": _Kind("clock", "MHz", 1e6),
    "pwm": _Kind("share", "1", 255.0),
}
_FILE = re.compile(r"(?P<kind>temp|fan|in|power|energy|freq)(?P<n>\d+)_(?:input|average)|(?P<pwm>pwm)(?P<m>\d+)")

# Their limit registers hold power-on values that no board maker sets, or nonsense.
SUPER_IO = ("nct", "it8", "w83", "f71", "sch5", "smsc", "dme1737", "asb100", "via686")
# Drivers whose `temp1_max` is a constant of the driver and no limit of the part (k10temp).
_NO_MAX = ("k10temp", "zenpower")
# A limit outside is a value never set (-273150, 65261850, 127000 of an 8-bit register), not a limit.
_LIMIT_RANGE_C = (40.0, 126.0)
# Steps of the sensor that the driver documents state.
_RESOLUTION_K = {"coretemp": 1.0, "k10temp": 0.125, "nvme": 1.0, "drivetemp": 1.0}
_REFRESH_S = {"coretemp": 1.0, "nct6775": 1.5, "nct6687": 1.0, "it87": 1.5, "drivetemp": 1.0}


def find(root: Path, *, now_s: Callable[[], float] = time.monotonic) -> list[FileSensor | EnergySensor]:
    """Return every temperature, speed, voltage, power, clock and fan duty of every chip, roles not yet assigned."""
    return [
        sensor
        for chip in numbered_dirs(root / "sys/class/hwmon", "hwmon")
        for sensor in _chip_sensors(chip, root, now_s)
    ]


def _chip_sensors(chip: Path, root: Path, now_s: Callable[[], float]) -> Iterator[FileSensor | EnergySensor]:
    driver = read_text(chip / "name") or read_text(chip / "device/name") or "unnamed"
    device = _chip_device(chip, root)
    for folder, name, match in _value_files(chip):
        kind = match["kind"] or match["pwm"]
        info = _info(folder, root, driver, device, name, kind, int(match["n"] or match["m"]))
        yield _sensor(folder, name, kind, info, now_s)


def _value_files(chip: Path) -> Iterator[tuple[Path, str, re.Match[str]]]:
    """Yield folder and name of each value; old kernels keep them in the device's folder."""
    for folder in (chip, chip / "device"):
        try:
            names = sorted(os.listdir(folder))  # noqa: PTH208 - names only, fast
        except OSError:
            continue
        found = [(folder, name, match) for name in names if (match := _FILE.fullmatch(name))]
        if found:
            inputs = {name for _, name, _ in found}
            # One power is often given twice, now and averaged: the present one is enough.
            yield from (item for item in found if item[1].replace("_average", "_input") not in inputs - {item[1]})
            return


def _chip_device(chip: Path, root: Path) -> str:
    if (chip / "device").is_symlink() or (chip / "device").exists():
        return device_path(chip / "device", root)
    # Without a device link, the folder that the class entry points to, less its number that changes at every boot.
    path = device_path(chip, root)
    return re.sub(r"/?(?:hwmon/)?hwmon\d+$", "", path)


def _info(folder: Path, root: Path, driver: str, device: str, name: str, kind: str, number: int) -> ChannelInfo:
    facts = _KINDS[kind]
    stem = f"{kind}{number}"
    return ChannelInfo(
        channel=None,
        label=read_text(folder / f"{stem}_label"),
        device=f"{driver}:{device}:{stem}",
        source=relative(folder / name, root),
        quantity=facts.quantity,
        unit=facts.unit,
        driver=driver,
        limit=_limit_c(folder, driver, stem) if kind == "temp" else None,
        resolution=_RESOLUTION_K.get(driver) if kind == "temp" else None,
        refresh_s=_refresh_s(folder, driver),
        unreadable=unreadable_reason(folder / name),
    )


def _refresh_s(folder: Path, driver: str) -> float | None:
    stated_ms = read_int(folder / "update_interval")
    if stated_ms is not None and 0 < stated_ms <= 60_000:
        return stated_ms / 1000
    return _REFRESH_S.get(driver)


def _limit_c(folder: Path, driver: str, stem: str) -> float | None:
    if driver.startswith(SUPER_IO):
        return None
    endings = ("crit",) if driver in _NO_MAX else ("crit", "max")
    for ending in endings:
        limit = read_int(folder / f"{stem}_{ending}")
        if limit is not None and _LIMIT_RANGE_C[0] <= limit / 1000 <= _LIMIT_RANGE_C[1]:
            return limit / 1000
    return None


def _sensor(
    folder: Path, name: str, kind: str, info: ChannelInfo, now_s: Callable[[], float]
) -> FileSensor | EnergySensor:
    if kind == "energy":
        return EnergySensor(info, HeldFile(folder / name), range_uj=None, now_s=now_s)
    fault = folder / f"{info.device.rpartition(':')[2]}_fault"
    per_unit = _KINDS[kind].per_unit
    return FileSensor(info, folder / name, per_unit=per_unit, fault=fault if fault.exists() else None)
