"""Clocks: the real one, which counts suspended time where the system can, and a virtual one for simulated hardware."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable


class RealClock:
    """Seconds of the boot-time clock (CLOCK_BOOTTIME on Linux: it goes on during suspend), or the monotonic one."""

    def __init__(self) -> None:
        self._clock_id = getattr(time, "CLOCK_BOOTTIME", None)

    def now_s(self) -> float:
        """Return seconds since boot, suspended time included where the system can."""
        return time.monotonic() if self._clock_id is None else time.clock_gettime(self._clock_id)

    def utc_s(self) -> float:
        """Return the wall clock, s since 1970."""
        return time.time()

    def sleep_until(self, t_s: float, wake: threading.Event) -> None:
        """Wait for the absolute time `t_s`, or until `wake` is set."""
        remaining_s = t_s - self.now_s()
        if remaining_s > 0:
            wake.wait(remaining_s)


class VirtualClock:
    """Simulated time: as fast as the processor allows, or at `speed` times the real pace.

    `on_advance(t_s)` moves the simulated machine to the new time; it may raise what the machine does.
    """

    def __init__(
        self, on_advance: Callable[[float], None], *, start_utc_s: float | None = None, speed: float | None = None
    ) -> None:
        self._now_s = 0.0
        self._utc_start_s = time.time() if start_utc_s is None else start_utc_s
        self._on_advance = on_advance
        self._speed = speed
        self._real_start_s = time.monotonic()

    def now_s(self) -> float:
        """Return simulated seconds since the clock was made."""
        return self._now_s

    def utc_s(self) -> float:
        """Return the simulated wall clock, s since 1970."""
        return self._utc_start_s + self._now_s

    def sleep_until(self, t_s: float, wake: threading.Event) -> None:
        """Move simulated time to `t_s`; with a `speed`, wait for it, and stop where `wake` is set."""
        target_s = max(t_s, self._now_s)
        if self._speed is not None:
            remaining_s = target_s / self._speed - (time.monotonic() - self._real_start_s)
            if remaining_s > 0 and wake.wait(remaining_s):
                reached_s = (time.monotonic() - self._real_start_s) * self._speed
                target_s = min(target_s, max(self._now_s, reached_s))
        self._now_s = target_s
        self._on_advance(target_s)
