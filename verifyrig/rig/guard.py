"""The guard: decides on every sample whether the load may go on. It reads; it never writes and never waits.

Rules, in the words of a record's `trip.rule`: `max`, `min`, `machine-limit`, `rate`, `no-reading`, `stuck`,
`no-reaction`, `line` (the straight line through the last fresh readings crosses the limit before the next
sample could act).
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from verifyrig.core.channels import is_temperature, of_role
from verifyrig.core.heat_sources import DIE, PARTS, HeatedGroup
from verifyrig.core.interfaces import ChannelInfo, Quality, Reading
from verifyrig.core.profile import Profile, Stage
from verifyrig.rig.arming import ArmedLimit

RATE_WINDOW_S = 10.0
REACTION_WITHIN_S = 10.0
# A die that carries half of its power moves by 5 K and more within ten seconds (trade figures: 0-5 s window
# of 16 K and more at 105 W); 2 K is above the noise and the 1 °C step of the coarsest die sensor.
REACTION_K = 2.0
REACTION_SHARE = 0.5
# The die's own first step (0.1-2 s time constant) is no straight line; readings so soon after an edge are
# left out of the line.
LINE_AFTER_EDGE_S = 2.0
ACT_WITHIN_S = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Trip:
    """Why the load was ended: the rule, the channel, its value and limit (channel's unit, K/s for `rate`)."""

    rule: str
    channel: str
    value: float | None
    limit: float | None
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LeastLeft:
    """The temperature that is nearest to its limit: its channel, and the kelvin left, below 0 above the limit."""

    channel: str
    left_k: float


@dataclass(slots=True)
class _History:
    """The recent past of one guarded channel."""

    readings: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=64))
    fresh: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=3))
    last_ok_s: float | None = None

    def add(self, t_s: float, value: float, refresh_s: float) -> None:
        if not self.fresh or value != self.fresh[-1][1] or t_s - self.fresh[-1][0] >= refresh_s:
            self.fresh.append((t_s, value))
        self.readings.append((t_s, value))
        self.last_ok_s = t_s

    def rate_k_per_s(self) -> float | None:
        """Return the rise over the last ten seconds, K/s, None while they are not full."""
        now_s, value = self.readings[-1]
        before = [pair for pair in self.readings if now_s - pair[0] >= RATE_WINDOW_S - 1e-6]
        if not before:
            return None
        then_s, then = before[-1]
        return (value - then) / (now_s - then_s)

    def line_at(self, t_s: float) -> float | None:
        """Return where the straight line through the last fresh readings stands at `t_s`, None below three."""
        if len(self.fresh) < 3:
            return None
        times, values = np.array(self.fresh).T
        slope, level = np.polyfit(times - times[-1], values, 1)
        return float(level + slope * (t_s - times[-1]))


class Guard:
    """Judges every sample against the armed limits.

    Args:
        armed: Limits with their channels.
        profile: For `stale_after_s` and the sampling period.
        infos: Channels of this machine.
        reread: Reads a channel once more in the same tick.
    """

    def __init__(
        self,
        armed: list[ArmedLimit],
        profile: Profile,
        infos: Mapping[str, ChannelInfo],
        reread: Callable[[str, float], Reading],
    ) -> None:
        self._armed = [(limit, _History()) for limit in armed]
        self._profile = profile
        self._infos = infos
        self._reread = reread
        self._reactions = {channel: _Reaction() for part in PARTS for channel in of_role(part.temp, infos)}
        self._heats: tuple[HeatedGroup, ...] = ()
        self._edge_s: float | None = None
        self._share = 0.0
        self._began_s: float | None = None
        self._no_trend_until_s = -math.inf

    def load_edge(self, t_s: float, share: float, *, steady: bool, heats: Sequence[HeatedGroup] | None = None) -> None:
        """Note that the load was told a new share at `t_s`; `heats` must answer to it: each die unless said."""
        if self._share == 0.0 or share == 0.0:
            self._edge_s = t_s
            for _, past in self._armed:
                past.fresh.clear()
            dies = HeatedGroup(of_role(DIE.temp, self._infos), every=True)
            self._heats = tuple((dies,) if heats is None else heats) if steady else ()
            heated = {channel for group in self._heats for channel in group.channels}
            for channel, reaction in self._reactions.items():
                reaction.edge(t_s, share if channel in heated else 0.0)
        self._share = share

    def load_dips(self, t_s: float, *, over: bool) -> None:
        """Note that the load is taken away for a moment at `t_s`, or is back: what a reading does then is no trend."""
        self._edge_s = t_s
        self._no_trend_until_s = t_s + LINE_AFTER_EDGE_S if over else math.inf
        for _, past in self._armed:
            past.fresh.clear()

    def check(self, t_s: float, now_s: float, stage: Stage, readings: Mapping[str, Reading]) -> Trip | None:
        """Return the first trip of this sample, or None. `t_s` is the run's time, `now_s` the clock's."""
        if self._began_s is None:
            self._began_s = t_s
        for armed, past in self._armed:
            if armed.limit.armed_in(stage):
                trip = self._check_one(armed, past, t_s, now_s, readings.get(armed.channel))
                if trip is not None:
                    return trip
        return self._check_reactions(t_s, readings)

    def least_left(self, readings: Mapping[str, Reading]) -> LeastLeft | None:
        """Return the armed temperature that is nearest to its limit, None where nothing is armed or read."""
        return min(self._left(readings), key=lambda left: left.left_k, default=None)

    def _left(self, readings: Mapping[str, Reading]) -> Iterator[LeastLeft]:
        for armed, _ in self._armed:
            reading = readings.get(armed.channel)
            if armed.maximum is None or not is_temperature(armed.channel) or reading is None or not reading.ok:
                continue
            if reading.value is not None:
                yield LeastLeft(channel=armed.channel, left_k=armed.maximum - reading.value)

    def _check_one(
        self, armed: ArmedLimit, past: _History, t_s: float, now_s: float, reading: Reading | None
    ) -> Trip | None:
        if reading is not None and reading.quality is Quality.STUCK:
            return _trip("stuck", armed, reading.value, None, "its reading no longer moves where it should")
        if reading is None or not reading.ok or reading.value is None:
            return self._check_silence(armed, past, t_s)
        crossing = _crossing(armed, reading.value)
        if crossing is not None:
            again = self._reread(armed.channel, now_s)
            if again.ok and again.value is not None and _crossing(armed, again.value) is not None:
                past.add(t_s, again.value, self._refresh_s(armed.channel))
                return crossing
            return self._check_silence(armed, past, t_s) if not again.ok else None
        if t_s < self._no_trend_until_s:
            past.last_ok_s = t_s
            return None
        past.add(t_s, reading.value, self._refresh_s(armed.channel))
        return self._check_motion(armed, past, t_s)

    def _check_silence(self, armed: ArmedLimit, past: _History, t_s: float) -> Trip | None:
        if armed.from_first_reading and past.last_ok_s is None:
            return None
        since_s = past.last_ok_s if past.last_ok_s is not None else (self._began_s or 0.0)
        if t_s - since_s <= self._profile.stale_after_s:
            return None
        why = f"no reading to be believed for {t_s - since_s:.1f} s"
        return _trip("no-reading", armed, None, self._profile.stale_after_s, why)

    def _check_motion(self, armed: ArmedLimit, past: _History, t_s: float) -> Trip | None:
        max_rate = armed.limit.max_rate_k_per_s
        rate = past.rate_k_per_s() if max_rate is not None else None
        if rate is not None and max_rate is not None and rate > max_rate:
            return _trip("rate", armed, rate, max_rate, f"it rose by {rate:.1f} K/s over ten seconds")
        return self._check_line(armed, past, t_s)

    def _check_line(self, armed: ArmedLimit, past: _History, t_s: float) -> Trip | None:
        # Only a load can be ended; at rest the gate speaks.
        if armed.maximum is None or self._share == 0.0 or self._edge_s is None:
            return None
        if not past.fresh or past.fresh[0][0] < self._edge_s + LINE_AFTER_EDGE_S:
            return None
        ahead = past.line_at(t_s + self._profile.period_s + ACT_WITHIN_S)
        if ahead is None or ahead <= armed.maximum or past.fresh[-1][1] <= past.fresh[0][1]:
            return None
        return _trip("line", armed, past.fresh[-1][1], armed.maximum, "it would cross before the next sample could act")

    def _check_reactions(self, t_s: float, readings: Mapping[str, Reading]) -> Trip | None:
        """Return the trip of a heated temperature that does not answer, by its own reading."""
        dull = [trip for channel in self._reactions if (trip := self._check_reaction(t_s, channel, readings))]
        for trip in dull:
            group = next((group for group in self._heats if trip.channel in group.channels), None)
            if group is None or group.every or not any(self._reactions[name].moved for name in group.channels):
                return trip
        return None

    def _check_reaction(self, t_s: float, channel: str, readings: Mapping[str, Reading]) -> Trip | None:
        reading = readings.get(channel)
        value = reading.value if reading is not None and reading.ok else None
        moved_k = self._reactions[channel].moved_k(t_s, value)
        if moved_k is None:
            return None
        why = f"it moved by {moved_k:.1f} K within {REACTION_WITHIN_S:.0f} s of the load's start"
        return Trip(rule="no-reaction", channel=channel, value=moved_k, limit=REACTION_K, why=why)

    def _refresh_s(self, channel: str) -> float:
        info = self._infos.get(channel)
        return info.refresh_s if info is not None and info.refresh_s is not None else 2.0


class _Reaction:
    """Watches whether a heated part answers to a steady load of half share or more.

    Attributes:
        moved: Whether it has answered to the load that is on.
    """

    def __init__(self) -> None:
        self._before: deque[float] = deque(maxlen=5)
        self._since_s: float | None = None
        self._highest: float | None = None
        self.moved = False

    def edge(self, t_s: float, share: float) -> None:
        self._since_s = t_s if share >= REACTION_SHARE else None
        self._highest = None
        self.moved = False

    def moved_k(self, t_s: float, value: float | None) -> float | None:
        """Return how far it moved where that is too little and the time is up, else None."""
        if self._since_s is None:
            if value is not None:
                self._before.append(value)
            return None
        if value is not None:
            self._highest = value if self._highest is None else max(self._highest, value)
        if not self._before or t_s - self._since_s < REACTION_WITHIN_S or self._highest is None:
            return None
        moved_k = self._highest - float(np.mean(self._before))
        self.moved = moved_k >= REACTION_K
        self._since_s = None
        self._before.clear()
        return None if self.moved else moved_k


def _crossing(armed: ArmedLimit, value: float) -> Trip | None:
    if armed.maximum is not None and value >= armed.maximum:
        rule = "machine-limit" if armed.from_machine else "max"
        return _trip(rule, armed, value, armed.maximum, "it reached its limit")
    if armed.limit.minimum is not None and value < armed.limit.minimum:
        return _trip("min", armed, value, armed.limit.minimum, "it fell below its limit")
    return None


def _trip(rule: str, armed: ArmedLimit, value: float | None, limit: float | None, why: str) -> Trip:
    return Trip(rule=rule, channel=armed.channel, value=value, limit=limit, why=why)


class HeatAtRest:
    """After a trip or a closed gate: says when the machine is to be switched off, at most once a minute.

    Args:
        limits_c: Limits that apply on this machine, °C, by channel.
    """

    _REPEAT_S = 60.0
    _RISE_K = 1.5

    def __init__(self, limits_c: Mapping[str, float]) -> None:
        self._limits_c = limits_c
        self._past: dict[str, deque[tuple[float, float]]] = {}
        self._said_s = -math.inf

    def why_switch_off(self, t_s: float, readings: Mapping[str, Reading]) -> str:
        """Return the reason, empty where there is none or it was given within the last minute."""
        reasons = [
            why
            for channel, limit_c in self._limits_c.items()
            if channel.endswith("_temp_c")
            and (reading := readings.get(channel)) is not None
            and reading.ok
            and reading.value is not None
            and (why := self._reason(channel, t_s, reading.value, limit_c))
        ]
        if not reasons or t_s - self._said_s < self._REPEAT_S:
            return ""
        self._said_s = t_s
        return reasons[0]

    def _reason(self, channel: str, t_s: float, value: float, limit_c: float) -> str:
        past = self._past.setdefault(channel, deque(maxlen=128))
        past.append((t_s, value))
        while past[-1][0] - past[0][0] > self._REPEAT_S / 2:
            past.popleft()
        if value >= limit_c:
            return f"{channel} stays at {value:.0f} °C with no load"
        if past[-1][0] - past[0][0] > self._REPEAT_S / 3 and value - past[0][1] >= self._RISE_K:
            return f"{channel} still rises with no load, and stands at {value:.0f} °C"
        return ""
