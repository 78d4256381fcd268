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
        found: What has been read, by channel; nothing is added once the thread was left behind.
        hangs_at: The channel whose read kept the thread when it was left behind, None where none did.
    """

    def __init__(self, reads: Sequence[tuple[str, Read]]) -> None:
        self.found: dict[str, Taken | SensorError] = {}
        self.hangs_at: str | None = None
        self.began_s = time.monotonic()
        self._reads = reads
        # A read may come back in the very moment in which it is called hanging: one of both holds, whoever looks.
        self._change = threading.Lock()
        self._begun = False
        self._left_behind = False
        self._done = threading.Event()

    def run(self) -> None:
        """Read one after the other, until somebody has left this thread behind."""
        for name, read in self._reads:
            with self._change:
                if self._left_behind:
                    break
                self._begun = True
            taken = read()
            with self._change:
                if self._left_behind:
                    break
                self.found[name] = taken
        self._done.set()

    def wait(self) -> bool:
        """Return whether all has been read within the limit."""
        return self._done.wait(HANGS_S) or self._done.wait(_CATCH_UP_S)

    def leave(self) -> bool:
        """Take no more of its thread; return whether a read keeps that one.

        None does where all came back at the last moment, or where the thread got no processor to begin with.
        """
        with self._change:
            self._left_behind = True
            unread = [name for name, _ in self._reads[len(self.found) :]]
            if self._begun and unread:
                self.hangs_at = unread[0]
        return self.hangs_at is not None

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

        Of a round that hangs, the channel `hangs_at` keeps it waiting; that one and those after it are not in what was
        read. Where no read could be begun there is nothing in it, and none hangs.
        """
        current = Round(reads)
        self._rounds.put(current)
        if current.wait() or not current.leave():
            return current.found, None
        self._rounds.put(None)
        self._begin()
        return current.found, current

    def close(self) -> None:
        """Let the thread end."""
        self._rounds.put(None)

    def _begin(self) -> None:
        self._rounds = queue.SimpleQueue()
        threading.Thread(target=read_rounds, args=(self._rounds,), name="sensor reader", daemon=True).start()


def read_rounds(rounds: queue.SimpleQueue[Round | None]) -> None:
    """Read one round after the other until one is None; what a reader's thread does."""
    while (current := rounds.get()) is not None:
        current.run()
