"""Everything that can be measured on a machine, with its role: kernel files, serial instruments, psutil."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any, Protocol

from verifyrig.core.interfaces import ChannelInfo, Taken
from verifyrig.sensors import (
    cpufreq,
    hwmon,
    ipmi,
    nvml,
    powercap,
    procstat,
    psutil_sensors,
    roles,
    thermal_zone,
    throttle,
    windows_zones,
)
from verifyrig.sensors.files import read_text
from verifyrig.sensors.instruments import open_instruments
from verifyrig.system.machine import is_live


class Found(Protocol):
    """A sensor whose role can still be filled in."""

    info: ChannelInfo

    def read(self) -> Taken: ...

    def close(self) -> None: ...


def find_sensors(root: Path, *, now_s: Callable[[], float] = time.monotonic) -> list[Found]:
    """Return everything below the root that can be measured, each with a device name of its own."""
    found: list[Found] = [
        *hwmon.find(root, now_s=now_s),
        *thermal_zone.find(root),
        *powercap.find(root, now_s=now_s),
        *cpufreq.find(root),
        *throttle.find(root),
        *procstat.find(root),
        *nvml.find(root),
        *ipmi.find(root),
    ]
    if is_live(root):
        found += windows_zones.find()
    found += psutil_sensors.find(root, have={sensor.info.driver for sensor in found})
    _make_distinct(found)
    return found


def _make_distinct(sensors: Iterable[Found]) -> None:
    """Number sensors that share driver, device and input, as two chips on one device link do."""
    seen: dict[str, int] = {}
    for sensor in sensors:
        device = sensor.info.device
        seen[device] = seen.get(device, 0) + 1
        if seen[device] > 1:
            sensor.info = replace(sensor.info, device=f"{device}~{seen[device]}")


def board_model(root: Path) -> str:
    """Return maker and model of the board, empty where the firmware does not say."""
    names = [read_text(root / "sys/class/dmi/id" / name) for name in ("board_vendor", "board_name")]
    return " ".join(names) if names[1] else ""


def list_channels(
    root: Path,
    config: Mapping[str, Any],
    *,
    now_s: Callable[[], float] = time.monotonic,
    strict: bool = True,
) -> list[Found]:
    """Return all sensors of the machine with their roles; those without one have `channel` None.

    Args:
        root: `/`, or a tree of the same shape.
        config: bench.toml.
        now_s: Clock for differences of counters: that of the run.
        strict: An instrument whose port cannot be opened now is an error; else it is listed and waited for.

    Raises:
        BenchError: bench.toml names a channel or a source that does not exist.
        SerialError: `strict`, and a port is absent, taken or not allowed.
    """
    found: list[Found] = [*open_instruments(config, strict=strict)]
    try:
        found += find_sensors(root, now_s=now_s)
        infos = roles.assign([sensor.info for sensor in found], config, board=board_model(root), today=date.today())
    except BaseException:
        close_all(found)
        raise
    for sensor, info in zip(found, infos, strict=True):
        sensor.info = info
    return found


def close_all(sensors: Iterable[Found]) -> None:
    """Close all files and ports."""
    for sensor in sensors:
        sensor.close()
