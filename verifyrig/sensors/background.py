"""Sensors that make the reader wait (one-wire buses, drives, controllers): read by a thread of their own."""

from __future__ import annotations

import threading

from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Sensor, Taken
from verifyrig.sensors.ages import boot_time_s

# Above it a reading holds up all others. A one-wire probe converts for 0.75 s (DS18B20 data sheet, 12 bit).
SLOW_S = 0.02
_PAUSE_S = 0.5


class BackgroundSensor:
    """Gives the last value of a slow sensor with its age, at once."""

    def __init__(self, sensor: Sensor) -> None:
        self._sensor = sensor
        self._latest: tuple[Taken, float] | SensorError = SensorError(
            "the first reading is under way", where=sensor.info.label or sensor.info.source, mend="Wait a second."
        )
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"reader {sensor.info.source}", daemon=True)
        self._thread.start()

    @property
    def info(self) -> ChannelInfo:
        """What is known of it."""
        return self._sensor.info

    def _run(self) -> None:
        while not self._stop.is_set():
            asked_s = boot_time_s()
            try:
                taken = self._sensor.read()
                self._latest = (taken, max(asked_s, boot_time_s() - taken.age_s))
            except SensorError as error:
                self._latest = error
            self._stop.wait(_PAUSE_S)

    def read(self) -> Taken:
        """Return the last value and its age; raise `SensorError` where the last try gave none."""
        latest = self._latest
        if isinstance(latest, SensorError):
            raise latest.with_traceback(None)
        taken, at_s = latest
        return Taken(taken.value, max(0.0, boot_time_s() - at_s))

    def close(self) -> None:
        """Stop reading; a read under way ends by itself."""
        self._stop.set()
        self._thread.join(timeout=2.0)
        if not self._thread.is_alive():
            self._sensor.close()
