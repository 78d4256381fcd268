"""Pictures for tests, made by hand."""

from __future__ import annotations

import zlib


def png(width: int, height: int) -> bytes:
    """A picture of one colour (Portable Network Graphics, W3C: 5.2 to 5.6)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return len(data).to_bytes(4, "big") + kind + data + zlib.crc32(kind + data).to_bytes(4, "big")

    head = width.to_bytes(4, "big") + height.to_bytes(4, "big") + bytes((8, 2, 0, 0, 0))
    rows = b"".join(b"\0" + bytes((90, 120, 60)) * width for _ in range(height))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")
