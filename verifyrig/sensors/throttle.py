"""Throttle counters of each core (kernel source "drivers/thermal/intel/therm_throt.c").

Both threads of a core repeat, or nearly repeat, the core's counter, and core numbers start again in
each package: so the maximum over the threads of a (package, core), then the sum over cores. The
counters cannot be reset, so events are counted from the first reading.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Taken
from verifyrig.sensors.files import HeldFile, numbered_dirs, read_int

_CPU = re.compile(r"cpu(\d+)")
# file name -> (what it counts, whether it is counted for each core or for each package)
_COUNTERS = {
    "core_throttle_count": ("heat throttling, cores", "core"),
    "package_throttle_count": ("heat throttling, package", "package"),
    "core_power_limit_count": ("power limit, cores", "core"),
    "package_power_limit_count": ("power limit, package", "package"),
}
_Key = tuple[int, int]


class EventCount:
    """Events since the first reading, summed over cores or packages."""

    __slots__ = ("_files", "_first", "_highest", "info")

    def __init__(self, info: ChannelInfo, files: list[tuple[_Key, HeldFile]]) -> None:
        self.info = info
        self._files = files
        self._first: dict[_Key, int] = {}
        self._highest: dict[_Key, int] = {}
        self._refresh()
        before = sum(self._first.values())
        if before:
            # Else a 0 beside a counter of thousands would look like a machine that never slowed down.
            note = f"{before} stood there before, counted since the system started: only what comes from now on counts"
            self.info = replace(info, note=note)

    def _refresh(self) -> bool:
        now: dict[_Key, int] = {}
        for key, file in self._files:
            try:
                count = int(file.read())
            except (OSError, ValueError):
                continue
            now[key] = max(count, now.get(key, 0))
        for key, count in now.items():
            first = self._first.setdefault(key, count)
            if count < first:  # counters start again after a processor went off line and came back
                self._first[key] = self._highest[key] = count
            self._highest[key] = max(count, self._highest.get(key, count))
        return bool(now)

    def read(self) -> Taken:
        """Return the events so far; a processor taken off line keeps its last count."""
        if not self._refresh():
            raise SensorError(
                "no processor reports its throttle count",
                where=self.info.source,
                mend="It is tried again on every sample.",
            )
        return Taken(float(sum(self._highest[key] - first for key, first in self._first.items())))

    def close(self) -> None:
        """Close all files."""
        for _, file in self._files:
            file.close()


def find(root: Path) -> list[EventCount]:
    """Return the counters that exist; none means unknown, never zero."""
    cpus = [cpu for cpu in numbered_dirs(root / "sys/devices/system/cpu", "cpu") if _CPU.fullmatch(cpu.name)]
    found = ((name, _files(cpus, name, per)) for name, (_, per) in _COUNTERS.items())
    return [EventCount(_info(name), files) for name, files in found if files]


def _files(cpus: list[Path], name: str, per: str) -> list[tuple[_Key, HeldFile]]:
    paths = [(cpu, cpu / "thermal_throttle" / name) for cpu in cpus]
    return [(_key(cpu, per), HeldFile(path)) for cpu, path in paths if path.exists()]


def _key(cpu: Path, per: str) -> _Key:
    package = read_int(cpu / "topology/physical_package_id")
    core = read_int(cpu / "topology/core_id")
    number = int(cpu.name.removeprefix("cpu"))
    # Without topology each processor stands for itself: counts may then be too high, never too low.
    return (package or 0, 0 if per == "package" else number if core is None else core)


def _info(name: str) -> ChannelInfo:
    return ChannelInfo(
        channel=None,
        label=_COUNTERS[name][0],
        device=f"thermal-throttle:devices/system/cpu:{name}",
        source=f"sys/devices/system/cpu/cpu*/thermal_throttle/{name}",
        quantity="count",
        unit="1",
        driver="thermal-throttle",
        resolution=1.0,
    )
