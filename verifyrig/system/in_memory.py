"""Whether a folder lies in memory: all in it is then gone when the machine is switched off, or dies."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

IN_MEMORY = (
    "BEWARE: the bench folder {folder} lies in memory. Its records are gone when this machine is switched off, dies or "
    "starts anew. Name a folder on a disk or a stick with --bench."
)
_MEMORY = ("tmpfs", "ramfs", "devtmpfs")


class _Mount(NamedTuple):
    place: Path
    kind: str
    options: str


def lies_in_memory(folder: Path, root: Path = Path("/")) -> bool:
    """Return whether a folder, or where it would be made, lies in memory, as Linux tells it; elsewhere False.

    An overlay lies where its upper folder lies. One whose upper folder cannot be seen any more, as on a system that was
    started from a medium, is taken for one in memory where it is no larger than the memory is.

    Args:
        folder: Absolute.
        root: `/`, or a tree with `proc/self/mountinfo` and `proc/meminfo`.

    Source: proc_pid_mountinfo(5); Linux, Documentation/filesystems/overlayfs.rst.
    """
    mounts = list(_mounts(root))
    mount = _mount_of(Path(os.path.realpath(folder)), mounts)
    if mount is None:
        return False
    if mount.kind != "overlay":
        return mount.kind in _MEMORY
    upper = dict(word.partition("=")[::2] for word in mount.options.split(",")).get("upperdir", "")
    if not upper:
        return False  # read-only: nothing can be lost
    if (root / upper.lstrip("/")).is_dir():
        below = _mount_of(Path(upper), mounts)
        return below is not None and below.kind in _MEMORY
    return _size(mount.place) <= _memory(root)


def _mounts(root: Path) -> Iterator[_Mount]:
    try:
        text = (root / "proc/self/mountinfo").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return
    for line in text.splitlines():
        head, _, tail = line.partition(" - ")
        fields, more = head.split(), tail.split()
        if len(fields) >= 5 and len(more) >= 3:
            yield _Mount(Path(_plain(fields[4])), more[0], more[2])


def _plain(text: str) -> str:
    for code, sign in (("\\040", " "), ("\\011", "\t"), ("\\012", "\n"), ("\\134", "\\")):
        text = text.replace(code, sign)
    return text


def _mount_of(folder: Path, mounts: list[_Mount]) -> _Mount | None:
    """Return the innermost mount that holds a folder; of several at one place the last one covers the others."""
    holding = [mount for mount in mounts if folder.is_relative_to(mount.place)]
    return max(reversed(holding), key=lambda mount: len(mount.place.parts), default=None)


def _size(place: Path) -> int:
    try:
        held = os.statvfs(place)
    except OSError:
        return 1 << 62
    return held.f_blocks * held.f_frsize


def _memory(root: Path) -> int:
    try:
        text = (root / "proc/meminfo").read_text()
        return int(text.split("MemTotal:")[1].split()[0]) * 1024
    except (OSError, IndexError, ValueError):
        return 0
