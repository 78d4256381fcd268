"""Sensors of a simulated machine: readings that are rounded, noisy, held, offset or stuck."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Mapping

from mock_hw.parts import SensorModel

_TIMING_SLACK_S = 1e-6  # a sample due at the same instant counts as due, whatever the rounding of times


class HeldSensor:
    """One channel's reading, as a driver that refreshes on demand would give it."""

    __slots__ = ("_due_s", "_model", "_random", "reading")

    def __init__(self, model: SensorModel, rng: random.Random) -> None:
        self._model = model
        self._random = rng
        self._due_s = -math.inf
        self.reading = math.nan

    def sample(self, now_s: float, truth: float) -> float:
        """Take a new reading where the old one is older than the refresh time; return the reading held."""
        if now_s + _TIMING_SLACK_S < self._due_s:
            return self.reading
        self._due_s = now_s + self._model.refresh_s
        self.reading = self._read(now_s, truth)
        return self.reading

    def _read(self, now_s: float, truth: float) -> float:
        model = self._model
        if model.stuck_at is not None and now_s >= model.stuck_from_s:
            return model.stuck_at
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

    def channels(self) -> Iterable[str]:
        """Return the names of all channels."""
        return self._sensors.keys()

    def sample(self, now_s: float, truths: Mapping[str, float]) -> None:
        """Refresh what is due. A fan or pump that stands reads exactly 0: no pulse, no noise."""
        readings = self.readings
        for channel, sensor in self._sensors.items():
            truth = truths[channel]
            if truth == 0.0 and channel.endswith("_rpm"):
                readings[channel] = 0.0
            else:
                readings[channel] = sensor.sample(now_s, truth)
