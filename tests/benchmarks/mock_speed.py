"""How fast the simulated machine runs on the virtual clock.

Beside it, what a user would do instead: the same network handed to scipy's ODE solver second by second, and
the same files opened and written anew each second.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from mock_hw.bench import SimulatedBench
from mock_hw.physics.network import ThermalNetwork
from mock_hw.physics.parameters import CASES, draw

_BUDGET_S_AN_HOUR = 5.0


def _hour(case: str, seconds: int) -> dict[str, float]:
    """Run an hour (or less) at full load after ten idle minutes; return seconds an hour and the median call.

    Processor time stands beside wall time, since a shared computer stretches the latter only.
    """
    with tempfile.TemporaryDirectory() as folder, SimulatedBench(case, 0, Path(folder) / "root") as bench:
        load, calls_s = Path(folder) / "root" / "verifyrig" / "load", []
        cpu_s = -time.process_time()
        for second in range(1, seconds + 1):
            if second == min(600, seconds // 4):
                load.write_text("1.000000\n")
            start_s = time.perf_counter()
            bench.advance_to(float(second))
            calls_s.append(time.perf_counter() - start_s)
        cpu_s += time.process_time()
    an_hour = 3600 / seconds
    return {
        "s_an_hour": sum(calls_s) * an_hour,
        "cpu_s_an_hour": cpu_s * an_hour,
        "median_call_us": statistics.median(calls_s) * 1e6,
    }


def _solver_s_an_hour(seconds: int) -> float:
    """Integrate the heat alone with scipy.integrate.solve_ivp, one call a second, to the same 1e-6 K."""
    from scipy.integrate import solve_ivp

    network = ThermalNetwork(draw("healthy-liquid", 0).thermal)
    conductance, capacity = network.conductance_matrix(0.6, 0.6), network.capacities_j_per_k
    heat = np.zeros(len(network.nodes))
    heat[0], heat[-1] = 110.0, 25.0 + 22.0 * network.ambient_w_per_k(0.6)
    temps_c = np.full(len(network.nodes), 22.0)
    start_s = time.perf_counter()
    for _ in range(seconds):
        solved = solve_ivp(
            lambda _t, y: (heat - conductance @ y) / capacity, (0, 1), temps_c, method="LSODA", rtol=1e-8, atol=1e-6
        )
        temps_c = solved.y[:, -1]
    return (time.perf_counter() - start_s) * 3600 / seconds


def _rewriting_s_an_hour(seconds: int, files: int) -> float:
    """Open and write as many files as the tree has living ones, anew each second."""
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / str(number) for number in range(files)]
        start_s = time.perf_counter()
        for second in range(seconds):
            for path in paths:
                path.write_text(f"{second}\n")
        return (time.perf_counter() - start_s) * 3600 / seconds


def measure(full: bool = True) -> dict[str, Any]:
    """Return seconds of computing for a simulated hour of each case, and of the two alternatives.

    "ratio" is what the alternatives take together over what the simulated bench of the healthy liquid machine
    takes; "budget_ratio" the slowest case over the 5 s that a simulated hour may take.
    """
    seconds = 3600 if full else 400
    cases = {case: _hour(case, seconds) for case in (CASES if full else ("healthy-liquid", "film-left-on"))}
    solver_s = _solver_s_an_hour(600 if full else 60)
    rewriting_s = _rewriting_s_an_hour(300 if full else 60, files=60)
    slowest = max(cases, key=lambda case: cases[case]["s_an_hour"])
    return {
        "cases": cases,
        "slowest_case": slowest,
        "budget_ratio": cases[slowest]["s_an_hour"] / _BUDGET_S_AN_HOUR,
        "alternative": {"solver_s_an_hour": solver_s, "rewriting_files_s_an_hour": rewriting_s},
        "ratio": (solver_s + rewriting_s) / cases["healthy-liquid"]["s_an_hour"],
    }


if __name__ == "__main__":
    import json

    print(json.dumps(measure(), indent=1))
