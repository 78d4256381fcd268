"""Sensors of a simulated machine: readings that are rounded, noisy, held, offset or stuck."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable, Mapping

from mock_hw.physics.parts import SensorModel

_TIMING_SLACK_S = 1e-6  # a sample due at the same instant counts as due, whatever the rounding of times


class HeldSensor:
    """One channel's reading, as a driver that refreshes on demand would give it."""

    __slots__ = ("_model", "_random", "due_s", "reading")

    def __init__(self, model: SensorModel, rng: random.Random) -> None:
        self._model = model
        self._random = rng
        self.due_s = -math.inf
        self.reading = math.nan

    def sample(self, now_s: float, truth: float) -> float:
        """Take a new reading where the old one is older than the refresh time; return the reading held."""
        if now_s + _TIMING_SLACK_S < self.due_s:
            return self.reading
        self.due_s = now_s + self._model.refresh_s
        self.reading = self._read(now_s, truth)
        return self.reading

    def _read(self, now_s: float, truth: float) -> float:
        model = self._model
        if model.stuck_at is not None and now_s >= model.stuck_from_s:
            return model.stuck_at
        if truth == 0.0 and model.zero_is_exact:
            return 0.0
        value = truth + model.offset + self._random.gauss(0.0, model.noise)
        value = round(value / model.step) * model.step
        return min(model.high, max(model.low, value))


class SensorSet:
    """All sensors of a machine; `readings` maps each channel to the reading it holds."""

    def __init__(self, models: Mapping[str, SensorModel], seed: int) -> None:
        self._sensors = {
            channel: HeldSensor(model, random.Random(f"{seed}/sensor/{channel}")) for channel, model in models.items()
        }
        self.readings: dict[str, float] = dict.fromkeys(self._sensors, math.nan)
        self._next_due_s = -math.inf

    def channels(self) -> Iterable[str]:
        """Return the names of all channels."""
        return self._sensors.keys()

    def sample(self, now_s: float, get_truths: Callable[[], Mapping[str, float]]) -> None:
        """Refresh what is due; the truths are only worked out where something is."""
        if now_s + _TIMING_SLACK_S < self._next_due_s:
            return
        truths, readings = get_truths(), self.readings
        for channel, sensor in self._sensors.items():
            readings[channel] = sensor.sample(now_s, truths[channel])
        self._next_due_s = min(sensor.due_s for sensor in self._sensors.values())
