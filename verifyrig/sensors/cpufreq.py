"""Core clock: mean of what cpufreq reports for each processor (kernel document "admin-guide/pm/cpufreq")."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Taken
from verifyrig.sensors.files import HeldFile, numbered_dirs, read_int
from verifyrig.sensors.quality import Implausible

# The first is close to the real clock on x86 and readable by all; the second is root's on most systems.
_FILES = ("scaling_cur_freq", "cpuinfo_cur_freq", "cpuinfo_avg_freq")
_CPU = re.compile(r"cpu\d+")
# No processor runs at less than half of its stated lowest clock, nor any of a computer below this where none is stated:
# what shows less was not counted over enough time (common practice, no source).
_LEAST_SHARE, _LEAST_KHZ = 0.5, 100_000.0


class MeanClock:
    """Mean clock of all processors that answer with one that can be, MHz.

    Args:
        clocks: File of each processor's clock, and the least that it can be, kHz.
    """

    __slots__ = ("_clocks", "info")

    def __init__(self, info: ChannelInfo, clocks: Sequence[tuple[Path, float]]) -> None:
        self._clocks = [(HeldFile(path), least_khz) for path, least_khz in clocks]
        read, believed = self._read()
        left_out = len(read) - len(believed)
        note = f"{left_out} of {len(read)} processors show a clock that cannot be, and are left out" if left_out else ""
        self.info = replace(info, note=note)

    def _read(self) -> tuple[list[int], list[int]]:
        """Return what the processors show, kHz, and what of it can be; one that was taken off line shows nothing."""
        read, believed = [], []
        for file, least_khz in self._clocks:
            try:
                khz = int(file.read())
            except (OSError, ValueError):
                continue
            read.append(khz)
            if khz >= least_khz:
                believed.append(khz)
        return read, believed

    def read(self) -> Taken:
        """Return the mean of those that can be; none where most of them cannot."""
        read, believed = self._read()
        if not read:
            raise SensorError(
                "no processor reports its clock", where=self.info.source, mend="It is tried again on every sample."
            )
        if 2 * len(believed) < len(read):
            raise Implausible(
                f"{len(read) - len(believed)} of {len(read)} processors show a clock that cannot be",
                where=self.info.source,
                mend="Judge by the work rate: this system does not count the clock.",
            )
        return Taken(sum(believed) / len(believed) / 1000)

    def close(self) -> None:
        """Close all files."""
        for file, _ in self._clocks:
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
    return [MeanClock(info, [(path, _least_khz(path)) for path in paths])]


def _least_khz(clock: Path) -> float:
    lowest = read_int(clock.with_name("cpuinfo_min_freq"))
    return _LEAST_SHARE * lowest if lowest and lowest > 0 else _LEAST_KHZ


def _clock_file(cpu: Path) -> Path | None:
    places = (cpu / "cpufreq", cpu.parent / "cpufreq" / f"policy{cpu.name.removeprefix('cpu')}")
    for name in _FILES:
        for place in places:
            if (place / name).exists():
                return place / name
    return None
