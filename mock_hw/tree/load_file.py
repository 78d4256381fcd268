"""The duty that the bench asks of the simulated machine: one line, `SHARE [CORELIST]`."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from pathlib import Path

Request = tuple[float, tuple[int, ...] | None]
IDLE: Request = (0.0, None)


class LoadFile:
    """Reads the request anew each time; the file may be rewritten in place or replaced by its writer."""

    def __init__(self, path: Path, cores: int) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(format_load(0.0))
        self._path = path
        self._cores = cores
        self._request = IDLE
        self._text = b""
        self._fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)

    def read(self) -> Request:
        """Return the share and the cores asked for now. A file that is gone asks for nothing."""
        if os.fstat(self._fd).st_nlink == 0 and not self._open_again():
            return IDLE
        text = os.pread(self._fd, 4096, 0)
        if text != self._text or not text:
            if not text and not self._text:
                return IDLE  # empty twice: nobody is about to write
            self._text = text
            self._request = parse_load(text.decode(errors="replace"), self._cores, self._request)
        return self._request

    def _open_again(self) -> bool:
        try:
            fresh = os.open(self._path, os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            return False
        os.close(self._fd)
        self._fd = fresh
        return True

    def close(self) -> None:
        """Close the file; it stays on disk."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1


def parse_load(text: str, cores: int, before: Request = IDLE) -> Request:
    """Return the share of the whole processor, 0 to 1, and the cores that carry it (None: all).

    An empty text is a writer between truncating and writing, so the request before holds. Anything else that
    is no share stops the load: a broken request must never keep a machine hot.
    """
    words = text.split()
    if not words:
        return before
    try:
        share = float(words[0])
        busy = _core_list(words[1], cores) if len(words) > 1 else None
    except ValueError:
        return IDLE
    return (min(1.0, max(0.0, share)), busy) if math.isfinite(share) else IDLE


def _core_list(word: str, cores: int) -> tuple[int, ...] | None:
    """Read a list as the kernel writes it, "0-3,6", with or without "cores=" in front; None where it names none."""
    numbers: set[int] = set()
    for part in word.removeprefix("cores=").split(","):
        first, _, last = part.partition("-")
        numbers.update(range(int(first), min(int(last or first), cores - 1) + 1))
    return tuple(sorted(number for number in numbers if 0 <= number < cores)) or None


def format_load(share: float, busy_cores: Sequence[int] | None = None) -> str:
    """Return the line for a share and, where only some cores carry it, their numbers."""
    cores = " cores=" + ",".join(str(core) for core in busy_cores) if busy_cores else ""
    return f"{share:.6f}{cores}\n"
