"""What else a run says: background load while idle, when parts may be touched, its own cost."""

from __future__ import annotations

import math
import time

import numpy as np

from verifyrig.analysis import TOUCH_SAFE_C, touch_safe_in_s
from verifyrig.core.channels import of_role
from verifyrig.core.heat_sources import highest_of
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import FloatArray
from verifyrig.rig.run_buffer import RunBuffer

# Above this share of the processor others' work is seen in the temperature while idle (common practice, no source).
BUSY_WHILE_IDLE = 0.10
_TOUCHED_FIRST = ("plate_temp_c", "radiator_temp_c", "coolant_temp_c", "gpu_temp_c", "die_temp_c")
_PLACES = {"plate": "plate", "radiator": "radiator", "coolant": "coolant", "gpu": "graphics card", "die": "processor"}
_SAY_EVERY_S = 60.0


def busy_while_idle(buffer: RunBuffer, since: int) -> float | None:
    """Return the mean share of the processor that others kept busy since a moment, None where it is little enough."""
    busy = buffer.rows(since).column("busy_share")
    busy = busy[np.isfinite(busy)]
    mean = float(np.mean(busy)) if len(busy) else 0.0
    return mean if mean > BUSY_WHILE_IDLE else None


class TouchWatch:
    """Forecasts in the cooldown when the parts may be touched, from the outermost measured part.

    Args:
        buffer: The run's samples.
    """

    def __init__(self, buffer: RunBuffer) -> None:
        self._buffer = buffer
        self._channel = ""
        self._since = 0
        self._next_row = 0
        self._next_s = 0.0
        self._was_hot = False

    def newly_known(self) -> Reason | None:
        """Return now and then what the newest sample of a cooldown shows, else None."""
        buffer = self._buffer
        channel = next((name for name in _TOUCHED_FIRST if highest_of(name, buffer.newest) is not None), "")
        # Rows that were not asked about are of another stage: what heated the parts then is no cooling.
        if channel != self._channel or buffer.end - 1 != self._next_row:
            self._channel, self._since = channel, buffer.end - 1
        self._next_row = buffer.end
        value = highest_of(channel, buffer.newest) if channel else None
        if value is None:
            return None
        self._was_hot = self._was_hot or value > TOUCH_SAFE_C
        if buffer.t_s < self._next_s or not self._was_hot:
            return None
        wait_s = touch_safe_in_s(*self._course(channel), ambient_c=buffer.ambient_c)
        if wait_s is None or not math.isfinite(wait_s):
            return None
        self._next_s = math.inf if wait_s == 0 else buffer.t_s + _SAY_EVERY_S
        place = _PLACES[channel.split("_")[0]]
        if wait_s == 0:
            return reason("touch-now", place=place, limit_c=TOUCH_SAFE_C)
        return reason("touch-soon", place=place, limit_c=TOUCH_SAFE_C, wait_min=max(1, round(wait_s / 60)))

    def _course(self, channel: str) -> tuple[FloatArray, FloatArray]:
        """Return times, s, and the hottest of a kind, °C, since this cooldown began; NaN where it was not read."""
        rows = self._buffer.rows(self._since)
        return rows.t_s, np.fmax.reduce([rows.column(name) for name in of_role(channel, self._buffer.newest)])


class OwnCost:
    """How much of one core this program itself takes."""

    def __init__(self) -> None:
        self._began_s, self._used_s = time.perf_counter(), time.process_time()

    def share(self) -> float:
        """Return processor time over time passed since this was made; workers are not in it."""
        return (time.process_time() - self._used_s) / max(time.perf_counter() - self._began_s, 1e-9)
