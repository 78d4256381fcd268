"""Power and power limits of the processor package (kernel document "power/powercap")."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

from verifyrig.core.interfaces import ChannelInfo
from verifyrig.sensors.energy import EnergySensor
from verifyrig.sensors.files import (
    FileSensor,
    HeldFile,
    numbered_dirs,
    read_int,
    read_text,
    relative,
    unreadable_reason,
)


def find(root: Path, *, now_s: Callable[[], float] = time.monotonic) -> list[EnergySensor | FileSensor]:
    """Return power of every domain by difference of energy, and the long-term power limits.

    Domains contain one another (the whole platform, a package, its cores): they are never summed.
    """
    zones = numbered_dirs(root / "sys/class/powercap", "")
    return [sensor for zone in zones for sensor in _zone_sensors(zone, root, now_s)]


def _zone_sensors(zone: Path, root: Path, now_s: Callable[[], float]) -> Iterator[EnergySensor | FileSensor]:
    name = read_text(zone / "name") or zone.name
    if (zone / "energy_uj").exists():
        info = _info(zone / "energy_uj", root, name)
        range_uj = read_int(zone / "max_energy_range_uj")
        yield EnergySensor(info, HeldFile(zone / "energy_uj"), range_uj=range_uj, now_s=now_s)
    limit = zone / "constraint_0_power_limit_uw"
    if limit.exists():
        yield FileSensor(
            _info(limit, root, f"{name} {read_text(zone / 'constraint_0_name')} limit"), limit, per_unit=1e6
        )


def _info(path: Path, root: Path, label: str) -> ChannelInfo:
    zone = path.parent
    return ChannelInfo(
        channel=None,
        label=label.replace("  ", " "),
        # The zone's own name (intel-rapl:0) is given by the topology and stays; it is an opaque string.
        device=f"powercap:{zone.name}:{path.name}",
        source=relative(path, root),
        quantity="power",
        unit="W",
        driver="powercap",
        unreadable=unreadable_reason(path),
    )
