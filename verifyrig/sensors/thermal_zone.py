"""Thermal zones below `sys/class/thermal`, known by their type: the number differs between boots and images."""

from __future__ import annotations

from pathlib import Path

from verifyrig.core.interfaces import ChannelInfo
from verifyrig.sensors.files import FileSensor, device_path, numbered_dirs, read_int, read_text, relative

_TRIP_POINTS = 16


def find(root: Path) -> list[FileSensor]:
    """Return the temperature of every zone, a disabled one with the reason why it gives none.

    A zone that the kernel also shows as a chip is left to that: it is one sensor, and would count twice.
    """
    zones = numbered_dirs(root / "sys/class/thermal", "thermal_zone")
    kinds = {read_text(zone / "type") for zone in zones if _has_chip(zone)}
    return [
        FileSensor(_info(zone, root), zone / "temp", per_unit=1e3)
        for zone in zones
        if (read_text(zone / "type") or "-") not in kinds
    ]


def _has_chip(zone: Path) -> bool:
    """Return whether the kernel hangs a chip below the zone (Linux, drivers/thermal/thermal_hwmon.c).

    It does so below the first zone of a type; the further ones of that type are further inputs of the same chip.
    """
    return any((chip / "temp1_input").exists() for chip in numbered_dirs(zone, "hwmon"))


def _info(zone: Path, root: Path) -> ChannelInfo:
    kind = read_text(zone / "type") or "unnamed zone"
    place = device_path(zone / "device", root) if (zone / "device").exists() else "thermal"
    disabled = read_text(zone / "mode") == "disabled"
    return ChannelInfo(
        channel=None,
        label=kind,
        device=f"thermal-zone:{place}:{kind}",
        source=relative(zone / "temp", root),
        quantity="temperature",
        unit="°C",
        driver="thermal-zone",
        limit=_critical_c(zone),
        unreadable="the system has this zone switched off. Another sensor has to do." if disabled else "",
    )


def _critical_c(zone: Path) -> float | None:
    for n in range(_TRIP_POINTS):
        if read_text(zone / f"trip_point_{n}_type") == "critical":
            limit = read_int(zone / f"trip_point_{n}_temp")
            return limit / 1000 if limit is not None and 40_000 <= limit <= 126_000 else None
    return None
