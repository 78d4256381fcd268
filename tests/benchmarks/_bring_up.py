"""Workers on their way up, ended in each state by a trip, a stop, and the death of their supervisor; for benchmarks.

A supervisor of its own process for the deaths: SIGKILL leaves it no code to run.
"""

from __future__ import annotations

import contextlib
import math
import os
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psutil

from tests.bring_up_stand import CommandedLoad, Stand, in_state, powerless, software_renderer
from verifyrig.core.errors import LoadError
from verifyrig.core.interfaces import LoadDemand

REPO = Path(__file__).resolve().parent.parent.parent
MEMORY_SHARE = 0.3
_CPU_STATES = ("spawned", "importing", "first-block")
STATES = {
    "linear-algebra": _CPU_STATES,
    "march": ("spawned", "allocating", "first-block"),
    "gpu-linear-algebra": ("spawned", "preparing", "first-block"),
    "gpu-and-processor": ("preparing", "first-block"),
}
LIMIT_S = 60.0

SUPERVISOR = """
import sys, threading, time
from verifyrig.core.interfaces import LoadDemand
from verifyrig.loads.worker_load import WorkerLoad
work, share, card = sys.argv[1:4]
load = WorkerLoad(card=card)
starting = threading.Thread(target=load.start, args=(LoadDemand(work=work, memory_share=float(share)),))
starting.start()
starting.join()
load.set_share(1.0)
print("told", flush=True)
while True:
    load.beat()
    time.sleep(0.1)
"""


def cards() -> tuple[str, str]:
    """Return the graphics processor to load, by name, and what it is; empty where there is none."""
    try:
        from verifyrig.loads.gpu.card import list_cards

        real = [card.name for card in list_cards() if not card.software]
    except LoadError:
        return "", "none"
    if real:
        return real[0], real[0]
    soft = software_renderer()
    return soft, f"software renderer ({soft})" if soft else "none"


def each_state(times: int, once: Callable[[str, str, str], float]) -> dict[str, Any]:
    """Return figures of `once(work, state, card)` in ms for every work and state that this machine has."""
    card, called = cards()
    found: dict[str, Any] = {"card": called}
    for work, states in STATES.items():
        if work.startswith("gpu-") and not card:
            continue
        for state in states:
            found[f"{work}, {state}"] = figures([1000 * once(work, state, card) for _ in range(times)])
    return found


def figures(values_ms: list[float]) -> dict[str, float]:
    """Return median, 99th percentile and worst, ms."""
    ordered = sorted(values_ms)
    return {
        "times": len(ordered),
        "p50_ms": statistics.median(ordered),
        "p99_ms": ordered[min(len(ordered) - 1, math.ceil(0.99 * len(ordered)) - 1)],
        "worst_ms": ordered[-1],
    }


def trip_s(work: str, state: str, card: str) -> float:
    """Return the seconds from the sample that crosses the limit to the last worker powerless, as the run states it."""
    stand = Stand(work, memory_share=MEMORY_SHARE if work == "march" else None, card=card)
    ended = stand.end_in(state, "trip", limit_s=LIMIT_S)
    stand.load.close()
    return ended.stated_s if ended.stated_s is not None else math.inf


def stop_on_the_way_s(work: str, state: str, card: str) -> float:
    """Return the seconds from the call of `stop` to the last worker powerless, as the system shows it."""
    load = CommandedLoad(card=card)
    others = frozenset(child.pid for child in psutil.Process().children())

    def start() -> None:
        with contextlib.suppress(LoadError):
            load.start(LoadDemand(work=work, memory_share=MEMORY_SHARE))
            load.set_share(1.0)

    starting = threading.Thread(target=start)
    starting.start()
    workers = _wait_for(state, lambda: [c for c in psutil.Process().children() if c.pid not in others], load)
    began_s = time.monotonic()
    load.stop()
    _wait_powerless({worker.pid for worker in workers})
    took_s = time.monotonic() - began_s
    while starting.is_alive():
        load.stop()
        starting.join(0.005)
    load.close()
    return took_s


def death_s(work: str, state: str, card: str) -> float:
    """Return the seconds from SIGKILL of the supervisor to the last worker powerless."""
    words = [sys.executable, "-c", SUPERVISOR, work, str(MEMORY_SHARE), card]
    env = {**os.environ, "PYTHONPATH": str(REPO)}
    with subprocess.Popen(words, stdout=subprocess.PIPE, env=env, text=True) as supervisor:
        commanded = CommandedLoad()
        threading.Thread(target=_hear, args=(supervisor, commanded), daemon=True).start()
        _wait_for(state, lambda: psutil.Process(supervisor.pid).children(), commanded)
        pids = {child.pid for child in psutil.Process(supervisor.pid).children()}
        began_s = time.monotonic()
        supervisor.kill()
        _wait_powerless(pids)
        return time.monotonic() - began_s


def _hear(supervisor: subprocess.Popen[str], commanded: CommandedLoad) -> None:
    if supervisor.stdout is not None and supervisor.stdout.readline():
        commanded.commanded.append(1.0)


def _wait_for(state: str, children: Callable[[], list[psutil.Process]], load: CommandedLoad) -> list[psutil.Process]:
    end_s = time.monotonic() + LIMIT_S
    while time.monotonic() < end_s:
        found = list(_workers(children))
        if any(in_state(worker, state, load) for worker in found):
            return found
        time.sleep(0.0005)
    raise RuntimeError(f"no worker was ever seen to be {state}")


def _workers(children: Callable[[], list[psutil.Process]]) -> Iterator[psutil.Process]:
    for child in children():
        with contextlib.suppress(psutil.Error):
            if "verifyrig.loads.worker" in " ".join(child.cmdline()):
                yield child


def _wait_powerless(pids: set[int]) -> None:
    end_s = time.monotonic() + LIMIT_S
    while not all(powerless(pid) for pid in pids) and time.monotonic() < end_s:
        time.sleep(0.0005)
