"""How far the workers' pulse edges lie apart, and how long after the command; on all cores, real workers.

Each worker notes the moment at which its duty changes from idle to work and back. Beside it: telling each worker by
itself to change at once, without a common moment.
"""

from __future__ import annotations

import json
import os
import statistics
import sys
import time

from verifyrig.loads.crew import Crew
from verifyrig.loads.topology import usable_cores
from verifyrig.loads.wire import WorkerSettings, clock_s, share_line
from verifyrig.loads.worker_load import STEP_LEAD_S

# The worker as it is, but that each block notes when it began and ended, as a fault's detail: the way back is there.
NOTING_WORKER = """
import json, sys
from verifyrig.loads import worker
from verifyrig.loads.wire import clock_s
from verifyrig.loads.works import choice

class Noting:
    def __init__(self, work):
        self._work = work
        self.block_s = work.block_s
        self.notes = ()
        self._ended_s = 0.0

    def block(self, budget_s):
        began_s = clock_s()
        result = self._work.block(budget_s)
        fresh = began_s - self._ended_s > 0.05
        noted = [json.dumps({"rise": began_s, "fall": self._ended_s})] if fresh else []
        self._ended_s = clock_s()
        return result._replace(faults=tuple(noted))

    def close(self):
        self._work.close()

made = choice.make_work
choice.make_work = lambda settings: Noting(made(settings))
worker.main(sys.argv)
"""


def begin_crew() -> Crew:
    """Return a crew of noting workers, one a core, ready."""
    crew = Crew()
    all_settings = [
        WorkerSettings(work="linear-algebra", index=index, pinned_to=core.logical, parent_pid=os.getpid())
        for index, core in enumerate(usable_cores())
    ]
    crew.begin(all_settings, program=(sys.executable, "-P", "-c", NOTING_WORKER))
    crew.await_ready(60.0)
    return crew


def tell_all(crew: Crew, line: bytes) -> None:
    """Tell every worker the same."""
    crew.send(lambda _: line)


def pulse(crew: Crew, *, common: bool) -> tuple[float, float]:
    """Give one pulse of 150 ms; return the moments of the commands on and off."""
    moments = []
    for share in (1.0, 0.0):
        tell_all(crew, b"beat\n")
        commanded_s = clock_s()
        moments.append(commanded_s)
        at_s = commanded_s + STEP_LEAD_S if common else commanded_s
        tell_all(crew, share_line(share, at_s))
        time.sleep(0.15)
    return moments[0], moments[1]


def edges_of(crew: Crew, pulses: list[tuple[float, float]]) -> dict[str, list[list[float]]]:
    """Return, for each pulse, each worker's delay from the command to its edge, s: rises and falls."""
    pulses = pulses[:-1]  # the fall of a pulse is noted at the start of the next
    noted = [[json.loads(detail) for _, detail in worker.take_faults()] for worker in crew.workers]
    found: dict[str, list[list[float]]] = {"rise": [], "fall": []}
    for on_s, off_s in pulses:
        rises = [first(each, "rise", on_s) for each in noted]
        falls = [first(each, "fall", off_s) for each in noted]
        if all(rise is not None for rise in rises) and all(fall is not None for fall in falls):
            found["rise"].append([rise for rise in rises if rise is not None])
            found["fall"].append([fall for fall in falls if fall is not None])
    return found


def first(noted: list[dict[str, float]], edge: str, commanded_s: float) -> float | None:
    """Return the delay of the edge that answers a command; a fall may come a block before its moment."""
    delays = (each[edge] - commanded_s for each in noted)
    return next((delay for delay in delays if -0.03 < delay < 0.14), None)


def summary(delays: list[list[float]]) -> dict[str, float]:
    """Return how far the workers' edges lie apart and how late the last is, s."""
    spreads = sorted(max(each) - min(each) for each in delays)
    latest = sorted(max(each) for each in delays)
    return {
        "apart_p50_s": statistics.median(spreads),
        "apart_p99_s": spreads[int(0.99 * (len(spreads) - 1))],
        "apart_worst_s": spreads[-1],
        "latest_p99_s": latest[int(0.99 * (len(latest) - 1))],
        "within_20_ms": sum(spread <= 0.02 for spread in spreads) / len(spreads),
    }


def measure(full: bool = True) -> dict[str, object]:
    """Return the spread of rising and falling edges with a common moment and without."""
    count = 60 if full else 12
    crew = begin_crew()
    found: dict[str, dict[str, dict[str, float]]] = {}
    try:
        for name, common in (("common moment", True), ("each at once", False)):
            pulses = []
            for _ in range(count):
                pulses.append(pulse(crew, common=common))
            time.sleep(0.1)
            edges = edges_of(crew, pulses)
            found[name] = {edge: summary(delays) for edge, delays in edges.items()}
    finally:
        crew.end()
        crew.await_burial()
    ours, theirs = (found[name]["fall"]["apart_p50_s"] for name in ("common moment", "each at once"))
    return {
        "workers": len(crew.workers),
        "load_average": os.getloadavg()[0] if hasattr(os, "getloadavg") else None,
        "edges": found,
        "ratio": ours / theirs,
    }
