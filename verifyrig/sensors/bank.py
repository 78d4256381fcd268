"""All channels of a machine as one bank: sampled in turn, judged each by itself and against the others."""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from verifyrig.bench.instruments import PROTOCOLS
from verifyrig.core.channels import BASE_CHANNELS, base_name, number_of
from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Quality, Reading, Sensor, Taken
from verifyrig.metrology.correction_line import line_correction
from verifyrig.sensors.background import SLOW_S, BackgroundSensor
from verifyrig.sensors.cross_check import CrossCheck
from verifyrig.sensors.find import close_all, list_channels
from verifyrig.sensors.instruments import InstrumentSensor, wait_for_first
from verifyrig.sensors.quality import ChannelJudge
from verifyrig.sensors.reader import Reader, Round
from verifyrig.sensors.step_watch import StepWatch

__all__ = ["Bank", "list_channels", "open_bank", "recording_order"]

# So many slow readings in a row are the sensor's nature and not a busy processor's.
_SLOW_TIMES = 3


def open_bank(
    root: Path,
    config: Mapping[str, Any],
    *,
    stale_after_s: float = 3.0,
    now_s: Callable[[], float] = time.monotonic,
    outside_only: bool = False,
    in_place: bool = True,
    may_be_slow: bool = True,
    from_afar: Sequence[Sensor] = (),
) -> Bank:
    """Return the bank of all channels with a role.

    Args:
        root: `/`, or a tree of the same shape.
        config: bench.toml.
        stale_after_s: Age above which a reading counts as stale, s.
        now_s: Clock for differences of counters: that of the run.
        outside_only: Only probes (instruments, one-wire sensors, what bench.toml names): this computer is not the
            machine under test.
        in_place: Whether all sit where their names say; probes out of their place are not compared with each other.
        may_be_slow: Slow sensors get a thread of their own. Not those of simulated hardware: a thread keeps real time,
            and the files of a simulated machine are slow only where the processor is busy.
        from_afar: Probes of a second computer; each takes the place of what this one has of the same channel.

    Raises:
        BenchError: bench.toml names a channel or a source that does not exist.
        SerialError: The port of an instrument is absent, taken or not allowed.
    """
    found = list_channels(root, config, now_s=now_s)
    named = set(config.get("channel", {})) if outside_only else set()
    wanted = [
        sensor
        for sensor in found
        if sensor.info.channel is not None
        and (not outside_only or _is_probe(sensor.info) or sensor.info.channel in named)
    ]
    afar = {sensor.info.channel for sensor in from_afar}
    wanted = [sensor for sensor in wanted if sensor.info.channel not in afar]
    close_all(sensor for sensor in found if sensor not in wanted)
    wait_for_first([sensor for sensor in wanted if isinstance(sensor, InstrumentSensor)])
    slow_s = SLOW_S if may_be_slow else math.inf
    return Bank(
        [*(_never_waiting(sensor, slow_s) for sensor in wanted), *from_afar],
        stale_after_s=stale_after_s,
        in_place=in_place,
        slow_s=slow_s,
        reader=Reader() if may_be_slow else None,
    )


def _is_probe(info: ChannelInfo) -> bool:
    return info.driver in PROTOCOLS or info.driver.startswith("w1_")


def _never_waiting(sensor: Sensor, slow_s: float) -> Sensor:
    """Read once, which also gives counters their first count; wraps slow sensors in a background thread."""
    if sensor.info.unreadable:
        return sensor
    began_s = time.perf_counter()
    with contextlib.suppress(SensorError):
        sensor.read()
    return BackgroundSensor(sensor) if time.perf_counter() - began_s > slow_s else sensor


def recording_order(channel: str) -> tuple[int, int]:
    """Return the place of a channel in a record: by kind along the thermal path, then by number."""
    base = base_name(channel)
    return (BASE_CHANNELS.index(base) if base in BASE_CHANNELS else len(BASE_CHANNELS), number_of(channel))


class _Channel:
    """One channel of the bank: its sensor, its judge, and how often it was slow in a row."""

    __slots__ = ("at", "correction", "judge", "sensor", "slope", "slow", "slow_s", "unreadable")

    def __init__(self, sensor: Sensor, stale_after_s: float, slow_s: float) -> None:
        info = sensor.info
        self.sensor = sensor
        self.judge = ChannelJudge(info, stale_after_s=stale_after_s)
        self.correction, self.slope, self.at = info.correction, info.correction_slope, info.correction_at
        self.slow = 0
        self.slow_s = slow_s
        self.unreadable = (
            SensorError("it cannot be read", where=info.label or info.source, mend=info.unreadable)
            if info.unreadable
            else None
        )

    def judged(self, now_s: float, taken: Taken | SensorError, step: StepWatch) -> Reading:
        """Return what was read, judged and then corrected."""
        return self._corrected(self.judge.judge(now_s, taken, step))

    def judged_again(self, taken: Taken | SensorError) -> Reading:
        """Return what was read once more in the same tick, judged by its value and age alone."""
        return self._corrected(self.judge.judge_again(taken))

    def _corrected(self, reading: Reading) -> Reading:
        # The codes that stand for no measurement are exact values of the sensor: a correction would make them look like
        # a temperature. What is implausible stays as the sensor gave it.
        if reading.value is None or reading.quality is Quality.IMPLAUSIBLE or not (self.correction or self.slope):
            return reading
        corrected = reading.value + line_correction(reading.value, self.correction, self.slope, self.at)
        return replace(reading, value=corrected)

    def take(self) -> Taken | SensorError:
        """Return the value as the sensor gives it, or why there is none."""
        if self.unreadable is not None:
            return self.unreadable
        began_s = time.perf_counter()
        try:
            taken = self.sensor.read()
        except SensorError as error:
            return error
        if time.perf_counter() - began_s > self.slow_s:
            self._note_slow()
        else:
            self.slow = 0
        return taken

    def _note_slow(self) -> None:
        self.slow += 1
        if self.slow >= _SLOW_TIMES:
            self.sensor = BackgroundSensor(self.sensor)


class Bank:
    """Sensors with a role, each sampled and judged in turn.

    Args:
        sensors: Those without a channel are left out.
        stale_after_s: Age above which a reading counts as stale, s.
        in_place: Whether all sit where their names say, so that they may contradict each other.
        slow_s: A sensor that keeps its reader waiting longer, time after time, gets a thread of its own.
        reader: Reads them, so that one that hangs keeps nobody waiting; None reads them in the caller's thread.
    """

    def __init__(
        self,
        sensors: Sequence[Sensor],
        *,
        stale_after_s: float = 3.0,
        in_place: bool = True,
        slow_s: float = SLOW_S,
        reader: Reader | None = None,
    ) -> None:
        named = [(sensor.info.channel, sensor) for sensor in sensors if sensor.info.channel is not None]
        named.sort(key=lambda item: recording_order(item[0]))
        self._infos = {channel: sensor.info for channel, sensor in named}
        self._channels = {channel: _Channel(sensor, stale_after_s, slow_s) for channel, sensor in named}
        self._reader = reader
        self._hung: dict[str, Round] = {}
        self._step = StepWatch()
        self._cross = CrossCheck(self._infos) if in_place else None
        self._power_w: float | None = None
        self._busy_share: float | None = None

    @property
    def infos(self) -> Mapping[str, ChannelInfo]:
        """Channels with a role, by contract name, in recording order."""
        return self._infos

    def sample(self, now_s: float, *, load_share: float) -> dict[str, Reading]:
        """Return one judged reading for each channel; never raises for a sensor, never waits for one."""
        self._step.update(now_s, load_share, self._power_w, self._busy_share)
        step = self._step
        taken = self._taken(list(self._channels))
        readings = {name: channel.judged(now_s, taken[name], step) for name, channel in self._channels.items()}
        self._power_w = _ok_value(readings, "package_power_w")
        self._busy_share = _ok_value(readings, "busy_share")
        if self._cross is not None:
            self._cross.apply(now_s, readings, load_share)
        return readings

    def reread(self, channel: str, now_s: float) -> Reading:
        """Read one channel once more in the same tick; it is judged by its value and age alone."""
        return self._channels[channel].judged_again(self._taken([channel])[channel])

    def hanging(self) -> tuple[str, ...]:
        """Return the channels whose read has not come back, though it should have."""
        return tuple(
            name
            for name, channel in self._channels.items()
            if name in self._hung or (isinstance(channel.sensor, BackgroundSensor) and channel.sensor.hangs())
        )

    def refresh_s(self, channel: str) -> float | None:
        """Return the measured interval between fresh values of a channel, s, None while unknown."""
        return self._channels[channel].judge.refresh_s

    def close(self) -> None:
        """Close all files and ports but those whose read hangs: they are still in use."""
        if self._reader is not None:
            self._reader.close()
        for name, channel in self._channels.items():
            if name not in self._hung:
                channel.sensor.close()

    def _taken(self, names: Sequence[str]) -> dict[str, Taken | SensorError]:
        """Return what each of the channels gives now; no read is waited for that hangs."""
        if self._reader is None:
            return {name: self._channels[name].take() for name in names}
        self._welcome_back()
        asked = [(name, self._channels[name].take) for name in names if name not in self._hung]
        found, hanging = self._reader.read(asked)
        if hanging is not None and hanging.hangs_at is not None:
            self._hung[hanging.hangs_at] = hanging
        return {name: found.get(name) or self._not_read(name) for name in names}

    def _welcome_back(self) -> None:
        """Ask again those whose read has come back at last, by a thread of their own from now on."""
        for name in [name for name, hanging in self._hung.items() if hanging.over]:
            del self._hung[name]
            channel = self._channels[name]
            if not isinstance(channel.sensor, BackgroundSensor):
                channel.sensor = BackgroundSensor(channel.sensor)

    def _not_read(self, name: str) -> SensorError:
        info = self._infos[name]
        if name in self._hung:
            waiting_s = time.monotonic() - self._hung[name].began_s
            what = f"a read of it has not come back for {waiting_s:.1f} s"
        elif self._hung:
            what = f"it was not read, since a read of {', '.join(self._hung)} hangs"
        else:
            mend = "Close what else is busy on this machine."
            return SensorError("this machine left no time to read it", where=info.label or info.source, mend=mend)
        return SensorError(
            what, where=info.label or info.source, mend="Check the bus and its driver in the system's log."
        )


def _ok_value(readings: Mapping[str, Reading], channel: str) -> float | None:
    reading = readings.get(channel)
    return reading.value if reading is not None and reading.ok else None
