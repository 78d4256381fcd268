"""One worker process: `python -m verifyrig.loads.worker SETTINGS`. It works at the commanded duty, and reports.

It never outlives its reason: see `watchdog`.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from typing import TYPE_CHECKING

from verifyrig.core.errors import LoadError
from verifyrig.loads.duty import DutyMeter, ShareSchedule
from verifyrig.loads.watchdog import Watchdog
from verifyrig.loads.wire import (
    BLOCK_S,
    Counts,
    WorkerSettings,
    clock_s,
    count_line,
    fault_line,
    note_line,
    refused_line,
)

if TYPE_CHECKING:
    from verifyrig.loads.works import BlockResult, Work

# After this many, wrong results are still counted, but no longer described one by one.
DESCRIBED_FAULTS = 200


class Reporter:
    """Sums up what was done and writes it to the pipe, whole lines only."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self._lock = threading.Lock()
        self._counts = Counts()
        self._described = 0

    def add(self, result: BlockResult) -> None:
        """Add a block; describe its faults at once."""
        with self._lock:
            old = self._counts
            self._counts = Counts(old.work + result.work, old.checks + result.checks, old.errors + len(result.faults))
            for detail in result.faults[: DESCRIBED_FAULTS - self._described]:
                self._described += 1
                self.say(fault_line(clock_s(), detail))

    def report_counts(self) -> None:
        """Report the totals."""
        with self._lock:
            self.say(count_line(self._counts))

    def last_words(self) -> None:
        """Report the totals before the end, unless another thread is at it."""
        if self._lock.acquire(timeout=0.005):
            self.say(count_line(self._counts))

    def say(self, line: bytes) -> None:
        """Write one line; a reader that is gone ends this process."""
        try:
            os.write(self._fd, line)
        except OSError:
            os._exit(3)


def labour(work: Work, schedule: ShareSchedule, watchdog: Watchdog, reporter: Reporter) -> None:
    """Work and pause at the commanded duty, for ever: the watchdog ends the process."""
    meter = DutyMeter()
    answered = watchdog.beats
    while True:
        began_s = clock_s()
        share, change_s = schedule.now(began_s)
        if share <= 0:
            reporter.report_counts()
            meter.reset()
            schedule.pause_until(change_s)
            continue
        reporter.add(work.block(min(BLOCK_S, change_s - began_s)))
        if answered != watchdog.beats:
            answered = watchdog.beats
            reporter.report_counts()
        ended_s = clock_s()
        if share < 1:
            schedule.pause_until(min(ended_s + meter.pause_s(ended_s - began_s, share), change_s))
            meter.paused(clock_s() - ended_s)


def pin(processors: tuple[int, ...]) -> None:
    """Bind this process to logical processors, where the system allows it."""
    if not processors:
        return
    try:
        if hasattr(os, "sched_setaffinity"):
            os.sched_setaffinity(0, processors)
        else:
            import psutil

            psutil.Process().cpu_affinity(list(processors))
    except (OSError, AttributeError, ValueError):
        pass  # unpinned it heats as well; only which core is loaded is then the system's choice


def main(argv: list[str]) -> None:
    """Run one worker with the settings of the command line."""
    settings = WorkerSettings.from_json(argv[1])
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    reporter = Reporter(os.dup(1))
    os.dup2(2, 1)  # nothing that a library prints may reach the pipe of reports
    schedule = ShareSchedule()
    watchdog = Watchdog(settings, schedule, reporter.last_words)
    watchdog.begin()  # before numerical packages are imported and memory is filled: both may take long
    pin(settings.pinned_to)
    try:
        from verifyrig.loads.works.choice import make_work

        work = make_work(settings)
    except LoadError as error:
        reporter.say(refused_line(error.what, error.mend))
        sys.exit(2)
    except Exception as error:
        reporter.say(refused_line(f"the worker broke down while it prepared ({error!r})", "Report this fault."))
        raise
    for note in work.notes:
        reporter.say(note_line(note))
    reporter.say(b"ready\n")
    watchdog.arm()
    try:
        labour(work, schedule, watchdog, reporter)
    except LoadError as error:
        # What it works on is gone (a graphics card that was reset): said, and seen by the supervisor as a worker lost.
        reporter.say(fault_line(clock_s(), error.what))
        sys.exit(2)


if __name__ == "__main__":
    main(sys.argv)
