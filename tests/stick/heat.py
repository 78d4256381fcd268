"""The die of a guest: a lumped model on the host, heated by what the guest's processors really do.

On a busy host the guest's processors wait for the host's. That time is left out (Linux, Documentation/scheduler/
sched-stats.rst: what a thread ran, and what it waited to run): an idle guest would look busy for it, as it takes longer
over the little that it does, and one under full load would look idle by the time it gets.

Power goes with the third power of the work: clock and voltage rise together with it (P = C V² f of CMOS, a textbook's).
So a program that only waits and samples heats little, and one that computes all the time heats much.
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
_OF_LATE_S = 0.7


class Die:
    """Writes the temperature into the guest's memory until it is closed.

    Attributes:
        full_k: Rise at full work once settled, K.
        time_constant_s: How fast it settles, s: without contact the die alone takes up the heat.
        most_c: Where the processor takes its clock back, so that it gets no hotter, °C.
        forced_c: A temperature that is written whatever the model says; None for the model's own.
        busiest: The share that the busiest of the guest's processors worked of late.
    """

    def __init__(self, memory: Path, pid: int, *, full_k: float = 40.0, time_constant_s: float = 12.0) -> None:
        self.full_k = full_k
        self.most_c = math.inf
        self.forced_c: float | None = None
        self.busiest = 0.0
        self.temp_c = _IDLE_C
        self.time_constant_s = time_constant_s
        self._pid = pid
        self._before: dict[str, tuple[float, float]] = {}
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
            goal_c = _IDLE_C + self.full_k * busy**3
            risen_c = self.temp_c + (goal_c - self.temp_c) * min(1.0, lasted_s / self.time_constant_s)
            self.temp_c = min(risen_c, self.most_c)
            before_s = now_s
            self._write(self.temp_c if self.forced_c is None else self.forced_c)

    def _busy(self, passed_s: float) -> tuple[float, float]:
        """Return the share of the guest's processors that worked, and how long that lasted without waiting, s."""
        shares, lasted = [], []
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
            shares.append(ran_s / own_s)
            lasted.append(own_s)
        if not shares:
            return 0.0, passed_s
        self.busiest += (max(shares) - self.busiest) * min(1.0, passed_s / _OF_LATE_S)
        return sum(shares) / len(shares), sum(lasted) / len(lasted)

    def _write(self, temp_c: float) -> None:
        self._memory[_AT : _AT + 8] = struct.pack("<II", round((temp_c + 273.15) * 10), 1)

    def close(self) -> None:
        """Write no more."""
        self._over.set()
        self._thread.join()
        self._memory.close()
        self._file.close()
