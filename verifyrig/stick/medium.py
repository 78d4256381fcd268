"""The stick's data partition: read-only until something is to be written, and read-only again afterwards.

Several processes may write: each leaves a file with its id while it does, and the last one makes it read-only.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

_WRITERS = Path("/run/verifyrig-stick/writers")
_BENCH = "/bench"
_WAIT_S = 60.0


class Medium:
    """Counts who writes; the first makes the partition writable, the last makes it read-only."""

    def __init__(self, writers: Path = _WRITERS) -> None:
        """Take the folder in which processes say that they write."""
        self._own = writers / str(os.getpid())
        self._lock = threading.Lock()
        self._writers = 0

    @property
    def is_being_written(self) -> bool:
        """Whether anybody writes: the stick must not be pulled then."""
        return self._writers > 0 or self._others_write()

    @contextlib.contextmanager
    def writing(self) -> Iterator[None]:
        """Keep the partition writable while inside. Where that cannot be, what is written says so itself."""
        with self._lock:
            self._writers += 1
            if self._writers == 1:
                with contextlib.suppress(OSError):
                    self._own.parent.mkdir(parents=True, exist_ok=True)
                    self._own.touch()
                self.remount("rw")
        try:
            yield
        finally:
            with self._lock:
                self._writers -= 1
                if self._writers == 0:
                    self._own.unlink(missing_ok=True)
                    if not self._others_write():
                        self.remount("ro")

    def again(self) -> None:
        """Make a stick that was plugged in again as writable as the one that was pulled."""
        with self._lock:
            if self._writers:
                self.remount("rw")

    def _others_write(self) -> bool:
        """Return whether another process writes; one that ended without a word counts no more."""
        try:
            others = [path for path in self._own.parent.iterdir() if path != self._own]
        except OSError:
            return False
        return any(Path(f"/proc/{path.name}").exists() for path in others)

    def remount(self, how: str) -> None:
        """Ask the system for it; a stick that is away refuses."""
        with contextlib.suppress(OSError, subprocess.SubprocessError):
            words = ["mount", "-o", f"remount,{how}", _BENCH]
            subprocess.run(words, capture_output=True, timeout=_WAIT_S, check=False)


MEDIUM = Medium()
"""The one partition of this system."""
