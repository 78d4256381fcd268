"""The kernel's own archive format "newc" for an initrd, written so that the same folder gives the same bytes.

Source of the layout: Linux, Documentation/driver-api/early-userspace/buffer-format.rst.
"""

from __future__ import annotations

import stat
from collections.abc import Iterator
from pathlib import Path


def archive(folder: Path, nodes: dict[str, tuple[int, int, int]] | None = None) -> bytes:
    """Return everything below a folder as one archive; owner root, times 0, in the order of the names.

    Args:
        nodes: Device files that no folder needs to hold: name -> (mode, major, minor).
    """
    parts: list[bytes] = []
    number = 0
    for path in sorted(folder.rglob("*")):
        number += 1
        parts.extend(_entry(number, path.relative_to(folder).as_posix(), path))
    for name, (mode, major, minor) in sorted((nodes or {}).items()):
        number += 1
        parts.append(_header(number, name, mode, 0, (major, minor)))
    parts.append(_header(0, "TRAILER!!!", 0, 0))
    whole = b"".join(parts)
    return whole + bytes(-len(whole) % 512)


def _entry(number: int, name: str, path: Path) -> Iterator[bytes]:
    mode = path.lstat().st_mode
    if stat.S_ISLNK(mode):
        data = path.readlink().as_posix().encode()
    elif stat.S_ISREG(mode):
        data = path.read_bytes()
        mode = stat.S_IFREG | (0o755 if mode & 0o100 else 0o644)
    else:
        data, mode = b"", stat.S_IFDIR | 0o755
    yield _header(number, name, mode, len(data))
    yield data + bytes(-len(data) % 4)


def _header(number: int, name: str, mode: int, size: int, device: tuple[int, int] = (0, 0)) -> bytes:
    label = name.encode() + b"\0"
    fields = (number, mode, 0, 0, 1, 0, size, 0, 0, *device, len(label), 0)
    head = b"070701" + b"".join(b"%08X" % field for field in fields) + label
    return head + bytes(-len(head) % 4)
