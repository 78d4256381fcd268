"""The cores of this processor, physical and logical told apart, and which of them this process may use."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

CPU_FOLDER = Path("/sys/devices/system/cpu")


@dataclass(frozen=True, slots=True, kw_only=True)
class Core:
    """A physical core: its number (of its first logical processor) and its logical processors."""

    number: int
    logical: tuple[int, ...]


def usable_cores(cpu_folder: Path = CPU_FOLDER) -> list[Core]:
    """Return the physical cores that this process may use, all kinds of a hybrid processor included.

    Args:
        cpu_folder: The kernel's folder (document "admin-guide/cputopology").
    """
    cores: dict[tuple[int, ...], list[int]] = {}
    for logical in _usable_logical():
        cores.setdefault(_siblings(cpu_folder, logical), []).append(logical)
    return [Core(number=found[0], logical=tuple(found)) for found in cores.values()]


def _usable_logical() -> list[int]:
    if hasattr(os, "sched_getaffinity"):
        return sorted(os.sched_getaffinity(0))
    import psutil

    logical = psutil.cpu_count() or 1
    # Without the kernel's folder the siblings are not known: count physical cores, spread over the numbers.
    physical = psutil.cpu_count(logical=False) or logical
    return [i * logical // physical for i in range(physical)]


def _siblings(cpu_folder: Path, logical: int) -> tuple[int, ...]:
    topology = cpu_folder / f"cpu{logical}/topology"
    for name in ("core_cpus_list", "thread_siblings_list"):
        try:
            return _parse_list((topology / name).read_text())
        except (OSError, ValueError):
            continue
    return (logical,)


def _parse_list(text: str) -> tuple[int, ...]:
    """Return the numbers of a kernel list such as `0-1,8`."""
    numbers: list[int] = []
    for part in text.strip().split(","):
        first, _, last = part.partition("-")
        numbers.extend(range(int(first), int(last or first) + 1))
    return tuple(numbers)
