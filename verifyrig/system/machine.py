"""What machine a run is made on, as far as it can be read without special rights."""

from __future__ import annotations

import os
import platform
from pathlib import Path
from typing import NamedTuple

from verifyrig.core.errors import UsageError
from verifyrig.core.kept_facts import MachineFact
from verifyrig.files.foreign_file import FileKind, read_bytes
from verifyrig.system.mains import mains_of


class MachineRoot(NamedTuple):
    """The folder that holds `sys` and `proc` of the machine under test, and the decision whether that is this machine.

    Attributes:
        path: Without links and dots; `/` where it is the running system.
        live: Whether it is the running system itself, however the path was spelt: a load there is a real load.
    """

    path: Path
    live: bool


THIS_MACHINE = MachineRoot(Path("/"), live=True)


def resolve_root(path: Path) -> MachineRoot:
    """Return the root that a path leads to. Real or simulated is decided here, once; all else takes this decision.

    `//`, `DIR/..`, a link and a bind mount all can lead to the running system. The path of `/proc/PID/root` may read
    as anything, so folders are told apart by device and inode, and not by name (POSIX: the two identify a file).

    Raises:
        UsageError: It is no folder that can be looked into.
    """
    try:
        real = Path(os.path.realpath(path, strict=True))
        is_folder, live = real.is_dir(), is_live(real)
    except (OSError, ValueError) as error:  # ValueError: a NUL inside the path
        why = getattr(error, "strerror", None) or str(error)
        raise _no_root(f"there is no folder {str(path)!r} ({why})") from error
    if live:
        return THIS_MACHINE
    if not is_folder:
        raise _no_root(f"{str(path)!r} is no folder")
    return MachineRoot(real, live=False)


def _no_root(what: str) -> UsageError:
    return UsageError(what, where="--root", mend="Name a folder that holds sys and proc.")


def is_live(root: Path) -> bool:
    """Return whether a folder is the root of the running system, by whatever path it is reached."""
    try:
        return root.samefile("/")
    except OSError:
        return False


def machine_facts(machine: MachineRoot) -> MachineFact:
    """Return maker, model, firmware, processor, cores, memory, system, kernel and boot id; None where unreadable.

    Serial numbers are not read: they are of no use for heat.
    """
    root, live = machine
    dmi = root / "sys/class/dmi/id"
    return {
        "maker": _line(dmi / "sys_vendor"),
        "model": _line(dmi / "product_name"),
        "board": _line(dmi / "board_name"),
        "firmware": _line(dmi / "bios_version"),
        "processor": _processor(root, live=live),
        "cores": _cores(root, live=live),
        "memory_bytes": _memory(root, live=live),
        "system": _system(root, live=live),
        "kernel": platform.release() if live else _line(root / "proc/sys/kernel/osrelease"),
        "boot_id": boot_id(root),
        "governor": _line(root / "sys/devices/system/cpu/cpu0/cpufreq/scaling_governor"),
        "mains": mains_of(root),
        "power_limits_w": _power_limits(root),
    }


def boot_id(root: Path) -> str | None:
    """Return the kernel's random id of this boot, None where there is none (kernel document `random`)."""
    return _line(root / "proc/sys/kernel/random/boot_id")


def _line(path: Path) -> str | None:
    try:
        text = read_bytes(path, FileKind.KERNEL).decode("utf-8", "replace").strip()
    except (OSError, ValueError):
        return None
    return text or None


def _processor(root: Path, *, live: bool) -> str | None:
    text = _line(root / "proc/cpuinfo") or ""
    for line in text.splitlines():
        key, _, value = line.partition(":")
        if key.strip() in ("model name", "Model", "Hardware"):
            return value.strip()
    return (platform.processor() or platform.machine()) if live else None


def _cores(root: Path, *, live: bool) -> int | None:
    if live:
        return os.cpu_count()
    return len(list((root / "sys/devices/system/cpu").glob("cpu[0-9]*"))) or None


def _memory(root: Path, *, live: bool) -> int | None:
    if live:
        import psutil

        return int(psutil.virtual_memory().total)
    for line in (_line(root / "proc/meminfo") or "").splitlines():
        if line.startswith("MemTotal:"):
            return int(line.split()[1]) * 1024
    return None


def _system(root: Path, *, live: bool) -> str | None:
    if not live:
        return "simulated hardware" if (root / "verifyrig/load").exists() else None
    try:
        return platform.freedesktop_os_release().get("PRETTY_NAME")
    except OSError:
        return f"{platform.system()} {platform.version()}"


def _power_limits(root: Path) -> dict[str, float]:
    """Return the package's power limits by the driver's name for them, W (powercap document: µW)."""
    limits: dict[str, float] = {}
    zone = root / "sys/class/powercap/intel-rapl:0"
    for number in range(3):
        name = _line(zone / f"constraint_{number}_name")
        value = _line(zone / f"constraint_{number}_power_limit_uw")
        if name and value and value.isdigit():
            limits[name] = int(value) / 1e6
    return limits
