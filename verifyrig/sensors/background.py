"""Sensors that make the reader wait (one-wire buses, drives, controllers): read by a thread of their own."""

from __future__ import annotations

import threading

from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Sensor, Taken
from verifyrig.sensors.ages import boot_time_s

# Above it a reading holds up all others. A one-wire probe converts for 0.75 s (DS18B20 data sheet, 12 bit).
SLOW_S = 0.02
_PAUSE_S = 0.5
# A read hangs that takes longer than this, and three times longer than the longest before it: probes of one bus wait
# for each other, a drive may have to spin up.
HANGS_S = 1.0
_HANGS_TIMES = 3.0


class BackgroundSensor:
    """Gives the last value of a slow sensor with its age, at once."""

    def __init__(self, sensor: Sensor) -> None:
        self._sensor = sensor
        self._latest: tuple[Taken, float] | SensorError = SensorError(
            "the first reading is under way", where=sensor.info.label or sensor.info.source, mend="Wait a second."
        )
        self._asked_s: float | None = None
        self._longest_s = 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"reader {sensor.info.source}", daemon=True)
        self._thread.start()

    @property
    def info(self) -> ChannelInfo:
        """What is known of it."""
        return self._sensor.info

    def _run(self) -> None:
        while not self._stop.is_set():
            asked_s = self._asked_s = boot_time_s()
            try:
                taken = self._sensor.read()
                self._latest = (taken, max(asked_s, boot_time_s() - taken.age_s))
            except SensorError as error:
                self._latest = error
            self._longest_s = max(self._longest_s, boot_time_s() - asked_s)
            self._asked_s = None
            self._stop.wait(_PAUSE_S)

    def read(self) -> Taken:
        """Return the last value and its age; raise `SensorError` where the last try gave none."""
        latest = self._latest
        if isinstance(latest, SensorError):
            raise latest.with_traceback(None)
        taken, at_s = latest
        return Taken(taken.value, max(0.0, boot_time_s() - at_s))

    def hangs(self) -> bool:
        """Return whether the read under way takes longer than such a sensor's nature explains."""
        asked_s = self._asked_s
        return asked_s is not None and boot_time_s() - asked_s > max(HANGS_S, _HANGS_TIMES * self._longest_s)

    def close(self) -> None:
        """Stop reading; a read under way ends by itself."""
        self._stop.set()
        self._thread.join(timeout=0.1 if self.hangs() else 2.0)
        if not self._thread.is_alive():
            self._sensor.close()
