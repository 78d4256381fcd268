"""All sensors of a machine as one bank of channels."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

from verifyrig.channels import BASE_CHANNELS, base_name, number_of
from verifyrig.errors import SensorError
from verifyrig.interfaces import ChannelInfo, Quality, Reading, Sensor, Taken
from verifyrig.sensors import cpufreq, hwmon, powercap, procstat, psutil_sensors, roles, thermal_zone, throttle


class Found(Protocol):
    """A sensor whose role can still be filled in."""

    info: ChannelInfo

    def read(self) -> Taken: ...

    def close(self) -> None: ...


def find_sensors(root: Path, *, now_s: Callable[[], float] = time.monotonic) -> list[Found]:
    """Return everything below the root that can be measured, each with a device name of its own."""
    found: list[Found] = [
        *hwmon.find(root, now_s=now_s),
        *thermal_zone.find(root),
        *powercap.find(root, now_s=now_s),
        *cpufreq.find(root),
        *throttle.find(root),
        *procstat.find(root),
    ]
    found += psutil_sensors.find(root, have={sensor.info.quantity for sensor in found})
    _make_distinct(found)
    return found


def _make_distinct(sensors: Iterable[Found]) -> None:
    """Number sensors that share driver, device and input, as two chips on one device link do."""
    seen: dict[str, int] = {}
    for sensor in sensors:
        device = sensor.info.device
        seen[device] = seen.get(device, 0) + 1
        if seen[device] > 1:
            sensor.info = replace(sensor.info, device=f"{device}~{seen[device]}")


def list_channels(root: Path, config: Mapping[str, Any], *, now_s: Callable[[], float] = time.monotonic) -> list[Found]:
    """Return all sensors of the machine with their roles; those without one have `channel` None.

    Raises:
        BenchError: bench.toml names a channel or a source that does not exist.
    """
    found = find_sensors(root, now_s=now_s)
    for sensor, info in zip(found, roles.assign([s.info for s in found], config), strict=True):
        sensor.info = info
    return found


def open_bank(
    root: Path, config: Mapping[str, Any], *, stale_after_s: float = 3.0, now_s: Callable[[], float] = time.monotonic
) -> Bank:
    """Return the bank of all channels with a role.

    Args:
        root: `/`, or a tree of the same shape.
        config: bench.toml.
        stale_after_s: Age above which a reading counts as stale, s.
        now_s: Clock for differences of counters: that of the run.

    Raises:
        BenchError: bench.toml names a channel or a source that does not exist.
    """
    sensors = list_channels(root, config, now_s=now_s)
    for sensor in sensors:
        if sensor.info.channel is None:
            sensor.close()
    return Bank([s for s in sensors if s.info.channel is not None], stale_after_s=stale_after_s)


def recording_order(channel: str) -> tuple[int, int]:
    """Return the place of a channel in a record: by kind along the path of the heat, then by number."""
    base = base_name(channel)
    return (BASE_CHANNELS.index(base) if base in BASE_CHANNELS else len(BASE_CHANNELS), number_of(channel))


class Bank:
    """Sensors with a role, each sampled and judged in turn."""

    def __init__(self, sensors: Sequence[Sensor], *, stale_after_s: float = 3.0) -> None:
        named = [(sensor.info.channel, sensor) for sensor in sensors if sensor.info.channel is not None]
        self._sensors = dict(sorted(named, key=lambda item: recording_order(item[0])))
        self._infos = {channel: sensor.info for channel, sensor in self._sensors.items()}
        self._stale_after_s = stale_after_s

    @property
    def infos(self) -> Mapping[str, ChannelInfo]:
        """Channels with a role, by contract name, in recording order."""
        return self._infos

    def sample(self, now_s: float, *, load_share: float) -> dict[str, Reading]:
        """Return one judged reading for each channel; never raises for a sensor, never waits for one."""
        return {channel: self._judge(channel, self._take(channel)) for channel in self._sensors}

    def reread(self, channel: str, now_s: float) -> Reading:
        """Read one channel once more in the same tick."""
        return self._judge(channel, self._take(channel))

    def _take(self, channel: str) -> Taken | SensorError:
        info = self._infos[channel]
        if info.unreadable:
            return SensorError("it cannot be read", where=channel, mend=info.unreadable)
        try:
            value, age_s = self._sensors[channel].read()
        except SensorError as error:
            return error
        return Taken(value + info.correction, age_s)

    def _judge(self, channel: str, taken: Taken | SensorError) -> Reading:
        if isinstance(taken, SensorError):
            return Reading(value=None, quality=Quality.MISSING, note=f"{taken.what}. {taken.mend}")
        if not math.isfinite(taken.value):
            return Reading(value=None, quality=Quality.IMPLAUSIBLE, note="not a number")
        quality = Quality.STALE if taken.age_s > self._stale_after_s else Quality.OK
        return Reading(value=taken.value, quality=quality, age_s=taken.age_s)

    def close(self) -> None:
        """Let go of all files and ports."""
        for sensor in self._sensors.values():
            sensor.close()
