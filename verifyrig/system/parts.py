"""Which parts the machine's own tables name: DMI, processor, memory, drives and cards as the kernel has them."""

from __future__ import annotations

from pathlib import Path

from verifyrig.files.foreign_file import FileKind, read_bytes
from verifyrig.system.machine import MachineRoot, machine_facts

__all__ = ["parts_of"]

# Not built into the machine, or no drives at all.
_NO_DRIVES = ("loop", "ram", "zram", "dm-", "md", "sr", "fd", "nbd")


def parts_of(machine: MachineRoot) -> dict[str, list[str]]:
    """Return by part what is named; `memory` in bytes, `graphics` as the PCI numbers `vendor:device`.

    Sources: kernel documents sysfs-block and sysfs-bus-pci; what cannot be read is left out.
    """
    facts = machine_facts(machine)
    found = {name: [str(facts[name])] for name in ("maker", "model", "board", "firmware", "processor", "cores")
             if facts[name]}  # fmt: skip
    if facts["memory_bytes"]:
        found["memory"] = [str(facts["memory_bytes"])]
    drives = [
        model
        for device in sorted((machine.path / "sys/block").glob("*"))
        if not device.name.startswith(_NO_DRIVES) and _line(device / "removable") != "1"
        if (model := _line(device / "device/model"))
    ]
    cards = [
        f"{vendor.removeprefix('0x')}:{device.removeprefix('0x')}"
        for card in sorted((machine.path / "sys/class/drm").glob("card[0-9]"))
        if (vendor := _line(card / "device/vendor")) and (device := _line(card / "device/device"))
    ]
    return found | ({"drive": drives} if drives else {}) | ({"graphics": cards} if cards else {})


def _line(path: Path) -> str:
    try:
        return read_bytes(path, FileKind.KERNEL).decode("utf-8", "replace").strip()
    except (OSError, ValueError):
        return ""
