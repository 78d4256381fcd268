"""How close the product part of `linear-algebra`, its check included, comes to plain numpy products on all cores.

Every core gets a child of one BLAS thread; all children change between the works at the same moments, so that each
slice of time has the whole processor do the same. The products run in the very loop of the load's worker.
"""

from __future__ import annotations

import contextlib
import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

REPO = Path(__file__).resolve().parent.parent.parent
PLAIN = (512, 1024, 2048)
SLICE_S = 0.5


class _SliceOver(Exception):
    """Ends the worker's loop, which by itself has no end."""


def _ours(work_of: Callable[[], object]) -> Callable[[float], float]:
    """Return a slice of the worker's own loop around a work: takes the end, returns billions of operations."""
    from verifyrig.loads.duty import ShareSchedule
    from verifyrig.loads.worker import Reporter, labour
    from verifyrig.loads.works import BlockResult, Work

    inner: Work = work_of()  # type: ignore[assignment]
    reporter = Reporter(os.open(os.devnull, os.O_WRONLY))
    schedule = ShareSchedule()
    schedule.command(1.0, 0.0)

    def slice_until(end_s: float) -> float:
        done = 0.0

        class Timed:
            block_s = inner.block_s
            notes = ()

            def block(self, budget_s: float) -> BlockResult:
                nonlocal done
                if time.perf_counter() >= end_s:
                    raise _SliceOver
                result = inner.block(budget_s)
                done += result.work
                if result.faults:
                    raise SystemExit(f"the benchmark's own arithmetic is wrong: {result.faults}")
                return result

            def close(self) -> None:
                pass

        with contextlib.suppress(_SliceOver):
            labour(Timed(), schedule, SimpleNamespace(beats=0), reporter)  # type: ignore[arg-type]
        return done

    return slice_until


def _plain(size: int) -> Callable[[float], float]:
    import numpy as np

    rng = np.random.default_rng(size)
    a, b = rng.standard_normal((size, size)), rng.standard_normal((size, size))

    def slice_until(end_s: float) -> float:
        done = 0
        while time.perf_counter() < end_s:
            a @ b
            done += 1
        return done * 2e-9 * size**3

    return slice_until


def _works() -> dict[str, Callable[[float], float]]:
    from verifyrig.loads.works.linear_algebra import linear_algebra
    from verifyrig.loads.works.products import ExactProduct, Product
    from verifyrig.loads.works.solves import BlockedSolve, Solve

    return {
        "product": _ours(Product),
        **{f"plain n = {size}": _plain(size) for size in PLAIN},
        "product from memory": _ours(lambda: Product(sets=6)),
        "single product": _ours(lambda: Product(dtype="float32")),
        "exact product": _ours(ExactProduct),
        "solve": _ours(Solve),
        "blocked solve": _ours(BlockedSolve),
        "whole linear-algebra": _ours(linear_algebra),
    }


def child(core: int, rounds: int) -> None:
    """Run all slices on one core, in step with the other children, and print rates for each."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {core})
    import numpy as np
    import threadpoolctl

    works = _works()
    for slice_until in works.values():
        slice_until(time.perf_counter() + 0.05)
    kernels = [info["architecture"] for info in threadpoolctl.threadpool_info() if info["user_api"] == "blas"]
    threads = [info["num_threads"] for info in threadpoolctl.threadpool_info() if info["user_api"] == "blas"]
    print(json.dumps({"kernels": kernels, "threads": threads, "numpy": np.__version__}), flush=True)
    start_s = float(sys.stdin.readline())
    rates: dict[str, list[tuple[float, float]]] = {name: [] for name in works}
    for number in range(rounds * len(works)):
        name = list(works)[number % len(works)]
        begin_s = start_s + number * SLICE_S
        time.sleep(max(0.0, begin_s - time.perf_counter()))
        cpu_s, began_s = time.process_time(), time.perf_counter()
        done = works[name](began_s + 0.9 * SLICE_S)
        rates[name].append((done / (time.perf_counter() - began_s), done / (time.process_time() - cpu_s)))
    print(json.dumps(rates), flush=True)


def measure(full: bool = True) -> dict[str, object]:
    """Return rates in billions of operations a second, summed over the cores, and their ratio."""
    from verifyrig.loads.topology import usable_cores
    from verifyrig.loads.worker_process import worker_environment

    rounds = 20 if full else 3
    # A variable that chooses a kernel by hand would compare something else than what a user gets.
    chosen_by_hand = ("OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE")
    environment = {k: v for k, v in worker_environment(os.environ).items() if k not in chosen_by_hand}
    children = [
        subprocess.Popen(
            [sys.executable, __file__, str(core.number), str(rounds)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**environment, "PYTHONPATH": str(REPO)},
        )
        for core in usable_cores()
    ]
    pipes = [(c.stdin, c.stdout) for c in children if c.stdin is not None and c.stdout is not None]
    about = [json.loads(out.readline()) for _, out in pipes]
    start_s = time.perf_counter() + 0.2
    for into, _ in pipes:
        into.write(f"{start_s}\n")
        into.flush()
    results = [json.loads(out.readline()) for _, out in pipes]
    for process in children:
        process.communicate()
    return _summary(about, results)


def _summary(about: list[dict[str, list[object]]], results: list[dict[str, list[list[float]]]]) -> dict[str, object]:
    def totals(name: str, which: int) -> list[float]:
        return [sum(row[which] for row in rows) for rows in zip(*(result[name] for result in results), strict=True)]

    def figures(which: int) -> dict[str, float]:
        return {name: statistics.median(totals(name, which)) for name in results[0]}

    def ratio(which: int) -> float:
        best = max((f"plain n = {size}" for size in PLAIN), key=lambda name: statistics.median(totals(name, which)))
        pairs = zip(totals("product", which), totals(best, which), strict=True)
        return statistics.median(ours / plain for ours, plain in pairs)

    return {
        "cores": len(results),
        "kernel": sorted({str(kernel) for one in about for kernel in one["kernels"]}),
        "blas_threads": sorted({int(str(n)) for one in about for n in one["threads"]}),
        "billions_per_second": figures(0),
        "billions_per_second_of_processor_time": figures(1),
        "ratio": ratio(0),
        "ratio_of_processor_time": ratio(1),
    }


if __name__ == "__main__":
    child(int(sys.argv[1]), int(sys.argv[2]))
