"""All workers of one load: started together, told together, ended together."""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence

from verifyrig.core.errors import LoadError
from verifyrig.loads.wire import Counts, WorkerSettings, clock_s
from verifyrig.loads.worker_process import WorkerProcess

POLITE_S = 0.030
POLL_S = 0.0005
# What a killed worker may take to leave its last instruction; far beyond it only a broken system call keeps it.
END_LIMIT_S = 5.0
# Most are reaped within milliseconds; this is how long the caller waits for that before it goes on regardless.
PROMPT_BURIAL_S = 0.25
BURIAL_LIMIT_S = 30.0


class Crew:
    """Worker processes. Nothing but `await_ready` and `end` waits, and `end` only until no worker can work any more."""

    def __init__(self) -> None:
        self._news = threading.Condition()
        self._burial: threading.Thread | None = None
        self.workers: list[WorkerProcess] = []

    def begin(self, settings: WorkerSettings) -> None:
        """Start one more worker.

        Raises:
            LoadError: The system cannot start another process.
        """
        try:
            self.workers.append(WorkerProcess(settings, self._news))
        except OSError as error:
            raise LoadError(
                f"a worker process cannot be started ({error.strerror})",
                where=f"load, {settings.work}",
                mend="Check the limits on processes and memory, or ask for fewer workers.",
            ) from error

    def await_ready(self, limit_s: float) -> None:
        """Return when every worker is ready.

        Raises:
            LoadError: One refused, ended, or took longer than the limit.
        """
        deadline_s = clock_s() + limit_s
        with self._news:
            while not all(worker.ready for worker in self.workers):
                failed = next((w for w in self.workers if w.refused or (w.silent and not w.ready)), None)
                if failed is not None:
                    raise _refusal(failed)
                if not self._news.wait(deadline_s - clock_s()):
                    raise LoadError(
                        f"the workers were not ready within {limit_s:.0f} s",
                        where="load",
                        mend="Close what else is busy on this machine, or ask for less memory.",
                    )

    def tell(self, lines: Sequence[bytes]) -> None:
        """Tell each worker its line; one that no longer takes any hangs, and is killed."""
        for worker, line in zip(self.workers, lines, strict=True):
            if not worker.tell(line) and not worker.exited():
                worker.kill()  # what it was told last no longer holds

    def alive(self) -> int:
        """Return how many are alive; what a dead one left behind is killed, and it is reaped."""
        dead = [worker for worker in self.workers if worker.exited()]
        for worker in dead:
            worker.kill()
            worker.reap()
        return len(self.workers) - len(dead)

    def news(self) -> tuple[Counts, list[tuple[int, float, str]], list[str]]:
        """Return total counts, faults since the last call as (worker, time, detail), and notes, each once."""
        with self._news:
            total = Counts(*(sum(column) for column in zip(Counts(), *(w.counts for w in self.workers), strict=True)))
            faults = [(w.settings.index, at_s, detail) for w in self.workers for at_s, detail in w.take_faults()]
            notes = list(dict.fromkeys(note for w in self.workers for note in w.notes))
        return Counts(total.work, int(total.checks), int(total.errors)), faults, notes

    def end(self) -> float:
        """Tell all to stop, kill them and their children after 30 ms; return when none can work any more, s.

        A killed worker that only gives its memory back counts as ended (this takes seconds where it filled much); it
        is reaped in the background.
        """
        began_s = clock_s()
        for worker in self.workers:
            worker.tell(b"stop\n")
        self._wait_until(began_s + POLITE_S)
        for worker in self.workers:
            worker.kill()
        self._wait_until(began_s + END_LIMIT_S)
        took_s = clock_s() - began_s
        self._burial = threading.Thread(target=_bury, args=(tuple(self.workers),), name="burial", daemon=True)
        self._burial.start()
        self._burial.join(PROMPT_BURIAL_S)
        return took_s

    def await_burial(self) -> None:
        """Return when all that was ended has been reaped and its memory is free again."""
        if self._burial is not None:
            self._burial.join(BURIAL_LIMIT_S)

    def _wait_until(self, deadline_s: float) -> None:
        while not all(worker.powerless() for worker in self.workers) and clock_s() < deadline_s:
            time.sleep(POLL_S)


def _bury(workers: Sequence[WorkerProcess]) -> None:
    for worker in workers:
        worker.reap()
        worker.let_go()


def _refusal(worker: WorkerProcess) -> LoadError:
    what, _, mend = (worker.refused or "a worker ended before it was ready | Start the run again.").partition(" | ")
    return LoadError(what, where=f"load, {worker.settings.work}", mend=mend)
