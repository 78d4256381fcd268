"""Work that goes wrong: errors, freezes and resets that come by chance while the processor works."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

from mock_hw.physics.parts import Mistakes


class Countdown:
    """Events at a rate per second of full work; the draw does not depend on how time is cut into steps."""

    __slots__ = ("_random", "_rate_per_s", "_remaining_s")

    def __init__(self, rate_per_s: float, rng: random.Random) -> None:
        self._rate_per_s = rate_per_s
        self._random = rng
        self._remaining_s = self._next()

    def _next(self) -> float:
        return self._random.expovariate(self._rate_per_s) if self._rate_per_s > 0 else math.inf

    def spend(self, work_s: float) -> int:
        """Return how many events fall into `work_s` seconds of full work."""
        self._remaining_s -= work_s
        events = 0
        while self._remaining_s <= 0:
            self._remaining_s += self._next()
            events += 1
        return events


class MistakeMaker:
    """Counts compute errors and says when the machine freezes or resets.

    Attributes:
        errors: Compute errors since power-on.
        last_core: Core of the last error; -1 before the first.
    """

    def __init__(self, mistakes: Mistakes, cores: int, rng: random.Random) -> None:
        self._faulty_core = mistakes.faulty_core
        self._cores = cores
        self._random = rng
        # One stream for each, so that the course does not depend on which events share a step of time.
        streams = [random.Random(rng.getrandbits(64)) for _ in range(3)]
        self._errors = Countdown(mistakes.error_per_s, streams[0])
        self._freezes = Countdown(mistakes.freeze_per_s, streams[1])
        self._resets = Countdown(mistakes.reset_per_s, streams[2])
        self._never = mistakes == Mistakes()
        self.restart()

    def restart(self) -> None:
        """Forget the counts, as a power-on does."""
        self.errors = 0
        self.last_core = -1

    def work(self, share: float, dt_s: float, busy_cores: Sequence[int] | None) -> str | None:
        """Spend a stretch of work; return "hang" or "reset" where it ends the session, else None."""
        if self._never or share <= 0:
            return None
        work_s = share * dt_s
        self._make_errors(work_s, busy_cores)
        if self._freezes.spend(work_s):
            return "hang"
        return "reset" if self._resets.spend(work_s) else None

    def _make_errors(self, work_s: float, busy_cores: Sequence[int] | None) -> None:
        busy = busy_cores if busy_cores else range(self._cores)
        if self._faulty_core is None:
            for _ in range(self._errors.spend(work_s)):
                self.errors += 1
                self.last_core = self._random.choice(busy)
        elif self._faulty_core in busy:
            core_work_s = work_s * self._cores / len(busy)
            self.errors += self._count_on(self._faulty_core, core_work_s)

    def _count_on(self, core: int, work_s: float) -> int:
        events = self._errors.spend(work_s)
        if events:
            self.last_core = core
        return events
