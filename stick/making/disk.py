"""One image from boot code and partitions: a GPT whose copy lies at its end (UEFI Specification 2.10, 5.3)."""

from __future__ import annotations

import binascii
import shutil
import struct
import uuid
from dataclasses import dataclass
from pathlib import Path

SECTOR = 512
_ALIGN = 2048
BIOS_BOOT = "21686148-6449-6E6F-744E-656564454649"
EFI_SYSTEM = "C12A7328-F81F-11D2-BA4B-00A0C93EC93B"
BASIC_DATA = "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7"
FIRST_SECTOR = _ALIGN


@dataclass(frozen=True, slots=True, kw_only=True)
class Partition:
    """A partition with its content: a file, or bytes in `sectors`."""

    kind: str
    name: str
    ident: uuid.UUID
    sectors: int
    content: Path | bytes


def write(image: Path, first: bytes, ident: uuid.UUID, partitions: list[Partition]) -> None:
    """Write the image: boot code in its first sector, the partitions one after another, each at a whole MiB."""
    starts: list[int] = []
    at = FIRST_SECTOR
    for part in partitions:
        starts.append(at)
        at += -(-part.sectors // _ALIGN) * _ALIGN
    total = at + _ALIGN
    entries = b"".join(
        struct.pack(
            "<16s16sQQQ72s", uuid.UUID(part.kind).bytes_le, part.ident.bytes_le, start, start + part.sectors - 1, 0,
            part.name.encode("utf-16le"),
        )
        for part, start in zip(partitions, starts, strict=True)
    ).ljust(128 * 128, b"\0")  # fmt: skip
    image.unlink(missing_ok=True)
    with image.open("wb") as file:
        file.truncate(total * SECTOR)
        file.write(_protective(first, total) + _header(1, total - 1, 2, total, ident, entries) + entries)
        for part, start in zip(partitions, starts, strict=True):
            file.seek(start * SECTOR)
            if isinstance(part.content, bytes):
                file.write(part.content)
            else:
                with part.content.open("rb") as source:
                    shutil.copyfileobj(source, file, 1 << 22)
        file.seek((total - 33) * SECTOR)
        file.write(entries + _header(total - 1, 1, total - 33, total, ident, entries))


def _protective(first: bytes, total: int) -> bytes:
    entry = struct.pack("<B3sB3sII", 0, b"\0\2\0", 0xEE, b"\xff\xff\xff", 1, min(total - 1, 0xFFFFFFFF))
    return first.ljust(446, b"\0") + entry + bytes(48) + b"\x55\xaa"


def _header(here: int, other: int, table: int, total: int, ident: uuid.UUID, entries: bytes) -> bytes:
    fields = (b"EFI PART", 0x10000, 92, 0, 0, here, other, 34, total - 34, ident.bytes_le, table, 128, 128)
    plain = struct.pack("<8sIIIIQQQQ16sQIII", *fields, binascii.crc32(entries))
    return (plain[:16] + struct.pack("<I", binascii.crc32(plain)) + plain[20:]).ljust(SECTOR, b"\0")
