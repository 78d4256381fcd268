"""The load of this very machine: worker processes, one a core, that end with their reason."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

from verifyrig.errors import LoadError
from verifyrig.interfaces import LoadDemand, LoadStatus, WorkFault
from verifyrig.loads.placement import Placement, place
from verifyrig.loads.topology import Core, usable_cores
from verifyrig.loads.wire import Counts, WorkerSettings, clock_s, share_line
from verifyrig.loads.worker_process import WorkerProcess

READY_LIMIT_S = 20.0
POLITE_S = 0.030
POLL_S = 0.0005
TURN_S = 10.0
# From the command to the common edge: every worker has then ended the block that it was at, and read the command.
EDGE_LEAD_S = 0.016


class WorkerLoad:
    """Real workers. Every method but `start` returns without waiting for them; `stop` waits 30 ms, then kills."""

    def __init__(self, *, storage_dir: Path | None = None, turn_s: float = TURN_S) -> None:
        """Take the folder that the work `storage` may fill, and how long each core has its turn (`in-turn`)."""
        self._storage_dir = storage_dir
        self._turn_s = turn_s
        self._news = threading.Condition()
        self._workers: list[WorkerProcess] = []
        self._demand = LoadDemand(work="")
        self._placement = Placement(workers=(0,))
        self._started_s = 0.0
        self._turn = 0
        self._share = 0.0
        self._left = LoadStatus(work_done=0.0, compute_errors=0, workers_wanted=0, workers_alive=0)

    @property
    def pids(self) -> list[int]:
        """Process ids of the workers."""
        return [worker.pid for worker in self._workers]

    def start(self, demand: LoadDemand) -> None:
        """Bring up the workers at share 0 and wait until each is ready, 20 s at most.

        Raises:
            LoadError: The demand does not fit this machine, or a worker did not come up; nothing is left then.
        """
        self.close()
        cores = {core.number: core for core in usable_cores()}
        self._placement = place(demand.workers, sorted(cores))
        self._demand = demand
        self._share, self._turn = 0.0, 0
        try:
            for index, number in enumerate(self._placement.workers):
                self._workers.append(self._begun(self._settings(index, cores[number])))
            self._await_ready()
        except BaseException:
            self.stop()
            raise
        self._started_s = clock_s()

    def set_share(self, share: float) -> None:
        """Tell every worker its duty share; they change at one common moment, within 20 ms."""
        self._share = min(max(share, 0.0), 1.0)
        self._tell_share()

    def beat(self) -> None:
        """Send the heartbeat, and hand on the turn where cores are loaded one after the other."""
        for worker in self._workers:
            self._tell(worker, b"beat\n")
        if self._placement.in_turn and self._workers:
            turn = int((clock_s() - self._started_s) // self._turn_s)
            if turn != self._turn:
                self._turn = turn
                self._tell_share()

    def status(self) -> LoadStatus:
        """Return the counts that the workers last reported; a dead worker is reaped and shows in `workers_alive`."""
        alive = 0
        for worker in self._workers:
            if worker.exited():
                worker.kill()  # what it left behind in its group
                worker.reap()
            else:
                alive += 1
        return self._summary(alive)

    def stop(self) -> float:
        """End all workers: told, killed after 30 ms, their children too, and reaped; return how long that took, s."""
        began_s = clock_s()
        for worker in self._workers:
            worker.tell(b"stop\n")
        while clock_s() - began_s < POLITE_S and not all(worker.exited() for worker in self._workers):
            time.sleep(POLL_S)
        for worker in self._workers:
            worker.kill()
        for worker in self._workers:
            worker.reap()
        took_s = clock_s() - began_s
        self._clear_up()
        return took_s

    def close(self) -> None:
        """Stop if still running."""
        if self._workers:
            self.stop()

    def _settings(self, index: int, core: Core) -> WorkerSettings:
        return WorkerSettings(
            work=self._demand.work,
            index=index,
            pinned_to=core.logical,
            parent_pid=os.getpid(),
            # The kernel ties that signal to the thread that starts the worker: only the main thread is sure to last.
            die_with_parent=threading.current_thread() is threading.main_thread(),
            storage_dir=str(self._storage_dir) if self._storage_dir else None,
        )

    def _begun(self, settings: WorkerSettings) -> WorkerProcess:
        try:
            return WorkerProcess(settings, self._news)
        except OSError as error:
            raise LoadError(
                f"a worker process cannot be started ({error.strerror})",
                where=f"load, {self._demand.work}",
                mend="Check the limits on processes and memory, or ask for fewer workers.",
            ) from error

    def _await_ready(self) -> None:
        deadline_s = clock_s() + READY_LIMIT_S
        with self._news:
            while not all(worker.ready for worker in self._workers):
                failed = next((w for w in self._workers if w.refused or (w.silent and not w.ready)), None)
                if failed is not None:
                    raise self._refusal(failed)
                if not self._news.wait(deadline_s - clock_s()):
                    raise LoadError(
                        f"the workers were not ready within {READY_LIMIT_S:.0f} s",
                        where=f"load, {self._demand.work}",
                        mend="Close what else is busy on this machine, or ask for less memory.",
                    )

    def _refusal(self, worker: WorkerProcess) -> LoadError:
        what, _, mend = (worker.refused or "a worker ended before it was ready | Start the run again.").partition(" | ")
        return LoadError(what, where=f"load, {self._demand.work}", mend=mend)

    def _tell(self, worker: WorkerProcess, line: bytes) -> None:
        if not worker.tell(line) and not worker.exited():
            worker.kill()  # its pipe is full: it hangs, and what it was told last no longer holds

    def _tell_share(self) -> None:
        at_s = clock_s() + EDGE_LEAD_S
        active = set(self._placement.active(self._turn))
        for worker, core in zip(self._workers, self._placement.workers, strict=False):
            share = self._share * self._placement.duty if core in active else 0.0
            self._tell(worker, share_line(share, at_s))

    def _summary(self, alive: int) -> LoadStatus:
        if not self._workers:
            left, self._left = self._left, _without_faults(self._left)
            return left
        with self._news:
            counts = [worker.counts for worker in self._workers]
            faults = [fault for worker in self._workers for fault in self._faults_of(worker)]
        total = Counts(*(sum(column) for column in zip(*counts, strict=True)))
        return LoadStatus(
            work_done=total.work,
            compute_errors=int(total.errors),
            workers_wanted=len(self._workers),
            workers_alive=alive,
            faults=faults,
            checks_done=int(total.checks),
        )

    def _faults_of(self, worker: WorkerProcess) -> list[WorkFault]:
        told, worker.faults = worker.faults, []
        core = self._placement.workers[worker.settings.index]
        started_s = self._started_s
        work = self._demand.work
        return [WorkFault(work=work, core=core, t_s=at_s - started_s, detail=detail) for at_s, detail in told]

    def _clear_up(self) -> None:
        for worker in self._workers:
            worker.let_go()
        if self._workers:
            self._left = self._summary(0)
        self._workers = []


def _without_faults(status: LoadStatus) -> LoadStatus:
    return LoadStatus(
        work_done=status.work_done,
        compute_errors=status.compute_errors,
        workers_wanted=0,
        workers_alive=0,
        checks_done=status.checks_done,
    )
