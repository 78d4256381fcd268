"""The load of this very machine: worker processes, one a core, that end with their reason."""

from __future__ import annotations

import os
import threading
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from verifyrig.core.interfaces import LoadDemand, LoadStatus, WorkFault
from verifyrig.core.reason import Reason, reason
from verifyrig.loads.crew import Crew
from verifyrig.loads.memory_budget import free_memory, last_level_cache_bytes, memory_to_fill
from verifyrig.loads.placement import Placement, place
from verifyrig.loads.topology import usable_cores
from verifyrig.loads.wire import WorkerSettings, clock_s, share_line
from verifyrig.loads.works.choice import MOST_MEMORY_BYTES, ON_GPU, TOGETHER

READY_LIMIT_S = 20.0
# Memory comes in no slower than this; it is touched before the work begins.
FILL_BYTES_PER_S = 2.5e8
TURN_S = 10.0
# From the command to the common step: every worker has then ended the block that it was at, and read the command.
STEP_LEAD_S = 0.016
NOTHING = LoadStatus(work_done=0.0, compute_errors=0, workers_wanted=0, workers_alive=0)


class WorkerLoad:
    """Real workers, one a physical core. Every method but `start` and `stop` returns without waiting.

    `stop` may be called from another thread while `start` waits: it ends what is there by then, and `start` raises.

    Attributes:
        notes: What could not be done as asked; complete once `start` has returned.
    """

    def __init__(self, *, storage_dir: Path | None = None, turn_s: float = TURN_S, card: str = "") -> None:
        """Take the folder that `storage` may fill, how long each core has its turn (`in-turn`), and which card."""
        self._storage_dir = storage_dir
        self._card = card
        self._turn_s = turn_s
        self._change = threading.Lock()
        self._crew: Crew | None = None
        self._ended = Crew()
        self._demand = LoadDemand(work="")
        self._placement = Placement(workers=(0,))
        self._started_s = 0.0
        self._turn = 0
        self._share = 0.0
        self._left = NOTHING
        self.notes: list[Reason] = []

    @property
    def pids(self) -> list[int]:
        """Process ids of the workers."""
        return [worker.pid for worker in self._crew.workers] if self._crew else []

    def start(self, demand: LoadDemand) -> None:
        """Bring up the workers at share 0 and wait until each is ready (20 s, and longer for memory to be filled).

        Raises:
            LoadError: The demand does not fit this machine, or a worker did not come up; nothing is left then.
        """
        self.close()
        cores = {core.number: core.logical for core in usable_cores()}
        self._placement = place(demand.workers, sorted(cores))
        self._demand = demand
        self._share, self._turn, self._left, self.notes = 0.0, 0, NOTHING, []
        memory_bytes = self._memory_for_each()
        all_settings = self._all_settings(cores, memory_bytes)
        self._started_s = clock_s()
        crew = Crew()
        with self._change:
            self._crew = crew
        try:
            crew.begin(all_settings)
            fill_s = memory_bytes * len(self._placement.workers) / FILL_BYTES_PER_S
            crew.await_ready(READY_LIMIT_S + fill_s)
        except BaseException:
            self.stop()
            raise
        self._started_s = clock_s()
        self.notes += crew.news()[2]

    def set_share(self, share: float) -> None:
        """Send every worker its duty share; they change at one common moment, within 20 ms."""
        self._share = min(max(share, 0.0), 1.0)
        self._send_share()

    def beat(self) -> None:
        """Send the heartbeat, and hand on the turn where cores are loaded one after the other."""
        crew = self._crew
        if crew is None:
            return
        crew.send(lambda _: b"beat\n")
        turn = int((clock_s() - self._started_s) // self._turn_s) if self._placement.in_turn else 0
        if turn != self._turn:
            self._turn = turn
            self._send_share()

    def status(self) -> LoadStatus:
        """Return the counts that the workers last reported; after `stop`, the final ones."""
        crew = self._crew
        if crew is None:
            left, self._left = self._left, replace(self._left, faults=())
            return left
        return self._summary(crew, crew.alive())

    def stop(self) -> float:
        """End all workers and their children; return the seconds until none of them could work any more.

        They are asked first and killed after 30 ms. Memory that they filled may take longer to come back. Infinite
        where a worker was not seen to end.
        """
        with self._change:
            crew, self._crew = self._crew, None
            if crew is not None:
                self._ended = crew
        took_s = self._ended.end()
        if crew is not None:
            self._left = replace(self._summary(crew, 0), workers_wanted=0)
        return took_s

    def close(self) -> None:
        """Stop if still running, and wait until nothing is left of the workers."""
        self.stop()
        self._ended.await_burial()

    def _memory_for_each(self) -> int:
        """Return the bytes that each worker may fill, 0 for works that need little."""
        if self._demand.work not in MOST_MEMORY_BYTES:
            return 0
        available, total = free_memory()
        allowed, note = memory_to_fill(self._demand.memory_share, available_bytes=available, total_bytes=total)
        most = MOST_MEMORY_BYTES[self._demand.work]
        each = allowed // len(self._placement.workers)
        if most is None and allowed < 4 * last_level_cache_bytes():
            note = note or reason("memory-hardly-above-cache")
        self.notes += [note] if note and most is None else []
        return each if most is None else min(each, most)

    def _all_settings(self, cores: Mapping[int, tuple[int, ...]], memory_bytes: int) -> list[WorkerSettings]:
        """Return a worker's settings for each core, and one more for a work of the graphics processor."""
        on_cores, on_gpu = TOGETHER.get(self._demand.work, (self._demand.work, ""))
        if on_cores in ON_GPU:
            on_cores, on_gpu = "", on_cores
        pinned = [cores[number] for number in self._placement.workers] if on_cores else []
        found = [self._settings(on_cores, index, each, memory_bytes) for index, each in enumerate(pinned)]
        return found + ([self._settings(on_gpu, len(found), (), 0)] if on_gpu else [])

    def _settings(self, work: str, index: int, pinned_to: tuple[int, ...], memory_bytes: int) -> WorkerSettings:
        return WorkerSettings(
            work=work,
            index=index,
            pinned_to=pinned_to,
            parent_pid=os.getpid(),
            memory_bytes=memory_bytes,
            storage_dir=str(self._storage_dir) if self._storage_dir else None,
            card=self._card,
        )

    def _send_share(self) -> None:
        crew = self._crew
        if crew is None:
            return
        at_s = clock_s() + STEP_LEAD_S
        crew.send(lambda settings: share_line(self._duty_of(settings), at_s))

    def _duty_of(self, settings: WorkerSettings) -> float:
        """Return a worker's duty; a quarter of a graphics processor is a quarter of its time."""
        if settings.work in ON_GPU:
            return self._share * (0.25 if self._demand.workers == "quarter" else 1.0)
        core = self._placement.workers[settings.index]
        return self._share * self._placement.duty if core in self._placement.active(self._turn) else 0.0

    def _summary(self, crew: Crew, alive: int) -> LoadStatus:
        counts, faults, _ = crew.news()
        return LoadStatus(
            work_done=counts.work,
            compute_errors=counts.errors,
            workers_wanted=len(crew.workers),
            workers_alive=alive,
            faults=[self._fault(*fault) for fault in faults],
            checks_done=counts.checks,
        )

    def _fault(self, index: int, at_s: float, detail: str) -> WorkFault:
        on_a_core = self._demand.work not in ON_GPU and index < len(self._placement.workers)
        core = self._placement.workers[index] if on_a_core else None
        return WorkFault(work=self._demand.work, core=core, t_s=at_s - self._started_s, detail=detail)
