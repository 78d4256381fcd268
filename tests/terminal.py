"""A terminal with somebody who looks at it, for tests that start the program on one."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import threading
from collections.abc import Iterator


class Terminal:
    """A pseudo-terminal whose output is read all the time, as a window does: a full one would hold the program up.

    Attributes:
        program_end: File descriptor for the program's stdin, stdout, stderr; given away by `given`.
    """

    def __init__(self) -> None:
        self._ours, self.program_end = pty.openpty()
        self._woken, self._wake = os.pipe()
        self._reader: threading.Thread | None = None

    def given(self) -> None:
        """Close the program's end here, once the program has it, and begin to read."""
        os.close(self.program_end)
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def press(self, keys: bytes) -> None:
        """Press keys."""
        os.write(self._ours, keys)

    def close(self) -> None:
        """Close it, as a window is closed; twice is once."""
        if self._ours < 0:
            return
        # The reader first: a closed number goes to the next terminal, and it would read, or steal, from that.
        os.close(self._wake)
        if self._reader is not None:
            self._reader.join()
        os.close(self._woken)
        os.close(self._ours)
        self._ours = -1

    def _read(self) -> None:
        while self._woken not in (ready := select.select([self._ours, self._woken], [], [])[0]):
            try:
                if ready and not os.read(self._ours, 4096):
                    return
            except OSError:
                return  # the program has closed its end


@contextlib.contextmanager
def open_terminal() -> Iterator[Terminal]:
    """Give a terminal, closed in the end whatever happens."""
    terminal = Terminal()
    try:
        yield terminal
    finally:
        terminal.close()
