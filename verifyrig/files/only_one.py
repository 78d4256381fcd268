"""One process at a time: a lock that the kernel gives back however its holder ends."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

__all__ = ["only_one"]


@contextlib.contextmanager
def only_one(path: Path) -> Iterator[bool]:
    """Yield whether this process has the lock now; without locks in the system it always has.

    Raises:
        OSError: The file of the lock cannot be made.
    """
    try:
        import fcntl
    except ImportError:
        yield True
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            held = True
        except BlockingIOError:
            held = False
        yield held
    finally:
        os.close(handle)
