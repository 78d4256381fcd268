"""Which board this is, without telling its serial: a keyed digest of what the system's own tables say.

The digest is the same for the same board on every bench that has the same key, and says nothing to anybody without
the key (HMAC with SHA-256, RFC 2104). Serials that makers leave as they find them in a form are no identity.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import os
import secrets
from pathlib import Path

from verifyrig.files.foreign_file import FileKind, read_bytes

__all__ = ["KEY_NAME", "bench_key", "board_digest", "board_serial"]

KEY_NAME = "identity.key"
_PLACES = (
    "sys/class/dmi/id/board_serial",
    "sys/class/dmi/id/product_serial",
    "sys/firmware/devicetree/base/serial-number",
)
# What stands where a serial should (common practice, no source); compared without case, blanks and signs.
_PLACEHOLDERS = frozenset((
    "tobefilledbyoem", "defaultstring", "systemserialnumber", "baseboardserialnumber", "chassisserialnumber",
    "notspecified", "notapplicable", "unknown", "invalid", "empty", "serial", "serialnumber", "123456789",
    "1234567890", "0123456789", "12345678",
))  # fmt: skip
_SHORTEST = 5
_DIGEST_SIGNS = 20


def board_serial(root: Path) -> str | None:
    """Return the board's serial as the first table that has a real one says it; readable to root on most systems."""
    for place in _PLACES:
        with contextlib.suppress(OSError, ValueError):
            text = read_bytes(root / place, FileKind.KERNEL).decode("utf-8", "replace").strip("\x00 \t\r\n")
            plain = "".join(sign for sign in text.casefold() if sign.isalnum())
            if len(plain) >= _SHORTEST and plain not in _PLACEHOLDERS and len(set(plain)) > 1:
                return text
    return None


def board_digest(root: Path, key: bytes) -> str | None:
    """Return the keyed digest of the board's serial; None where it has none, or none that may be read."""
    serial = board_serial(root)
    if serial is None:
        return None
    return hmac.new(key, serial.encode("utf-8"), hashlib.sha256).hexdigest()[:_DIGEST_SIGNS]


def bench_key(folder: Path) -> bytes | None:
    """Return the key of a bench folder, made on first use; None where it can be neither read nor made.

    Benches that shall know one another's boards get a copy of the file `identity.key`.
    """
    path = folder / KEY_NAME
    with contextlib.suppress(OSError, ValueError):
        return bytes.fromhex(path.read_text("ascii").strip())
    key = secrets.token_bytes(32)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError:
        return None
    with os.fdopen(handle, "w", encoding="ascii") as file:
        file.write(key.hex() + "\n")
    return key
