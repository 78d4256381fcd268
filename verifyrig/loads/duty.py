"""The duty cycle of one worker: which share holds now, and how long to pause after a block of work."""

from __future__ import annotations

import math
import threading

from verifyrig.loads.wire import BLOCK_S, clock_s

# A pause that came out too long is made up for by at most this much work, so that nothing bursts after a stall.
LARGEST_CREDIT_S = 4 * BLOCK_S


class ShareSchedule:
    """Duty shares with the moments from which they hold; commanded by one thread, followed by another."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._share = 0.0
        self._coming: list[tuple[float, float]] = []
        self._news = False

    def command(self, share: float, at_s: float) -> None:
        """Let `share` hold from `at_s` (of `clock_s`) on; what was commanded earlier for later is forgotten."""
        with self._changed:
            self._coming = [item for item in self._coming if item[0] < at_s] + [(at_s, share)]
            self._news = True
            self._changed.notify_all()

    def now(self, now_s: float) -> tuple[float, float]:
        """Return the share that holds now, and the moment of the next commanded change, inf if none."""
        with self._changed:
            self._news = False
            while self._coming and self._coming[0][0] <= now_s:
                self._share = self._coming.pop(0)[1]
            return self._share, self._coming[0][0] if self._coming else math.inf

    def pause_until(self, until_s: float) -> None:
        """Return at `until_s`, or as soon as something was commanded since the last call of `now`.

        Since that call, not since this one: a command in between must not wait for the next one.
        """
        with self._changed:
            wait_s = until_s - clock_s()
            if wait_s > 0:
                self._changed.wait_for(lambda: self._news, None if math.isinf(wait_s) else wait_s)


class DutyMeter:
    """How long to pause after each block of work, so that the busy time comes to the commanded share."""

    def __init__(self) -> None:
        self._ahead_s = 0.0

    def pause_s(self, busy_s: float, share: float) -> float:
        """Return the pause due after `busy_s` of work at `share` (above 0), s."""
        self._ahead_s += busy_s * (1 - share) / share
        return max(0.0, self._ahead_s)

    def paused(self, pause_s: float) -> None:
        """Note how long the pause really was, s."""
        self._ahead_s = max(self._ahead_s - pause_s, -LARGEST_CREDIT_S)

    def reset(self) -> None:
        """Forget what is due, as after a change of share."""
        self._ahead_s = 0.0
