"""A digest of the closed file's own bytes, written into the file in place of zeros.

It notices any changed byte, also where SQLite keeps nothing: a medium that loses bits seldom loses only idle ones.
"""

from __future__ import annotations

import hashlib
import mmap
import os
from enum import Enum
from pathlib import Path

_PREFIX = b"SHA-256 of this file with these 64 digits at 0: "
_DIGITS = 64
UNSTAMPED = _PREFIX.decode() + "0" * _DIGITS


class Stamp(Enum):
    """What the stamp says of the bytes."""

    FITS = "fits"
    DIFFERS = "differs"
    NONE = "none"  # not stamped yet, or the place is not found


def stamp(path: Path) -> None:
    """Write the digest into a file that was just closed, and onto the medium."""
    with path.open("r+b", buffering=0) as file:
        with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
            at = _place(data)
            digest = None if at is None else _digest(data, at)
        if at is not None and digest is not None:
            _write_at(file.fileno(), digest, at)
            os.fsync(file.fileno())


def _write_at(handle: int, data: bytes, at: int) -> None:
    if hasattr(os, "pwrite"):
        os.pwrite(handle, data, at)
    else:  # Windows
        os.lseek(handle, at, os.SEEK_SET)
        os.write(handle, data)


def read_stamp(path: Path) -> Stamp:
    """Return whether the file's bytes are those that were stamped."""
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        at = _place(data)
        if at is None or data[at : at + _DIGITS] == b"0" * _DIGITS:
            return Stamp.NONE
        return Stamp.FITS if data[at : at + _DIGITS] == _digest(data, at) else Stamp.DIFFERS


def _place(data: mmap.mmap) -> int | None:
    """Return where the digits begin; None where the text before them is not found exactly once."""
    at = data.find(_PREFIX)
    if at < 0 or data.find(_PREFIX, at + 1) >= 0 or at + len(_PREFIX) + _DIGITS > len(data):
        return None
    return at + len(_PREFIX)


def _digest(data: mmap.mmap, at: int) -> bytes:
    view = memoryview(data)
    try:
        digest = hashlib.sha256(view[:at])
        digest.update(b"0" * _DIGITS)
        digest.update(view[at + _DIGITS :])
    finally:
        view.release()
    return digest.hexdigest().encode()
