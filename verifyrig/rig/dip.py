"""Short dips of a load that stays on: a reading that stands still must answer to one, or it is stuck. Pure.

A sensor of 1 °C steps may rightly stand for minutes once the machine has settled, and a frozen one looks just like it.
So the load is taken away for a moment. How far the reading must move then is known from how far it moved when this
very load began: the thermal path is linear, so a step down mirrors the step up. The dip ends with the answer, most
often within two seconds; a reading that has not changed at all after `ANSWER_WITHIN_S` is stuck.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TypedDict

from verifyrig.core.channels import base_name
from verifyrig.core.heat_sources import CARD, DIE, of_same_part, part_of
from verifyrig.core.interfaces import ChannelInfo, Quality, Reading

__all__ = ["ANSWER_WITHIN_S", "DIP_EVERY_S", "LEFT_OUT_S", "LOOK_EVERY_S", "STANDS_S", "Dip", "Dips"]

DIP_EVERY_S = 60.0
# So long must a reading have stood before it is asked: one that wavers proves itself, and costs no dip.
STANDS_S = 30.0
ASKED_WITH_S = 5.0
# Slow drivers refresh every 4 s, so two fresh values fall into it.
ANSWER_WITHIN_S = 10.0
LOOK_EVERY_S = 0.25
# After a dip the die is back within seconds, the plate below it (time constants of 2 to 10 s, trade figures) later.
# Samples so soon after one are left out of every figure.
LEFT_OUT_S = 10.0
# Three steps, and one for what noise and rounding may take away.
_MUST_MOVE_STEPS = 4.0
# No sensor of a temperature that is guarded steps by more (common practice, no source).
_LARGEST_STEP_K = 1.0
# A processor may draw up to twice its lasting power in the first seconds of a load; where power is not read, the answer
# is taken to be no more than half of what the load's start showed.
_WITHOUT_POWER = 0.5
# Whatever else runs on the machine must not stand in for the load, or the dip is none.
_POWER_FALLS_TO = 0.7
_BUSY_FALLS_TO = 0.5
_LEAST_BUSY_SHARE = 0.2
_BUSY = {DIE: "busy_share", CARD: "gpu_busy_share"}
# Heated by the load itself, or next to it. That coolant and radiator stay is a finding, not a fault of their sensors.
_ANSWERING = ("die_temp_c", "core_temp_c", "plate_temp_c", "gpu_temp_c", "gpu_hotspot_temp_c", "gpu_memory_temp_c")


class DipDetail(TypedDict):
    """The detail of the record's event `dip`; times in s since the run began."""

    until_s: float
    left_out_until_s: float
    asked: list[str]
    answered: list[str]
    fair: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Dip:
    """One dip that is over, s since the run began, with who was asked and who answered.

    Attributes:
        fair: Whether the heat went away with the load; where it did not, no answer says nothing.
    """

    from_s: float
    until_s: float
    asked: tuple[str, ...]
    answered: tuple[str, ...]
    fair: bool

    def as_detail(self) -> DipDetail:
        """Return the detail of the record's event `dip`."""
        return {
            "until_s": self.until_s,
            "left_out_until_s": self.until_s + LEFT_OUT_S,
            "asked": list(self.asked),
            "answered": list(self.answered),
            "fair": self.fair,
        }


@dataclass(slots=True, kw_only=True)
class _Rise:
    """How far a rise of the load by `share_step` moved a reading within ten seconds, and by how many watts."""

    began_s: float
    share_step: float
    base: float
    base_w: float | None
    moved_k: float = 0.0
    moved_w: float = 0.0

    def take(self, value: float, power_w: float | None) -> None:
        self.moved_k = max(self.moved_k, abs(value - self.base))
        if power_w is not None and self.base_w is not None:
            self.moved_w = max(self.moved_w, power_w - self.base_w)

    def mirrored_k(self, share: float, power_w: float | None) -> float:
        """Return how far the reading must fall within ten seconds when this share is taken away, K."""
        if power_w is not None and self.base_w is not None and self.moved_w > 0:
            return self.moved_k * min(1.0, (power_w - self.base_w) / self.moved_w)
        return self.moved_k * min(1.0, share / self.share_step) * _WITHOUT_POWER


class _Watched:
    """One temperature: how long it has stood, and how far this load moved it when it began.

    Attributes:
        power, busy: The power that heats it and the busy share of its part; None where the machine does not show them.
    """

    def __init__(self, channel: str, infos: Mapping[str, ChannelInfo]) -> None:
        part, info = part_of(channel) or DIE, infos[channel]
        self.power = of_same_part(channel, part.power, infos)
        self.busy = of_same_part(channel, _BUSY[part], infos)
        self.value: float | None = None
        self.changed_s = 0.0
        self.stuck = ""
        self.named = False
        self._resolution_k = info.resolution or 0.0
        self._smallest_k = _LARGEST_STEP_K
        self._before: deque[float] = deque(maxlen=5)
        self._before_w: float | None = None
        self._rise: _Rise | None = None
        self._best: _Rise | None = None

    def forget(self) -> None:
        """The next load is another one: what this one showed says nothing of it."""
        self._best = None
        self.named = False

    def load_rises(self, t_s: float, share_step: float) -> None:
        """Watch the next seconds: the load rose by so much of its full share."""
        if self._before:
            base = sum(self._before) / len(self._before)
            self._rise = _Rise(began_s=t_s, share_step=share_step, base=base, base_w=self._before_w)

    def take(self, t_s: float, value: float, power_w: float | None) -> None:
        """Take one `ok` reading and the power of its part."""
        if value != self.value:
            if self.value is not None:
                self._smallest_k = min(self._smallest_k, abs(value - self.value))
            self.changed_s, self.stuck = t_s, ""
        self.value = value
        rise = self._rise
        if rise is None:
            self._before.append(value)
            self._before_w = power_w
            return
        rise.take(value, power_w)
        if self._best is None or rise.moved_k > self._best.moved_k:
            self._best = rise
        if t_s - rise.began_s >= ANSWER_WITHIN_S:
            self._rise = None
            self._before.clear()

    def must_answer(self, share: float, power_w: float | None) -> bool:
        """Return whether taking this share away must move the reading by three of its steps."""
        # Some registers of eighths of a degree show whole ones: the smallest change seen is believed first.
        step_k = max(self._resolution_k, self._smallest_k)
        return self._best is not None and self._best.mirrored_k(share, power_w) >= _MUST_MOVE_STEPS * step_k


@dataclass(slots=True)
class _Open:
    """A dip under way; `levels` are power and busy share before it, `lowest` since."""

    from_s: float
    asked: dict[str, float]
    levels: dict[str, float]
    lowest: dict[str, float]
    answered: list[str]


class Dips:
    """Decides when a load dips, who is asked by it, and who gave no answer.

    Args:
        infos: Channels of the machine.

    Attributes:
        share: The share last commanded by the load's plan.
    """

    def __init__(self, infos: Mapping[str, ChannelInfo]) -> None:
        self._watched = {
            channel: _Watched(channel, infos)
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
        self._open: _Open | None = None

    @property
    def none_yet(self) -> bool:
        """Whether no load of this run has dipped so far."""
        return math.isinf(self._last_s)

    @property
    def is_open(self) -> bool:
        """Whether a dip is under way."""
        return self._open is not None

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
            watched.take(t_s, reading.value, self._level(watched.power))
            self.hear(channel, reading)
            self._judge(t_s, channel, watched)
            if watched.stuck:
                marked[channel] = replace(reading, quality=Quality.STUCK, note=watched.stuck)
        return marked

    def _take_levels(self, readings: Mapping[str, Reading]) -> None:
        for name in self._driving:
            reading = readings.get(name)
            if reading is not None and reading.ok and reading.value is not None:
                self._levels[name] = reading.value
                if self._open is not None:
                    self._open.lowest[name] = min(reading.value, self._open.lowest.get(name, math.inf))
            else:
                self._levels.pop(name, None)

    def _level(self, channel: str | None) -> float | None:
        return None if channel is None else self._levels.get(channel)

    def _judge(self, t_s: float, channel: str, watched: _Watched) -> None:
        dip = self._open
        if dip is None or t_s - dip.from_s < ANSWER_WITHIN_S - 1e-6:
            return
        if channel in self.unanswered and _is_fair(dip, watched):
            watched.stuck = f"it did not move at all when the load dipped for {t_s - dip.from_s:.0f} s"

    # ---- asking

    def due(self, t_s: float, share: float) -> tuple[str, ...]:
        """Return who is to be asked by a dip now; empty while nobody need be, or the last dip was a moment ago."""
        if self._open is not None or share <= 0 or t_s - self._last_s < DIP_EVERY_S - 1e-6:
            return ()
        if not self._answering(t_s, share, STANDS_S):
            return ()
        # A dip that comes anyway asks whoever may be frozen by now: the next one is a minute away.
        return self._answering(t_s, share, ASKED_WITH_S)

    def _answering(self, t_s: float, share: float, for_s: float) -> tuple[str, ...]:
        return tuple(
            channel
            for channel, watched in self._standing(t_s, for_s)
            if watched.must_answer(share, self._level(watched.power))
        )

    def cannot_answer(self, t_s: float, share: float) -> tuple[str, ...]:
        """Return who stands and is moved too little by this load to be asked, each once a load."""
        if self._open is not None or share <= 0:
            return ()
        found = [
            (channel, watched)
            for channel, watched in self._standing(t_s, DIP_EVERY_S)
            if not watched.named and not watched.must_answer(share, self._level(watched.power))
        ]
        for _, watched in found:
            watched.named = True
        return tuple(channel for channel, _ in found)

    def _standing(self, t_s: float, for_s: float) -> list[tuple[str, _Watched]]:
        return [
            (channel, watched)
            for channel, watched in self._watched.items()
            # Who is stuck stays so until it moves; to ask again and again would only cost load.
            if watched.value is not None
            and not watched.stuck
            and t_s - max(watched.changed_s, self._load_since_s) >= for_s - 1e-6
        ]

    def begin(self, t_s: float, asked: tuple[str, ...]) -> None:
        """The load is taken away now."""
        values = {channel: self._watched[channel].value for channel in asked}
        self._open = _Open(
            from_s=t_s,
            asked={channel: value for channel, value in values.items() if value is not None},
            levels=dict(self._levels),
            lowest={},
            answered=[],
        )
        self._last_s, self._left_out_until_s = t_s, math.inf

    def hear(self, channel: str, reading: Reading) -> None:
        """Take one reading of somebody who is asked; one read between two samples too."""
        dip = self._open
        if dip is None or channel not in dip.asked or channel in dip.answered or not reading.ok:
            return
        if reading.value != dip.asked[channel]:
            dip.answered.append(channel)

    @property
    def unanswered(self) -> tuple[str, ...]:
        """Who is asked and has not answered yet."""
        dip = self._open
        return () if dip is None else tuple(channel for channel in dip.asked if channel not in dip.answered)

    def is_over(self, t_s: float) -> bool:
        """Return whether everybody answered, or the time is up."""
        dip = self._open
        return dip is not None and (not self.unanswered or t_s - dip.from_s >= ANSWER_WITHIN_S - 1e-6)

    def end(self, t_s: float) -> Dip:
        """The load is back, or ended altogether; call it while a dip is open."""
        dip, self._open = self._open, None
        if dip is None:
            raise ValueError("no dip is under way")
        self._left_out_until_s = t_s + LEFT_OUT_S
        return Dip(
            from_s=dip.from_s,
            until_s=t_s,
            asked=tuple(dip.asked),
            answered=tuple(dip.answered),
            fair=all(_is_fair(dip, self._watched[channel]) for channel in dip.asked),
        )

    def leaves_out(self, t_s: float) -> bool:
        """Return whether a sample at `t_s` shows a dip rather than the load."""
        return t_s <= self._left_out_until_s


def _is_fair(dip: _Open, watched: _Watched) -> bool:
    """Return whether the heat went away with the load: other programs may keep the machine at work."""
    return _fell(dip, watched.power, 0.0, _POWER_FALLS_TO) and _fell(
        dip, watched.busy, _LEAST_BUSY_SHARE, _BUSY_FALLS_TO
    )


def _fell(dip: _Open, channel: str | None, least: float, to_share: float) -> bool:
    """Return whether a level that stood above `least` fell to this share of it; one that is not read says nothing."""
    before = None if channel is None else dip.levels.get(channel)
    if channel is None or before is None or before < least:
        return True
    return dip.lowest.get(channel, math.inf) <= to_share * before
