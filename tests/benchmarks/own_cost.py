"""What measuring itself takes of one core, at 1 and at 10 samples a second, beside a loop that only sleeps."""

from __future__ import annotations

import tempfile
import threading
import time
from pathlib import Path
from typing import Any

from mock_hw.bench import SimulatedBench
from tests.silent import Silent
from verifyrig.bench.folder import Bench
from verifyrig.plan.text import parse_profile
from verifyrig.rig.assemble import run
from verifyrig.rig.request import RunRequest
from verifyrig.system.machine import resolve_root

PLAN = """
name = "own-cost"
title = "Nothing but measuring"

[sampling]
period_s = {period}

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = {seconds}
"""


def _cost(tree: Path, period_s: float, seconds: float) -> float:
    profile = parse_profile(PLAN.format(period=period_s, seconds=seconds), origin="own-cost.toml")
    with tempfile.TemporaryDirectory() as folder:
        request = RunRequest(profile=profile, purpose="check", root=resolve_root(tree))
        began_s, used_s = time.perf_counter(), time.process_time()
        run(request, Bench(root=Path(folder)), Silent())
        return (time.process_time() - used_s) / (time.perf_counter() - began_s)


def _sleeping(period_s: float, seconds: float) -> float:
    began_s, used_s = time.perf_counter(), time.process_time()
    never = threading.Event()
    while time.perf_counter() - began_s < seconds:
        never.wait(period_s)
    return (time.process_time() - used_s) / (time.perf_counter() - began_s)


def measure(full: bool = True) -> dict[str, Any]:
    """Return shares of one core; the tree is a simulated machine's, read from disk by the real sensors."""
    seconds = 30.0 if full else 5.0
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder) / "tree"
        SimulatedBench("healthy-liquid", 0, tree).close()
        costs = {f"at_{1 / p:.0f}_hz": _cost(tree, p, seconds) for p in (1.0, 0.1)}
    sleeping = _sleeping(0.1, seconds / 3)
    return {**costs, "sleeping_loop_at_10_hz": sleeping, "ratio": costs["at_10_hz"] / max(sleeping, 1e-9)}
