"""Thermal zones below `sys/class/thermal`, known by their type: the number differs between boots and images."""

from __future__ import annotations

from pathlib import Path

from verifyrig.core.interfaces import ChannelInfo
from verifyrig.sensors.files import FileSensor, device_path, numbered_dirs, read_int, read_text, relative

_TRIP_POINTS = 16


def find(root: Path) -> list[FileSensor]:
    """Return the temperature of every zone, a disabled one with the reason why it gives none."""
    return [
        FileSensor(_info(zone, root), zone / "temp", per_unit=1e3)
        for zone in numbered_dirs(root / "sys/class/thermal", "thermal_zone")
    ]


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
