"""The die of a guest: a lumped model on the host, heated by what the guest's processors really do.

On a busy host the guest's processors wait for the host's. That time is left out (Linux, Documentation/scheduler/
sched-stats.rst: what a thread ran, and what it waited to run): an idle guest would look busy for it, as it takes longer
over the little that it does, and one under full load would look idle by the time it gets.

A program that samples and draws each second takes a real processor milliseconds of it, and an emulated one hundreds.
So only work without a pause heats this die: what starts a program, and a load.
"""

from __future__ import annotations

import math
import mmap
import struct
import threading
import time
from pathlib import Path

_AT = 0x4F0
_LOOK_S = 0.05
_IDLE_C = 38.0
_OF_LATE_S = 1.0
# What a processor works of late that is not always at it, and what one does at the least that is: the emulator itself
# lets a worker wait now and then.
_PAUSES, _NO_PAUSE = 0.35, 0.55


class Die:
    """Writes the temperature into the guest's memory until it is closed.

    Attributes:
        full_k: Rise at full work once settled, K.
        time_constant_s: How fast it settles, s: without contact the die alone takes up the heat.
        most_c: Where the processor takes its clock back, so that it gets no hotter, °C.
        forced_c: A temperature that is written whatever the model says; None for the model's own.
    """

    def __init__(self, memory: Path, pid: int, *, full_k: float = 30.0, time_constant_s: float = 12.0) -> None:
        self.full_k = full_k
        self.most_c = math.inf
        self.forced_c: float | None = None
        self.temp_c = _IDLE_C
        self.time_constant_s = time_constant_s
        self._pid = pid
        self._before: dict[str, tuple[float, float]] = {}
        self._late: dict[str, float] = {}
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
            busy, lasted_s = self._busy(now_s - before_s)
            goal_c = _IDLE_C + self.full_k * busy
            risen_c = self.temp_c + (goal_c - self.temp_c) * min(1.0, lasted_s / self.time_constant_s)
            self.temp_c = min(risen_c, self.most_c)
            before_s = now_s
            self._write(self.temp_c if self.forced_c is None else self.forced_c)

    def _busy(self, passed_s: float) -> tuple[float, float]:
        """Return the share of the processors that work without a pause, and how long that lasted without waiting, s."""
        lasted = []
        for task in Path(f"/proc/{self._pid}/task").glob("*"):
            try:
                if "CPU" not in (task / "comm").read_text():
                    continue
                ran_ns, waited_ns, _ = (task / "schedstat").read_text().split()
            except (OSError, ValueError):
                continue
            now = int(ran_ns) / 1e9, int(waited_ns) / 1e9
            ran_s, waited_s = (new - old for new, old in zip(now, self._before.get(task.name, now), strict=True))
            self._before[task.name] = now
            own_s = max(passed_s - waited_s, ran_s, 1e-4)
            late = self._late.get(task.name, 0.0)
            self._late[task.name] = late + (ran_s / own_s - late) * min(1.0, own_s / _OF_LATE_S)
            lasted.append(own_s)
        if not lasted:
            return 0.0, passed_s
        steady = [min(1.0, max(0.0, late - _PAUSES) / (_NO_PAUSE - _PAUSES)) for late in self._late.values()]
        return sum(steady) / len(steady), sum(lasted) / len(lasted)

    def _write(self, temp_c: float) -> None:
        self._memory[_AT : _AT + 8] = struct.pack("<II", round((temp_c + 273.15) * 10), 1)

    def close(self) -> None:
        """Write no more."""
        self._over.set()
        self._thread.join()
        self._memory.close()
        self._file.close()
