"""One look at everything that a machine shows, with and without a role; and a pulse of load to see who moves."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Quality, Reading, Taken
from verifyrig.sensors.bank import Bank, recording_order
from verifyrig.sensors.cross_check import below_ambient
from verifyrig.sensors.find import Found, close_all, list_channels
from verifyrig.sensors.instruments import InstrumentSensor, wait_for_first
from verifyrig.sensors.quality import ChannelJudge
from verifyrig.sensors.step_watch import StepWatch

# Counters need two readings, and a sensor that is read for the first time may answer with an old value.
_BETWEEN_S = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenSensor:
    """One sensor as it was found and read."""

    info: ChannelInfo
    reading: Reading


@dataclass(slots=True)
class Survey:
    """All sensors of a machine, held open. Close it.

    Args:
        root: `/`, or a tree of the same shape.
        config: bench.toml.
        now_s: Clock.
    """

    root: Path
    config: Mapping[str, Any]
    now_s: Callable[[], float] = time.monotonic
    _others: list[tuple[Found, ChannelJudge]] = field(default_factory=list)
    _bank: Bank | None = None

    def open(self) -> None:
        """Find all sensors; raise `BenchError` where bench.toml does not fit. Absent instruments are only listed."""
        sensors = list_channels(self.root, self.config, now_s=self.now_s, strict=False)
        wait_for_first([sensor for sensor in sensors if isinstance(sensor, InstrumentSensor)])
        self._bank = Bank([sensor for sensor in sensors if sensor.info.channel is not None])
        self._others = [
            (sensor, ChannelJudge(sensor.info, stale_after_s=3.0)) for sensor in sensors if sensor.info.channel is None
        ]

    @property
    def bank(self) -> Bank:
        """The channels with a role."""
        if self._bank is None:
            self.open()
        assert self._bank is not None
        return self._bank

    def look(self, *, load_share: float = 0.0) -> list[SeenSensor]:
        """Return every sensor with its reading: roles in recording order first, then the rest as found."""
        now_s = self.now_s()
        readings = self.bank.sample(now_s, load_share=load_share)
        seen = [SeenSensor(info=info, reading=readings[channel]) for channel, info in self.bank.infos.items()]
        seen += [SeenSensor(info=sensor.info, reading=_read(sensor, judge, now_s)) for sensor, judge in self._others]
        doubts = below_ambient([(one.info, one.reading) for one in seen])
        return [_doubted(one, doubts.get(at, "")) for at, one in enumerate(seen)]

    def first_look(self) -> list[SeenSensor]:
        """Return a look for which counters had their two readings."""
        self.look()
        time.sleep(_BETWEEN_S)
        return self.look()

    def close(self) -> None:
        """Close all files and ports."""
        if self._bank is not None:
            self._bank.close()
        close_all(sensor for sensor, _ in self._others)


def _doubted(one: SeenSensor, why: str) -> SeenSensor:
    if not why:
        return one
    return replace(one, reading=replace(one.reading, quality=Quality.IMPLAUSIBLE, note=why))


def _read(sensor: Found, judge: ChannelJudge, now_s: float) -> Reading:
    taken: Taken | SensorError
    if sensor.info.unreadable:
        return Reading(value=None, quality=Quality.MISSING, note=sensor.info.unreadable)
    try:
        taken = sensor.read()
    except SensorError as error:
        taken = error
    return judge.judge(now_s, taken, StepWatch())


def by_channel(seen: Sequence[SeenSensor]) -> dict[str, Reading]:
    """Return the readings that have a role, by channel in recording order."""
    named = {item.info.channel: item.reading for item in seen if item.info.channel is not None}
    return dict(sorted(named.items(), key=lambda pair: recording_order(pair[0])))
