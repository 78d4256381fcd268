"""Random simulated machines through the desktop profiles: do sound ones trip, and how far does a die pass its limit.

Beside it: the same machines under the full load at once, watched by nobody, as a stress without a gate would do it.
"""

from __future__ import annotations

import os
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

HEALTHY = ("healthy-air", "healthy-liquid")
DANGEROUS = ("coolant-stopped", "film-left-on", "paste-absent")
UNWATCHED_S = 300.0


def one_run(case: str, seed: int) -> dict[str, Any]:
    """Run one machine; return outcome, verdict, and by how much its true die passed its limit, K."""
    import mock_hw.bench
    from mock_hw.physics.parameters import draw
    from tests.silent import Silent
    from verifyrig.bench.find_profile import find_profile
    from verifyrig.bench.folder import Bench
    from verifyrig.rig.assemble import run
    from verifyrig.rig.request import RunRequest

    hottest = -300.0
    advance_to = mock_hw.bench.SimulatedBench.advance_to

    def watched(self: Any, t_s: float) -> None:
        nonlocal hottest
        advance_to(self, t_s)
        hottest = max(hottest, self.machine.die_c)

    mock_hw.bench.SimulatedBench.advance_to = watched  # type: ignore[method-assign]
    try:
        with tempfile.TemporaryDirectory() as folder:
            bench = Bench(root=Path(folder))
            parameters = draw(case, seed)
            profile = find_profile(f"desktop-{parameters.cooler}", bench)
            done = run(RunRequest(profile=profile, purpose="check", mock=(case, seed)), bench, Silent())
    finally:
        mock_hw.bench.SimulatedBench.advance_to = advance_to  # type: ignore[method-assign]
    outcome = done.end.outcome if done.end is not None else "went dark"
    return {"outcome": outcome, "over_k": hottest - parameters.processor.limit_c}


def _unwatched_over_k(case: str, seed: int) -> float:
    from mock_hw.physics.machine import SimulatedMachine
    from mock_hw.physics.parameters import draw

    parameters = draw(case, seed)
    machine = SimulatedMachine(parameters, seed=seed)
    hottest, t_s = machine.die_c, 0.0
    while t_s < UNWATCHED_S and machine.is_on:
        machine.advance(0.5, 1.0)
        hottest, t_s = max(hottest, machine.die_c), t_s + 0.5
    return hottest - parameters.processor.limit_c


def _both(job: tuple[str, int]) -> tuple[str, dict[str, Any], float]:
    return job[0], one_run(*job), _unwatched_over_k(*job)


def measure(full: bool = True) -> dict[str, Any]:
    """Return counts of outcomes by case and the largest excess over the limit, over 200 machines each (3 quick)."""
    seeds = range(1, 201 if full else 4)
    jobs = [(case, seed) for case in (*HEALTHY, *DANGEROUS) for seed in seeds]
    found: dict[str, Any] = {}
    with ProcessPoolExecutor(max_workers=os.cpu_count()) as pool:
        for case, result, unwatched in pool.map(_both, jobs, chunksize=4):
            row = found.setdefault(
                case, {"machines": 0, "worst_over_limit_k": -300.0, "unwatched_over_limit_k": -300.0}
            )
            row["machines"] += 1
            row[result["outcome"]] = row.get(result["outcome"], 0) + 1
            row["worst_over_limit_k"] = max(row["worst_over_limit_k"], result["over_k"])
            row["unwatched_over_limit_k"] = max(row["unwatched_over_limit_k"], unwatched)
    return found
