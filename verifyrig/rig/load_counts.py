"""What a load reports of its work: how fast it is, whether its results are right, and whether it is still there."""

from __future__ import annotations

import math

from verifyrig.core.interfaces import Load, LoadStatus, WorkFault
from verifyrig.core.reason import Reason, reason

# Workers that have a share for this long and finish nothing give no heat: what is measured then is idle, not load.
NO_WORK_S = 10.0
# Below this share a worker's blocks may lie so far apart that a wait for the next one means nothing.
LEAST_SHARE = 0.05


class LoadCounts:
    """Takes in what a load reports.

    Attributes:
        lost: Why the load is gone, None while it is there.
        errors, checks_done: Wrong results, and results that were checked, so far.
        new_faults: The wrong results of the last report.
    """

    def __init__(self, load: Load) -> None:
        self._load = load
        self._work_before: tuple[float, float] | None = None
        self._at_work_since_s = math.inf
        self._without_work_s = 0.0
        self.lost: Reason | None = None
        self.errors = 0
        self.checks_done = 0
        self.new_faults: list[WorkFault] = []

    def commanded(self, share: float, t_s: float) -> None:
        """Note the share that the workers have from `t_s` on."""
        if share < LEAST_SHARE:
            self._at_work_since_s = math.inf
        elif math.isinf(self._at_work_since_s):
            self._at_work_since_s = t_s

    def take(self, t_s: float) -> float | None:
        """Take in a report; return the work rate since the last one, 1/s, None at the first."""
        status = self._load.status()
        self.errors = status.compute_errors
        self.checks_done = status.checks_done
        self.new_faults = list(status.faults)
        self._notice_loss(status)
        before, self._work_before = self._work_before, (t_s, status.work_done)
        if before is None or t_s <= before[0]:
            return None
        self._notice_idle_workers(status, before, t_s)
        return (status.work_done - before[1]) / (t_s - before[0])

    def _notice_loss(self, status: LoadStatus) -> None:
        if status.workers_alive < status.workers_wanted:
            gone = status.workers_wanted - status.workers_alive
            self.lost = reason("workers-gone", gone=gone, count=status.workers_wanted)

    def _notice_idle_workers(self, status: LoadStatus, before: tuple[float, float], t_s: float) -> None:
        """Add up, over pulses too, how long the workers had a share since they last finished anything."""
        if status.work_done > before[1] or not status.counts_work or not status.workers_wanted:
            self._without_work_s = 0.0
            return
        self._without_work_s += max(0.0, t_s - max(before[0], self._at_work_since_s))
        if self._without_work_s >= NO_WORK_S:
            self.lost = reason("workers-idle", time_s=self._without_work_s)
