"""Files that are rewritten in place, as the kernel's own are: one write of fixed width, the inode never changes."""

from __future__ import annotations

import os
from pathlib import Path

NUMBER_WIDTH = 14  # holds an energy counter's twelve digits; readers strip the spaces


class LiveFile:
    """One open file of fixed width. A shorter text is filled up with spaces before its newline."""

    __slots__ = ("_fd", "_last", "_width")

    def __init__(self, path: Path, width: int) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        self._fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        os.ftruncate(self._fd, 0)
        self._width = width
        self._last: int | str | None = None

    def put_number(self, value: int) -> None:
        """Write a whole number where it changed."""
        if value != self._last:
            self._last = value
            os.pwrite(self._fd, b"%-*d\n" % (self._width - 1, value), 0)

    def put_text(self, text: str) -> None:
        """Write a text without its newline where it changed; it must fit the width."""
        if text != self._last:
            self._last = text
            os.pwrite(self._fd, text.ljust(self._width - 1).encode() + b"\n", 0)

    def get_text(self) -> str:
        """Read what stands in the file now, whoever wrote it."""
        return os.pread(self._fd, 4096, 0).decode(errors="replace")

    def close(self) -> None:
        """Close the file; it stays on disk with its last value."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1
