"""One temperature that both computers see: it rises steadily, so each value says when it was read."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

import numpy as np
import numpy.typing as npt

from tests.sensor_tree import chip, lay

SLOPE_K_PER_S, PERIOD_S, LOWEST_C = 4.0, 10.0, 30.0
_EVERY_S = 0.004
DIE = "sys/devices/pci0/hwmon/hwmon0/temp1_input"


class Ramp(threading.Thread):
    """Writes a machine's tree below `root`: its die, and beside it the file `plate` that a thermometer follows."""

    def __init__(self, root: Path) -> None:
        super().__init__(daemon=True, name="ramp")
        values = {"temp1_input": 30000, "temp1_label": "Tctl"}
        lay(root, {**chip(0, "k10temp", "pci0", **values), "verifyrig/load": " " * 63, "plate": 30000})
        self.plate = root / "plate"
        self._files = [os.open(path, os.O_WRONLY) for path in (root / DIE, self.plate)]
        self.plate_c: float | None = None
        self._stopped = threading.Event()

    def run(self) -> None:
        while not self._stopped.wait(_EVERY_S):
            now_c = LOWEST_C + SLOPE_K_PER_S * (time.monotonic() % PERIOD_S)
            for fd, temp_c in zip(self._files, (now_c, self.plate_c or now_c), strict=True):
                os.pwrite(fd, f"{temp_c * 1000:6.0f}\n".encode(), 0)

    def stop(self) -> None:
        """End it."""
        self._stopped.set()
        self.join()
        for fd in self._files:
            os.close(fd)


def written_s(temp_c: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return when values were written, s, within the period."""
    return (temp_c - LOWEST_C) / SLOPE_K_PER_S


def apart_s(one_s: npt.NDArray[np.float64], other_s: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return how far two times lie apart, by the nearest period, s."""
    return (one_s - other_s + PERIOD_S / 2) % PERIOD_S - PERIOD_S / 2
