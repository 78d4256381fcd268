"""The die of a guest: a lumped model on the host, heated by what the guest's processors really do.

The share of time that QEMU's processor threads want to run is taken from their state, not from the time that they get:
on a busy host a guest that is under full load gets little time and heats all the same.
"""

from __future__ import annotations

import mmap
import struct
import threading
import time
from pathlib import Path

_AT = 0x4F0
_LOOK_S = 0.05
_IDLE_C = 38.0


class Die:
    """Writes the temperature into the guest's memory until it is closed.

    Attributes:
        full_k: Rise at full work once settled, K: 25 for a sound cooler, 70 for a blocked one.
        forced_c: A temperature that is written whatever the model says; None for the model's own.
    """

    def __init__(self, memory: Path, pid: int, *, full_k: float = 25.0, time_constant_s: float = 12.0) -> None:
        self.full_k = full_k
        self.forced_c: float | None = None
        self.temp_c = _IDLE_C
        self._tau_s = time_constant_s
        self._pid = pid
        self._file = memory.open("r+b")
        self._memory = mmap.mmap(self._file.fileno(), 4096)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._write(_IDLE_C)
        self._thread.start()

    def _run(self) -> None:
        before_s = time.monotonic()
        while not self._over.wait(_LOOK_S):
            now_s = time.monotonic()
            goal_c = _IDLE_C + self.full_k * self._busy()
            self.temp_c += (goal_c - self.temp_c) * min(1.0, (now_s - before_s) / self._tau_s)
            before_s = now_s
            self._write(self.temp_c if self.forced_c is None else self.forced_c)

    def _busy(self) -> float:
        """Return the share of the guest's processors that want to run now."""
        states = []
        for task in Path(f"/proc/{self._pid}/task").glob("*"):
            try:
                name, _, rest = (task / "stat").read_text().partition("(")[2].rpartition(")")
                label = (task / "comm").read_text()
            except OSError:
                continue
            if "CPU" in label or "CPU" in name:
                states.append(rest.split()[0] == "R")
        return sum(states) / len(states) if states else 0.0

    def _write(self, temp_c: float) -> None:
        self._memory[_AT : _AT + 8] = struct.pack("<II", round((temp_c + 273.15) * 10), 1)

    def close(self) -> None:
        """Write no more."""
        self._over.set()
        self._thread.join()
        self._memory.close()
        self._file.close()
