"""Short dips of a load that stays on: a reading that stands still must answer to one, or it is stuck. Pure.

A sensor of 1 °C steps may rightly stand for minutes once the machine has settled, and a frozen one looks just like it.
So the load is taken away for a moment. How far the reading must move then is known from how far it moved when this
very load began: the thermal path is linear, so a step down mirrors the step up. The dip ends with the answer, most
often within two seconds; a reading that has not changed at all after `ANSWER_WITHIN_S` is stuck.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from verifyrig.core.channels import base_name
from verifyrig.core.interfaces import ChannelInfo, Quality, Reading
from verifyrig.rig.dip import LEFT_OUT_S, Dip, OpenDip
from verifyrig.rig.watched import Watched

DIP_EVERY_S = 60.0
# So long must a reading have stood before it is asked: one that wavers proves itself, and costs no dip.
STANDS_S = 30.0
ASKED_WITH_S = 5.0
LOOK_EVERY_S = 0.25
# Heated by the load itself, or next to it. That coolant and radiator stay is a finding, not a fault of their sensors.
_ANSWERING = ("die_temp_c", "core_temp_c", "plate_temp_c", "gpu_temp_c", "gpu_hotspot_temp_c", "gpu_memory_temp_c")
_HAIR_S = 1e-6


class Dips:
    """Decides when a load dips, who is asked by it, and who gave no answer.

    Args:
        infos: Channels of the machine.

    Attributes:
        share: The share last commanded by the load's plan.
        open: The dip under way, None where none is.
    """

    def __init__(self, infos: Mapping[str, ChannelInfo]) -> None:
        self._watched = {
            channel: Watched(channel, infos)
            for channel, info in infos.items()
            if base_name(channel) in _ANSWERING and not info.unreadable
        }
        self._driving = {name for w in self._watched.values() for name in (w.power, w.busy) if name is not None}
        self._levels: dict[str, float] = {}
        self.share = 0.0
        self._load: object = None
        self._load_since_s = math.inf
        self._last_s = -math.inf
        self._left_out_until_s = -math.inf
        self.open: OpenDip | None = None

    @property
    def none_yet(self) -> bool:
        """Whether no load of this run has dipped so far."""
        return math.isinf(self._last_s)

    def load_commanded(self, t_s: float, share: float, load: object) -> None:
        """Note the share commanded by the load's plan (not by a dip); `load` is equal for equal loads."""
        if load != self._load:
            self._load = load
            for watched in self._watched.values():
                watched.forget()
        if share > self.share:
            for watched in self._watched.values():
                watched.load_rises(t_s, share - self.share)
        self.share = share
        self._load_since_s = t_s if share > 0 else math.inf

    def take(self, t_s: float, readings: Mapping[str, Reading]) -> dict[str, Reading]:
        """Take one sample; return it with what gave no answer marked as stuck."""
        self._take_levels(readings)
        marked = dict(readings)
        for channel, watched in self._watched.items():
            reading = readings.get(channel)
            if reading is None or not reading.ok or reading.value is None:
                continue
            watched.take(t_s, reading.value, self._power_w(watched))
            if self.open is not None:
                self.open.hear(channel, reading)
                self._judge(self.open, t_s, channel, watched)
            if watched.stuck:
                marked[channel] = replace(reading, quality=Quality.STUCK, note=watched.stuck)
        return marked

    def _take_levels(self, readings: Mapping[str, Reading]) -> None:
        read = {name: readings[name] for name in self._driving if name in readings}
        self._levels = {name: one.value for name, one in read.items() if one.ok and one.value is not None}
        if self.open is not None:
            self.open.take_levels(self._levels)

    def _power_w(self, watched: Watched) -> float | None:
        return None if watched.power is None else self._levels.get(watched.power)

    def _judge(self, dip: OpenDip, t_s: float, channel: str, watched: Watched) -> None:
        if dip.is_time_up(t_s) and channel in dip.unanswered and dip.is_fair(watched.power, watched.busy):
            watched.stuck = f"it did not move at all when the load dipped for {t_s - dip.from_s:.0f} s"

    # ---- asking

    def due(self, t_s: float, share: float) -> tuple[str, ...]:
        """Return who is to be asked by a dip now; empty while nobody need be, or the last dip was a moment ago."""
        if self.open is not None or share <= 0 or t_s - self._last_s < DIP_EVERY_S - _HAIR_S:
            return ()
        if not self._answering(t_s, share, STANDS_S):
            return ()
        # A dip that comes anyway asks whoever may be frozen by now: the next one is a minute away.
        return self._answering(t_s, share, ASKED_WITH_S)

    def _answering(self, t_s: float, share: float, for_s: float) -> tuple[str, ...]:
        return tuple(
            channel
            for channel, watched in self._standing(t_s, for_s)
            if watched.must_answer(share, self._power_w(watched))
        )

    def cannot_answer(self, t_s: float, share: float) -> tuple[str, ...]:
        """Return who stands and is moved too little by this load to be asked, each once a load."""
        if self.open is not None or share <= 0:
            return ()
        found = [
            (channel, watched)
            for channel, watched in self._standing(t_s, DIP_EVERY_S)
            if not watched.named and not watched.must_answer(share, self._power_w(watched))
        ]
        for _, watched in found:
            watched.named = True
        return tuple(channel for channel, _ in found)

    def _standing(self, t_s: float, for_s: float) -> list[tuple[str, Watched]]:
        return [
            (channel, watched)
            for channel, watched in self._watched.items()
            # Who is stuck stays so until it moves; to ask again and again would only cost load.
            if watched.value is not None
            and not watched.stuck
            and t_s - max(watched.changed_s, self._load_since_s) >= for_s - _HAIR_S
        ]

    def begin(self, t_s: float, asked: tuple[str, ...]) -> None:
        """The load is taken away now."""
        values = {channel: self._watched[channel].value for channel in asked}
        self.open = OpenDip(t_s, {name: value for name, value in values.items() if value is not None}, self._levels)
        self._last_s, self._left_out_until_s = t_s, math.inf

    def end(self, t_s: float) -> Dip:
        """The load is back, or ended altogether; call it while a dip is open."""
        dip, self.open = self.open, None
        if dip is None:
            raise ValueError("no dip is under way")
        self._left_out_until_s = t_s + LEFT_OUT_S
        asked = [self._watched[channel] for channel in dip.asked]
        return dip.over(t_s, fair=all(dip.is_fair(watched.power, watched.busy) for watched in asked))

    def leaves_out(self, t_s: float) -> bool:
        """Return whether a sample at `t_s` shows a dip rather than the load."""
        return t_s <= self._left_out_until_s
