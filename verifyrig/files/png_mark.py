"""The mark by which a PNG of ours is known again: its text chunk "Software", first after the header.

Source: Portable Network Graphics (W3C, third edition): 5.3 chunk layout, 11.3.3.2 tEXt with the keyword Software.
"""

from __future__ import annotations

import zlib

PNG_MARK = b"Software\x00verifyrig"
_HEADER_END = 8 + 4 + 4 + 13 + 4  # signature; length, type, data and checksum of IHDR


def marked_png(data: bytes) -> bytes:
    """Return the picture with the mark in its head; raise `ValueError` where it is no PNG."""
    if not data.startswith(b"\x89PNG\r\n\x1a\n") or data[12:16] != b"IHDR":
        raise ValueError("this is no PNG")
    chunk = b"tEXt" + PNG_MARK
    whole = len(PNG_MARK).to_bytes(4, "big") + chunk + zlib.crc32(chunk).to_bytes(4, "big")
    return data[:_HEADER_END] + whole + data[_HEADER_END:]
