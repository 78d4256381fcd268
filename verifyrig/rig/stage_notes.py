"""What a run says by the way: a rest that is no rest, when parts may be touched, its own cost."""

from __future__ import annotations

import math
import time
from collections.abc import Mapping

import numpy as np

from verifyrig.analysis import TOUCH_SAFE_C, touch_safe_in_s
from verifyrig.core.heat_sources import highest_of
from verifyrig.core.interfaces import Reading

# Above this share of the processor others' work is seen in the temperature at rest (common practice, no source).
BUSY_AT_REST = 0.10
_TOUCHED_FIRST = ("plate_temp_c", "radiator_temp_c", "coolant_temp_c", "gpu_temp_c", "die_temp_c")
_PLACES = {"plate": "plate", "radiator": "radiator", "coolant": "coolant", "gpu": "graphics card", "die": "processor"}
_SAY_EVERY_S = 60.0


class RestWatch:
    """Watches how busy the processor is while a stage is to be a rest."""

    def __init__(self) -> None:
        self._busy: list[float] = []

    def sample(self, readings: Mapping[str, Reading]) -> None:
        """Take one sample of a stage at rest."""
        reading = readings.get("busy_share")
        if reading is not None and reading.ok and reading.value is not None:
            self._busy.append(reading.value)

    def disturbed(self) -> float | None:
        """Return the mean share of the processor that others kept busy where it is too much, and begin anew."""
        mean = float(np.mean(self._busy)) if self._busy else 0.0
        self._busy.clear()
        return mean if mean > BUSY_AT_REST else None


class TouchWatch:
    """Foresees in the cooldown when the parts may be touched, as the outermost measured part tells."""

    def __init__(self) -> None:
        self._rows: list[tuple[float, float]] = []
        self._channel = ""
        self._next_s = 0.0
        self._was_hot = False

    def sample(self, t_s: float, readings: Mapping[str, Reading], room_c: float | None) -> str:
        """Take one sample of a cooldown; return a sentence now and then, else an empty text."""
        channel = next((name for name in _TOUCHED_FIRST if highest_of(name, readings) is not None), "")
        if channel != self._channel:
            self._channel, self._rows = channel, []
        value = highest_of(channel, readings) if channel else None
        if value is None:
            return ""
        self._rows.append((t_s, value))
        self._was_hot = self._was_hot or value > TOUCH_SAFE_C
        if t_s < self._next_s or not self._was_hot:
            return ""
        times, temps = np.array(self._rows).T
        wait_s = touch_safe_in_s(times, temps, ambient_c=room_c)
        if wait_s is None or not math.isfinite(wait_s):
            return ""
        self._next_s = math.inf if wait_s == 0 else t_s + _SAY_EVERY_S
        place = _PLACES[channel.split("_")[0]]
        if wait_s == 0:
            return f"The {place} is below {TOUCH_SAFE_C:.0f} °C; check before touching: other parts may be hotter."
        about = f"in about {max(1, round(wait_s / 60))} min (estimated; check before touching)"
        return f"The {place} will be below {TOUCH_SAFE_C:.0f} °C {about}."


class OwnCost:
    """How much of one core this program itself takes."""

    def __init__(self) -> None:
        self._began_s, self._used_s = time.perf_counter(), time.process_time()

    def share(self) -> float:
        """Return processor time over time passed since this was made; workers are not in it."""
        return (time.process_time() - self._used_s) / max(time.perf_counter() - self._began_s, 1e-9)
