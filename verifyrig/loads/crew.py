"""All workers of one load: started together, commanded together, ended together."""

from __future__ import annotations

import contextlib
import math
import threading
import time
from collections.abc import Callable, Sequence

import psutil

from verifyrig.core.errors import LoadError
from verifyrig.core.reason import Reason
from verifyrig.loads.wire import Counts, WorkerSettings, clock_s
from verifyrig.loads.worker_process import WORKER_PROGRAM, WorkerProcess

POLITE_S = 0.030
POLL_S = 0.0005
BEAT_EVERY_S = 0.4
# What a killed worker may take to leave its last instruction; far beyond it only a broken system call keeps it.
END_LIMIT_S = 5.0
# Most are reaped within milliseconds; this is how long the caller waits for that before it goes on regardless.
PROMPT_BURIAL_S = 0.1
BURIAL_LIMIT_S = 30.0
# A worker that still uses processor time is on its way, however slow or busy the machine is; it is waited for this many
# times the limit. One that uses none for this long hangs.
PATIENCE = 9
NO_PROGRESS_S = 5.0


class Crew:
    """Worker processes. Any thread may end them at any moment, while they are being started too.

    Nothing but `await_ready` and `end` waits, and `end` only until no worker can work any more.
    """

    def __init__(self) -> None:
        self._news = threading.Condition()
        self._ended = False
        self._spawned = True
        self._gone = threading.Event()
        self._failure: LoadError | None = None
        self._burial: threading.Thread | None = None
        self.workers: tuple[WorkerProcess, ...] = ()

    def begin(self, all_settings: Sequence[WorkerSettings], *, program: Sequence[str] = WORKER_PROGRAM) -> None:
        """Start one worker for each of the settings; returns at once. Another program only stands in for measurements.

        They are started by a thread that lasts as long as they do: the kernel ties the signal that ends a child with
        its parent to the very thread that started it (prctl(2), PR_SET_PDEATHSIG).
        """
        self._spawned = False
        threading.Thread(target=self._spawn, args=(all_settings, program), name="crew", daemon=True).start()

    def await_ready(self, limit_s: float) -> None:
        """Return when every worker is ready; send the heartbeat meanwhile.

        Raises:
            LoadError: One could not be started, refused, ended, or took longer than the limit without getting on; or
                `end` was called.
        """
        began_s = moved_s = clock_s()
        used_s = 0.0
        while not self._await_news(clock_s() + BEAT_EVERY_S):
            now_s, before_s, used_s = clock_s(), used_s, self._processor_s()
            moved_s = now_s if used_s > before_s else moved_s
            gets_on = now_s - moved_s < NO_PROGRESS_S and now_s - began_s < PATIENCE * limit_s
            if now_s - began_s >= limit_s and not gets_on:
                raise LoadError(
                    f"the workers were not ready within {now_s - began_s:.0f} s",
                    where="load",
                    mend="Close what else is busy on this machine, or ask for less memory.",
                )
            self.send(lambda _: b"beat\n")

    def _processor_s(self) -> float:
        """Return the processor time that the workers which are not ready have used, s."""
        total_s = 0.0
        for worker in self.workers:
            if not worker.ready:
                with contextlib.suppress(psutil.Error):
                    times = psutil.Process(worker.pid).cpu_times()
                    total_s += times.user + times.system
        return total_s

    def send(self, line_for: Callable[[WorkerSettings], bytes]) -> None:
        """Send each worker its line; one that no longer takes any hangs, and is killed."""
        for worker in self.workers:
            if not worker.send(line_for(worker.settings)) and not worker.exited():
                worker.kill()  # its last command no longer holds

    def alive(self) -> int:
        """Return how many are alive; what a dead one left behind is killed, and it is reaped."""
        dead = [worker for worker in self.workers if worker.exited()]
        for worker in dead:
            worker.kill()
            worker.reap()
        return len(self.workers) - len(dead)

    def news(self) -> tuple[Counts, list[tuple[int, float, str]], list[Reason]]:
        """Return total counts, faults since the last call as (worker, time, detail), and notes, each once."""
        with self._news:
            total = Counts(*(sum(column) for column in zip(Counts(), *(w.counts for w in self.workers), strict=True)))
            faults = [(w.settings.index, at_s, detail) for w in self.workers for at_s, detail in w.take_faults()]
            notes = list(dict.fromkeys(note for w in self.workers for note in w.notes))
        return Counts(total.work, int(total.checks), int(total.errors)), faults, notes

    def end(self) -> float:
        """End the workers in whatever state they are, and start no more; return when none can work any more, s.

        They are asked to stop and, with their children, killed after 30 ms. A killed worker that only gives its memory
        back counts as ended (this takes seconds where it filled much); it is reaped in the background. Infinite where
        one was not seen to end within 5 s.
        """
        began_s = clock_s()
        with self._news:
            self._ended = True
            self._news.notify_all()
        for worker in self.workers:
            worker.send(b"stop\n")
        self._wait_until(began_s + POLITE_S)
        for worker in self.workers:
            worker.kill()
        gone = self._wait_until(began_s + END_LIMIT_S)
        took_s = clock_s() - began_s
        self._bury()
        return took_s if gone else math.inf

    def await_burial(self) -> None:
        """Return when all that was ended has been reaped and its memory is free again."""
        if self._burial is not None:
            self._burial.join(BURIAL_LIMIT_S)

    def _spawn(self, all_settings: Sequence[WorkerSettings], program: Sequence[str]) -> None:
        for settings in all_settings:
            try:
                worker = WorkerProcess(settings, self._news, program=program)
            except OSError as error:
                self._failure = LoadError(
                    f"a worker process cannot be started ({error.strerror})",
                    where=f"load, {settings.work}",
                    mend="Check the limits on processes and memory, or ask for fewer workers.",
                )
                break
            with self._news:
                self.workers = (*self.workers, worker)
                ended = self._ended
            if ended:
                worker.kill()  # it came too late for the command
                break
            worker.send(b"beat\n")  # from its first moment on it ends by itself where no further beat comes
        with self._news:
            self._spawned = True
            self._news.notify_all()
        self._gone.wait()

    def _await_news(self, until_s: float) -> bool:
        """Return whether all are ready, at the latest at `until_s`; raise `LoadError` where they never will be."""
        with self._news:
            while not (self._spawned and all(worker.ready for worker in self.workers)):
                if self._ended:
                    raise LoadError("it was ended while it came up", where="load", mend="Start the run again.")
                if self._failure is not None:
                    raise self._failure
                failed = next((w for w in self.workers if w.refused or (w.silent and not w.ready)), None)
                if failed is not None:
                    raise _refusal(failed)
                if not self._news.wait(max(0.0, until_s - clock_s())):
                    return False
            if self._failure is not None:
                raise self._failure
        return True

    def _wait_until(self, deadline_s: float) -> bool:
        """Return at the deadline, or as soon as nobody can work any more; whether that is so."""
        while not (self._spawned and all(worker.powerless() for worker in self.workers)):
            if clock_s() >= deadline_s:
                return False
            time.sleep(POLL_S)
        return True

    def _bury(self) -> None:
        with self._news:
            if self._burial is None:
                self._burial = threading.Thread(target=self._reap_all, name="burial", daemon=True)
                self._burial.start()
        self._burial.join(PROMPT_BURIAL_S)

    def _reap_all(self) -> None:
        with self._news:
            self._news.wait_for(lambda: self._spawned)
        for worker in self.workers:
            worker.reap()
            worker.let_go()
        self._gone.set()


def _refusal(worker: WorkerProcess) -> LoadError:
    what, _, mend = (worker.refused or "a worker ended before it was ready | Start the run again.").partition(" | ")
    return LoadError(what, where=f"load, {worker.settings.work}", mend=mend)
