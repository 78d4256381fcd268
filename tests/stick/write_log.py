"""Everything that was written to a stick, in its order: played again up to a moment, it is what a cut leaves.

QEMU's blklogwrites writes it, in the form of Linux, Documentation/admin-guide/device-mapper/log-writes.rst.
"""

from __future__ import annotations

import random
import struct
from dataclasses import dataclass
from pathlib import Path

_SECTOR = 512
_MAGIC = 0x6A736677736872
_FLUSH, _DISCARD = 1, 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Write:
    """One entry: bytes `data_at` to `data_at + size` of the log belong at `offset` of the disk; a flush has none."""

    offset: int
    size: int
    data_at: int
    is_flush: bool


def drive(image: Path, log: Path) -> str:
    """Return the options of a drive that writes an image and the log of it."""
    log.write_bytes(b"")
    return f"driver=blklogwrites,file.driver=file,file.filename={image},log.driver=file,log.filename={log}"


def entries(log: Path) -> list[Write]:
    """Return the log's entries; one that was cut off is left out."""
    found = []
    with log.open("rb") as file:
        magic, _, count, sector = struct.unpack("<QQQI", file.read(28))
        assert (magic, sector) == (_MAGIC, _SECTOR)
        at = _SECTOR
        for _ in range(count):
            file.seek(at)
            head = file.read(32)
            if len(head) < 32:
                break
            place, sectors, flags, _ = struct.unpack("<QQQQ", head)
            size = 0 if flags & _DISCARD else sectors * _SECTOR
            found.append(Write(offset=place * _SECTOR, size=size, data_at=at + _SECTOR, is_flush=bool(flags & _FLUSH)))
            at += _SECTOR + size
    return found


def left_by_cut(
    whole: list[Write], upto: int, before: bytes, begin: int, log: Path, draw: random.Random | None = None
) -> bytes:
    """Return a part of the disk as a cut after `upto` entries leaves it.

    Args:
        before: The part before the first entry.
        begin: Where on the disk it begins, bytes.
        draw: What a cache may lose: each write after the last flush is kept or lost at random; None loses nothing.
    """
    part = bytearray(before)
    last_flush = max((at for at in range(upto) if whole[at].is_flush), default=-1)
    with log.open("rb") as file:
        for at, one in enumerate(whole[:upto]):
            place = one.offset - begin
            if not one.size or place < 0 or place >= len(part) or (draw and at > last_flush and draw.random() < 0.5):
                continue
            file.seek(one.data_at)
            part[place : place + one.size] = file.read(one.size)
    return bytes(part)
