"""From the call of `stop` to the last worker gone, at full load on all cores.

Then the same of a graphics card's load, where there is a real card, and a stop of workers that come up, in each of
their states (`_bring_up`).
Beside it: killing the same number of loading processes at once and waiting for them, which nothing can beat.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time

from tests.benchmarks._bring_up import cards, each_state, stop_on_the_way_s
from verifyrig.core.interfaces import LoadDemand
from verifyrig.loads.worker_load import WorkerLoad

SPIN = "while True: pass"


def stop_s(load: WorkerLoad, number: int) -> tuple[float, int]:
    """Return how long a stop took, at another moment of a block each time, s, and how many workers there were."""
    load.start(LoadDemand(work="linear-algebra"))
    load.set_share(1.0)
    load.beat()
    time.sleep(0.03 + 0.001 * (number % 17))
    workers = len(load.pids)
    return load.stop(), workers


def kill_s(count: int) -> float:
    """Return how long killing and reaping bare processes took, s."""
    command = [sys.executable, "-I", "-S", "-c", SPIN]
    processes = [subprocess.Popen(command, start_new_session=True) for _ in range(count)]
    time.sleep(0.05)
    began_s = time.perf_counter()
    for process in processes:
        process.kill()
    for process in processes:
        process.wait()
    return time.perf_counter() - began_s


def card_stops(count: int) -> dict[str, object]:
    """Return figures of stops of a real card's load at full share; says so where there is no such card."""
    card, called = cards()
    if not card or called != card:
        return {"stops": 0, "card": called}
    # Where there are several of a name, by its number.
    load = WorkerLoad(card="0")
    stops = [card_stop_s(load, number) for number in range(count)]
    load.close()
    return {"stops": count, "card": called, **figures(stops)}


def card_stop_s(load: WorkerLoad, number: int) -> float:
    """Return how long a stop took after about a second of work, at another moment of a block each time, s."""
    load.start(LoadDemand(work="gpu-linear-algebra"))
    load.set_share(1.0)
    for _ in range(20):
        load.beat()
        time.sleep(0.05 + 0.0007 * (number % 17))
    return load.stop()


def figures(values: list[float]) -> dict[str, float]:
    """Return median, 99th and 99.9th percentile and worst, s."""
    ordered = sorted(values)
    return {
        "p50_s": statistics.median(ordered),
        "p99_s": ordered[min(len(ordered) - 1, int(0.99 * len(ordered)))],
        "p99.9_s": ordered[min(len(ordered) - 1, int(0.999 * len(ordered)))],
        "worst_s": ordered[-1],
    }


def measure(full: bool = True) -> dict[str, object]:
    """Return latencies over 1000 stops (20 in the short form)."""
    count = 1000 if full else 20
    load = WorkerLoad()
    pairs: list[tuple[float, float]] = []
    workers = 0
    for number in range(count):
        took_s, workers = stop_s(load, number)
        pairs.append((took_s, kill_s(workers)))
    load.close()
    stops, kills = (list(column) for column in zip(*pairs, strict=True))
    return {
        "stops": count,
        "workers": workers,
        "load_average": os.getloadavg()[0] if hasattr(os, "getloadavg") else None,
        "stop": figures(stops),
        "kill": figures(kills),
        "within_50_ms": sum(took_s <= 0.05 for took_s in stops) / count,
        "ratio": statistics.median(stops) / statistics.median(kills),
        "card": card_stops(200 if full else 5),
        "bring_up": each_state(40 if full else 3, stop_on_the_way_s),
    }
