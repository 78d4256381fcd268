"""Reads sensors by a thread of its own, so that whoever samples never waits for a bus that hangs.

A read is a system call that a driver answers; it cannot be called off. A thread that is stuck in one is left behind,
and another one goes on with the sensors that do answer.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Sequence

from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import Taken

# Reads of kernel files take microseconds; what is slower again and again has a thread of its own (`background`).
# Above this a read hangs: short enough that the load ends within 2 s, and that keys and signals are obeyed within 1 s.
HANGS_S = 0.7
# A program that was stopped and goes on finds the time over, though nothing hung: its reader gets so long to catch up.
_CATCH_UP_S = 0.2

Read = Callable[[], Taken | SensorError]


class Round:
    """One round of reads, filled in by the reader's thread.

    Attributes:
        found: What has been read so far, by channel.
        at: The channel that is being read, empty before the first and after the last.
    """

    def __init__(self, reads: Sequence[tuple[str, Read]]) -> None:
        self.found: dict[str, Taken | SensorError] = {}
        self.at = ""
        self.left_behind = False
        self.began_s = time.monotonic()
        self._reads = reads
        self._done = threading.Event()

    def run(self) -> None:
        """Read one after the other, until somebody has left this thread behind."""
        for name, read in self._reads:
            self.at = name
            taken = read()
            if self.left_behind:
                break
            self.found[name] = taken
        self.at = ""
        self._done.set()

    def wait(self) -> bool:
        """Return whether all has been read within the limit."""
        return self._done.wait(HANGS_S) or self._done.wait(_CATCH_UP_S)

    @property
    def over(self) -> bool:
        """Whether its thread is free again."""
        return self._done.is_set()


class Reader:
    """A thread that reads rounds of sensors; `read` never waits longer than a hanging read takes to be called so."""

    def __init__(self) -> None:
        self._rounds: queue.SimpleQueue[Round | None] = queue.SimpleQueue()
        self._begin()

    def read(self, reads: Sequence[tuple[str, Read]]) -> tuple[dict[str, Taken | SensorError], Round | None]:
        """Return what was read, by channel, and the round that hangs, None where none does.

        Of a round that hangs, the channel `at` keeps it waiting, and those after it are not in what was read.
        """
        current = Round(reads)
        self._rounds.put(current)
        if current.wait():
            return current.found, None
        current.left_behind = True
        if not current.at:  # it came back at the last moment
            return current.found, None
        self._rounds.put(None)
        self._begin()
        return dict(current.found), current

    def close(self) -> None:
        """Let the thread end."""
        self._rounds.put(None)

    def _begin(self) -> None:
        self._rounds = queue.SimpleQueue()
        threading.Thread(target=_read_rounds, args=(self._rounds,), name="sensor reader", daemon=True).start()


def _read_rounds(rounds: queue.SimpleQueue[Round | None]) -> None:
    while (current := rounds.get()) is not None:
        current.run()
