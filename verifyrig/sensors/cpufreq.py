"""Core clock: mean of what cpufreq reports for each processor (kernel document "admin-guide/pm/cpufreq")."""

from __future__ import annotations

import re
from pathlib import Path

from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Taken
from verifyrig.sensors.files import HeldFile, numbered_dirs

# The first is close to the real clock on x86 and readable by all; the second is root's on most systems.
_FILES = ("scaling_cur_freq", "cpuinfo_cur_freq", "cpuinfo_avg_freq")
_CPU = re.compile(r"cpu\d+")


class MeanClock:
    """Mean clock of all processors that answer, MHz."""

    __slots__ = ("_files", "info")

    def __init__(self, info: ChannelInfo, paths: list[Path]) -> None:
        self.info = info
        self._files = [HeldFile(path) for path in paths]

    def read(self) -> Taken:
        """Return the mean; a processor taken off line is left out."""
        total_khz = count = 0
        for file in self._files:
            try:
                total_khz += int(file.read())
                count += 1
            except (OSError, ValueError):
                continue
        if count == 0:
            raise SensorError(
                "no processor reports its clock", where=self.info.source, mend="It is tried again on every sample."
            )
        return Taken(total_khz / count / 1000)

    def close(self) -> None:
        """Close all files."""
        for file in self._files:
            file.close()


def find(root: Path) -> list[MeanClock]:
    """Return the mean clock, or nothing where cpufreq is absent (virtual machines, some firmware settings)."""
    cpus = [cpu for cpu in numbered_dirs(root / "sys/devices/system/cpu", "cpu") if _CPU.fullmatch(cpu.name)]
    paths = [path for cpu in cpus if (path := _clock_file(cpu)) is not None]
    if not paths:
        return []
    names = sorted({path.name for path in paths})
    info = ChannelInfo(
        channel=None,
        label=f"mean of {len(paths)} processors",
        device="cpufreq:devices/system/cpu:clock",
        source=f"sys/devices/system/cpu/cpu*/cpufreq/{'|'.join(names)}",
        quantity="clock",
        unit="MHz",
        driver="cpufreq",
    )
    return [MeanClock(info, paths)]


def _clock_file(cpu: Path) -> Path | None:
    places = (cpu / "cpufreq", cpu.parent / "cpufreq" / f"policy{cpu.name.removeprefix('cpu')}")
    for name in _FILES:
        for place in places:
            if (place / name).exists():
                return place / name
    return None
