"""FAT file systems written without mounting anything, the same bytes for the same files."""

from __future__ import annotations

import os
import struct
from collections.abc import Mapping
from pathlib import Path

from stick.making.run import run

MIB = 1 << 20
_DIRECTORY, _LONG_NAME = 0x10, 0x0F


def make(image: Path, *, mib: int, label: str, serial: str, files: Mapping[str, Path], epoch: int) -> None:
    """Write a FAT32 file system with these files; folders are made as their names ask."""
    image.unlink(missing_ok=True)
    with image.open("wb") as file:
        file.truncate(mib * MIB)
    # 512 byte clusters: FAT32 needs at least 65 525 of them (Microsoft, FAT32 File System Specification, 3.5).
    run("mkfs.vfat", "--invariant", "-F", "32", "-s", "1", "-n", label, "-i", serial, image)
    env = {"MTOOLS_SKIP_CHECK": "1", "TZ": "UTC", "SOURCE_DATE_EPOCH": str(epoch)}
    folders = sorted({parent.as_posix() for name in files for parent in Path(name).parents} - {"."})
    if folders:
        run("mmd", "-i", image, *(f"::{folder}" for folder in folders), env=env)
    for name, source in sorted(files.items()):
        os.utime(source, (epoch, epoch))
        run("mcopy", "-m", "-o", "-i", image, source, f"::{name}", env=env)
    _same_times(image)


def _same_times(image: Path) -> None:
    """Clear the times of making in all folder entries: mtools takes them from the clock."""
    with image.open("r+b") as file:
        head = file.read(512)
        sector, per_cluster, reserved, tables = struct.unpack_from("<HBHB", head, 11)
        (table_size,) = struct.unpack_from("<I", head, 36)
        (root,) = struct.unpack_from("<I", head, 44)
        file.seek(reserved * sector)
        table = file.read(table_size * sector)
        data_at, cluster = (reserved + tables * table_size) * sector, per_cluster * sector
        waiting = [root]
        while waiting:
            at = waiting.pop()
            while 2 <= at < 0x0FFFFFF8:
                place = data_at + (at - 2) * cluster
                file.seek(place)
                entries = bytearray(file.read(cluster))
                waiting.extend(_clear(entries))
                file.seek(place)
                file.write(entries)
                at = struct.unpack_from("<I", table, at * 4)[0] & 0x0FFFFFFF


def _clear(entries: bytearray) -> list[int]:
    """Clear times in one cluster of a folder; return the first clusters of the folders in it."""
    inner = []
    for at in range(0, len(entries), 32):
        kind = entries[at + 11]
        if entries[at] in (0, 0xE5) or kind == _LONG_NAME:
            continue
        entries[at + 13 : at + 20] = bytes(7)  # made: tenths, time, date; last read
        if kind & _DIRECTORY:
            entries[at + 22 : at + 26] = bytes(4)
            if entries[at] != ord("."):
                high, low = struct.unpack_from("<H", entries, at + 20)[0], struct.unpack_from("<H", entries, at + 26)[0]
                inner.append(high << 16 | low)
    return inner
