"""What machine a run is made on, as far as it can be read without special rights."""

from __future__ import annotations

import os
import platform
from pathlib import Path
from typing import Any


def machine_facts(root: Path) -> dict[str, Any]:
    """Return maker, model, firmware, processor, cores, memory, system, kernel and boot id; None where unreadable.

    `root` is the folder that holds `sys` and `proc`. Serial numbers are not read: they are of no use for heat.
    """
    dmi = root / "sys/class/dmi/id"
    facts: dict[str, Any] = {
        "maker": _line(dmi / "sys_vendor"),
        "model": _line(dmi / "product_name"),
        "board": _line(dmi / "board_name"),
        "firmware": _line(dmi / "bios_version"),
        "processor": _processor(root),
        "cores": _cores(root),
        "memory_bytes": _memory(root),
        "system": _system(root),
        "kernel": platform.release() if is_live(root) else _line(root / "proc/sys/kernel/osrelease"),
        "boot_id": boot_id(root),
        "governor": _line(root / "sys/devices/system/cpu/cpu0/cpufreq/scaling_governor"),
    }
    facts["power_limits_w"] = _power_limits(root)
    return facts


def is_live(root: Path) -> bool:
    """Return whether `root` is the running system itself."""
    return root == Path("/")


def boot_id(root: Path) -> str | None:
    """Return the kernel's random id of this boot, None where there is none (kernel document `random`)."""
    return _line(root / "proc/sys/kernel/random/boot_id")


def _line(path: Path) -> str | None:
    try:
        text = path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return None
    return text or None


def _processor(root: Path) -> str | None:
    text = _line(root / "proc/cpuinfo") or ""
    for line in text.splitlines():
        key, _, value = line.partition(":")
        if key.strip() in ("model name", "Model", "Hardware"):
            return value.strip()
    return (platform.processor() or platform.machine()) if is_live(root) else None


def _cores(root: Path) -> int | None:
    if is_live(root):
        return os.cpu_count()
    return len(list((root / "sys/devices/system/cpu").glob("cpu[0-9]*"))) or None


def _memory(root: Path) -> int | None:
    if is_live(root):
        import psutil

        return int(psutil.virtual_memory().total)
    for line in (_line(root / "proc/meminfo") or "").splitlines():
        if line.startswith("MemTotal:"):
            return int(line.split()[1]) * 1024
    return None


def _system(root: Path) -> str | None:
    if not is_live(root):
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
