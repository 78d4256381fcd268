"""What Linux keeps in files: crash records in pstore, and memory errors counted by EDAC since boot."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from verifyrig.files.foreign_file import FileKind, read_bytes
from verifyrig.system.history.entries import LogEntry

# systemd-pstore(8) archives crash records below the first; the kernel shows those not yet taken below the second.
_PSTORE_FOLDERS = ("var/lib/systemd/pstore", "sys/fs/pstore")
_CRASH_NAME = re.compile(r"dmesg(?:\.txt)?$|^dmesg-")


def pstore_entries(root: Path) -> Iterator[LogEntry]:
    """Yield one entry for each crash that the kernel could still write down (kernel document "abi/testing/pstore").

    A record there means that the kernel was alive when it ended: a crash, not a cut of the power. Parts of one crash
    lie in files of their own; those of one minute count once.
    """
    seen: set[int] = set()
    for place in _PSTORE_FOLDERS:
        for file in sorted(_files_below(root / place)):
            if not _CRASH_NAME.search(file.name):
                continue
            try:
                utc_s = file.stat().st_mtime
            except OSError:
                continue
            if int(utc_s // 60) not in seen:
                seen.add(int(utc_s // 60))
                yield LogEntry(utc_s=utc_s, id="crash-record")


def _files_below(folder: Path) -> list[Path]:
    try:
        return [path for path in folder.rglob("*") if path.is_file()]
    except OSError:
        return []


def edac_entries(root: Path) -> Iterator[LogEntry]:
    """Yield the counts of memory errors since boot (kernel document "ABI/testing/sysfs-devices-edac").

    Machines without error-correcting memory have no controller there: nothing then says that the memory is good.
    """
    for controller in sorted((root / "sys/devices/system/edac/mc").glob("mc[0-9]*")):
        for name, kind in (("ce_count", "memory-ce-total"), ("ue_count", "memory-ue-total")):
            count = _number(controller / name)
            if count is not None:
                yield LogEntry(utc_s=None, id=kind, code=f"controller={controller.name[2:]} count={count}")


def _number(path: Path) -> int | None:
    try:
        return int(read_bytes(path, FileKind.KERNEL).decode("ascii", "replace").strip())
    except (OSError, ValueError):
        return None
