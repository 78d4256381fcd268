"""Edge: writes a file whole or not at all, so that a power cut leaves the old one or the new one."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from verifyrig.core.plain_text import storable


def write_whole(path: Path, text: str) -> None:
    """Write a text as UTF-8: aside, synced, renamed, the folder synced; folders are made.

    What UTF-8 cannot hold (a lone surrogate of an odd file name) becomes '?'.

    Raises:
        OSError: It cannot be written; the old file stays, and nothing is left beside it.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with replacing(path) as file:
        file.write(storable(text).encode("utf-8"))


@contextlib.contextmanager
def replacing(path: Path) -> Iterator[IO[bytes]]:
    """Yield a file to write into, which is synced and gets the name `path` where the block ends in order.

    Raises:
        OSError: It cannot be written; the old file stays, and nothing is left beside it.
    """
    aside = path.with_name(f".{path.name[:200]}.{secrets.token_hex(4)}.new")
    try:
        with aside.open("xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
    except BaseException:
        aside.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Put the names in a folder on the medium, where the system can (Windows cannot and need not)."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
