"""Watts and work of the graphics load, beside a plain single-precision product of a general library, interleaved.

Needs a card that the management library shows, and torch or cupy for the other side; without them it says so.
"""

from __future__ import annotations

import statistics
import threading
import time
from collections.abc import Callable
from typing import Any

SECONDS, ROUNDS, ORDER = 12.0, 3, 8192


class _Watch:
    """Reads power and temperature every 50 ms while something runs; the first half is left for the rise."""

    def __init__(self, nvml: Any, handle: Any) -> None:
        self._nvml, self._handle = nvml, handle
        self._rows: list[tuple[float, float, float]] = []
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._read)

    def _read(self) -> None:
        while not self._done.wait(0.05):
            watts = self._nvml.nvmlDeviceGetPowerUsage(self._handle) / 1000
            self._rows.append((time.monotonic(), watts, self._nvml.nvmlDeviceGetTemperature(self._handle, 0)))

    def __enter__(self) -> _Watch:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._done.set()
        self._thread.join()

    def result(self) -> tuple[float, float]:
        late = self._rows[len(self._rows) // 2 :]
        return statistics.median(row[1] for row in late), late[-1][2]


def _ours(seconds: float) -> tuple[float, int]:
    from verifyrig.loads.gpu.product import GpuProduct

    work, done, faults, began_s = GpuProduct(), 0.0, 0, time.perf_counter()
    while time.perf_counter() - began_s < seconds:
        result = work.block(0.014)
        done, faults = done + result.work, faults + len(result.faults)
    rate = done / (time.perf_counter() - began_s)
    work.close()
    return rate, faults


def _library(seconds: float) -> tuple[float, int]:
    import torch

    torch.backends.cuda.matmul.allow_tf32 = False
    left, right = (torch.rand(ORDER, ORDER, device="cuda") * 2 - 1 for _ in range(2))
    count, began_s = 0, time.perf_counter()
    while time.perf_counter() - began_s < seconds:
        for _ in range(4):
            _ = left @ right
        torch.cuda.synchronize()
        count += 4
    return count * 2 * ORDER**3 / 1e9 / (time.perf_counter() - began_s), 0


def _measured(run: Callable[[float], tuple[float, int]], nvml: Any, handle: Any) -> dict[str, float]:
    with _Watch(nvml, handle) as watch:
        rate, faults = run(SECONDS)
    watts, temp_c = watch.result()
    return {"watts": watts, "gflop_per_s": rate, "temp_c": temp_c, "faults": faults}


def measure(full: bool = True) -> dict[str, Any]:
    """Return medians of both over interleaved rounds, and the ratio of their watts."""
    try:
        import pynvml as nvml
        import torch

        nvml.nvmlInit()
        torch.zeros(1, device="cuda")
    except Exception as error:
        return {"not_run": f"needs a card, its management library and torch: {error}"}
    handle = nvml.nvmlDeviceGetHandleByIndex(0)
    rounds = [(_measured(_library, nvml, handle), _measured(_ours, nvml, handle)) for _ in range(ROUNDS if full else 1)]
    keys = ("watts", "gflop_per_s", "temp_c")
    plain = {key: statistics.median(pair[0][key] for pair in rounds) for key in keys}
    ours = {key: statistics.median(pair[1][key] for pair in rounds) for key in keys}
    return {
        "card": nvml.nvmlDeviceGetName(handle),
        "limit_w": nvml.nvmlDeviceGetEnforcedPowerLimit(handle) / 1000,
        "plain_product": plain,
        "graphics_load": {**ours, "faults": sum(pair[1]["faults"] for pair in rounds)},
        "ratio": ours["watts"] / plain["watts"],
    }
