"""The watchdog of a worker: it ends on command, or when its pipe closes, its heartbeat is old, its parent is gone."""

from __future__ import annotations

import ctypes
import os
import signal
import sys
import threading
import time
from collections.abc import Callable

from verifyrig.loads.duty import ShareSchedule
from verifyrig.loads.wire import FIRST_BEAT_LIMIT_S, Lines, WorkerSettings, beat_clock_s

WATCH_PERIOD_S = 0.05
PR_SET_PDEATHSIG = 1  # Linux, prctl(2)


class Watchdog:
    """Follows the commands of the supervising process, and ends this process when it must end."""

    def __init__(self, settings: WorkerSettings, schedule: ShareSchedule, last_words: Callable[[], None]) -> None:
        """Take the schedule to fill, and what to say before an orderly end."""
        self._settings = settings
        self._schedule = schedule
        self._last_words = last_words
        self._last_beat_s: float | None = None
        self._armed_s: float | None = None
        self.beats = 0

    def begin(self) -> None:
        """Start to listen and to watch; from here on the process ends with its parent.

        The kernel's signal also ends a process whose own threads do not come to run, as while it fills memory.
        """
        if sys.platform == "linux":
            ctypes.CDLL(None, use_errno=True).prctl(PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
        threading.Thread(target=self._listen, name="commands", daemon=True).start()
        threading.Thread(target=self._watch, name="watchdog", daemon=True).start()

    def arm(self) -> None:
        """Let the rule of the heartbeat count: at its first beat, or after a grace at the latest."""
        self._armed_s = beat_clock_s()

    def overdue(self, now_s: float) -> bool:
        """Return whether the heartbeat is older than its limit, or the first never came, by `beat_clock_s`.

        That clock counts a suspend: a machine that wakes up again ends its load before anything else.
        """
        if self._last_beat_s is not None:
            return now_s - self._last_beat_s > self._settings.beat_limit_s
        return self._armed_s is not None and now_s - self._armed_s > FIRST_BEAT_LIMIT_S

    def obey(self, words: list[str]) -> None:
        """Follow one command, in words."""
        match words:
            case ["beat"]:
                self._last_beat_s = beat_clock_s()
                self.beats += 1
            case ["share", share, at_s]:
                self._schedule.command(float(share), float(at_s))
            case ["stop"]:
                self._last_words()
                os._exit(0)

    def _listen(self) -> None:
        lines = Lines()
        while data := os.read(0, 65536):
            for line in lines.feed(data):
                self.obey(line.split())
        os._exit(0)

    def _watch(self) -> None:
        while True:
            time.sleep(WATCH_PERIOD_S)
            if self._parent_gone() or self.overdue(beat_clock_s()):
                os._exit(3)

    def _parent_gone(self) -> bool:
        return os.name == "posix" and os.getppid() != self._settings.parent_pid
