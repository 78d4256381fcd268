"""The guard: decides on every sample whether the load may go on. It reads; it never writes and never waits.

Rules, in the words of a record's `trip.rule`: `max`, `min`, `machine-limit`, `rate`, `no-reading`, `stuck`,
`no-reaction`, `line` (the straight line through the last fresh readings crosses the limit before the next
sample could act).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from verifyrig.core.channels import is_temperature, of_role
from verifyrig.core.heat_sources import DIE, PARTS, HeatedGroup
from verifyrig.core.interfaces import ChannelInfo, Quality, Reading
from verifyrig.core.profile import Profile, Stage
from verifyrig.core.reason import Reason, reason
from verifyrig.rig.arming import ArmedLimit
from verifyrig.rig.run_buffer import FRESH, RunBuffer

RATE_WINDOW_S = 10.0
REACTION_WITHIN_S = 10.0
# A die that carries half of its power moves by 5 K and more within ten seconds (trade figures: 0-5 s window
# of 16 K and more at 105 W); 2 K is above the noise and the 1 °C step of the coarsest die sensor.
REACTION_K = 2.0
REACTION_SHARE = 0.5
# From so many readings before the step it is known where the part stood.
BEFORE_STEP = 5
# The die's own first step (0.1-2 s time constant) is no straight line; readings so soon after a step are
# left out of the line.
LINE_AFTER_STEP_S = 2.0
# A driver that is fresh every 4 s shows the value from before a dip's end, or before a step, for so long.
HELD_FOR_S = 5.0
ACT_WITHIN_S = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Trip:
    """Why the load was ended: the rule, the channel, its value and limit (channel's unit, K/s for `rate`)."""

    rule: str
    channel: str
    value: float | None
    limit: float | None
    why: Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class LeastRemaining:
    """The temperature that is nearest to its limit: its channel, and the kelvin left, below 0 above the limit."""

    channel: str
    remaining_k: float


@dataclass(slots=True)
class _Guarded:
    """One armed limit while it is watched.

    Attributes:
        since: Row from which its trend counts: samples of stages in which it is not armed do not.
        last_ok_s: When it last gave a reading to be believed.
    """

    armed: ArmedLimit
    since: int = 0
    last_ok_s: float | None = None


class Guard:
    """Judges every sample against the armed limits.

    Args:
        buffer: The run's samples; the newest one is judged.
        armed: Limits with their channels.
        profile: For `stale_after_s` and the sampling period.
        infos: Channels of this machine.
        reread: Reads a channel once more in the same tick.
    """

    def __init__(
        self,
        buffer: RunBuffer,
        armed: Sequence[ArmedLimit],
        profile: Profile,
        infos: Mapping[str, ChannelInfo],
        reread: Callable[[str, float], Reading],
    ) -> None:
        self._buffer = buffer
        self._guarded = [_Guarded(one) for one in armed]
        self._profile = profile
        self._infos = infos
        self._reread = reread
        heated = [channel for part in PARTS for channel in of_role(part.temp, infos)]
        self._reactions = {channel: _Reaction(buffer, channel) for channel in heated}
        self._heats: tuple[HeatedGroup, ...] = ()
        self._step_s: float | None = None
        self._line_since = 0
        self._share = 0.0
        self._began_s: float | None = None
        self._no_trend_until_s = -math.inf
        self._held: dict[str, float | None] = {}
        self._held_until_s = -math.inf

    def load_step(
        self,
        t_s: float,
        share: float,
        *,
        steady: bool,
        heats: Sequence[HeatedGroup] | None = None,
        bounded: bool = False,
    ) -> None:
        """Note that a new share was commanded at `t_s`; `heats` must answer to it: each die unless said.

        Args:
            bounded: That nothing comes near its limit by it was shown beforehand, as by a climb: readings from before
                this step make no line with those after it. Any other step between two shares leaves the line as it is.
        """
        if bounded:
            self._step_s, self._line_since = t_s, self._buffer.end
            self._note_held(t_s)
        if self._share == 0.0 or share == 0.0:
            self._step_s, self._line_since = t_s, self._buffer.end
            dies = HeatedGroup(of_role(DIE.temp, self._infos), every=True)
            self._heats = tuple((dies,) if heats is None else heats) if steady else ()
            heated = {channel for group in self._heats for channel in group.channels}
            for channel, reaction in self._reactions.items():
                reaction.step(t_s, share if channel in heated else 0.0)
        self._share = share

    def load_dips(self, t_s: float, *, over: bool) -> None:
        """Note that the load is taken away for a moment at `t_s`, or is back: what a reading does then is no trend."""
        self._step_s, self._line_since = t_s, self._buffer.end
        self._no_trend_until_s = t_s + LINE_AFTER_STEP_S if over else math.inf
        self._note_held(t_s)

    def _note_held(self, t_s: float) -> None:
        """A reading that has not changed since now says nothing of what comes after: it is no part of a trend."""
        self._held = {channel: reading.value for channel, reading in self._buffer.newest.items()}
        self._held_until_s = t_s + HELD_FOR_S

    def check(self, now_s: float, stage: Stage) -> Trip | None:
        """Return the first trip of the newest sample, or None; `now_s` is the clock's time."""
        if self._began_s is None:
            self._began_s = self._buffer.t_s
        for guarded in self._guarded:
            if not guarded.armed.limit.armed_in(stage):
                guarded.since = self._buffer.end
                continue
            trip = self._check_one(guarded, now_s)
            if trip is not None:
                return trip
        return self._check_reactions()

    def least_remaining(self) -> LeastRemaining | None:
        """Return the armed temperature that is nearest to its limit, None where nothing is armed or read."""
        return min(self._remaining(), key=lambda each: each.remaining_k, default=None)

    def _remaining(self) -> Iterator[LeastRemaining]:
        for armed in (guarded.armed for guarded in self._guarded):
            reading = self._buffer.newest.get(armed.channel)
            if armed.maximum is None or not is_temperature(armed.channel) or reading is None or not reading.ok:
                continue
            if reading.value is not None:
                yield LeastRemaining(channel=armed.channel, remaining_k=armed.maximum - reading.value)

    def _check_one(self, guarded: _Guarded, now_s: float) -> Trip | None:
        armed, t_s = guarded.armed, self._buffer.t_s
        reading = self._buffer.newest.get(armed.channel)
        if reading is not None and reading.quality is Quality.STUCK:
            return _trip("stuck", armed, reading.value, None, reason("trip-stuck"))
        if reading is None or not reading.ok or reading.value is None:
            return self._check_silence(guarded)
        crossing = _crossing(armed, reading.value)
        if crossing is not None:
            again = self._reread(armed.channel, now_s)
            if again.ok and again.value is not None and _crossing(armed, again.value) is not None:
                guarded.last_ok_s = t_s
                return crossing
            self._buffer.exclude_from_trends(armed.channel)
            return self._check_silence(guarded) if not again.ok else None
        guarded.last_ok_s = t_s
        held = t_s < self._held_until_s and reading.value == self._held.get(armed.channel)
        if not held:
            self._held.pop(armed.channel, None)
        if t_s < self._no_trend_until_s or held:
            self._buffer.exclude_from_trends(armed.channel)
            return None
        return self._check_motion(guarded)

    def _check_silence(self, guarded: _Guarded) -> Trip | None:
        if guarded.armed.from_first_reading and guarded.last_ok_s is None:
            return None
        since_s = guarded.last_ok_s if guarded.last_ok_s is not None else (self._began_s or 0.0)
        silent_s = self._buffer.t_s - since_s
        if silent_s <= self._profile.stale_after_s:
            return None
        why = reason("trip-no-reading", silent_s=silent_s)
        return _trip("no-reading", guarded.armed, None, self._profile.stale_after_s, why)

    def _check_motion(self, guarded: _Guarded) -> Trip | None:
        armed = guarded.armed
        max_rate = armed.limit.max_rate_k_per_s
        if max_rate is not None:
            rate = self._buffer.rate_per_s(armed.channel, RATE_WINDOW_S, guarded.since)
            if rate is not None and rate > max_rate:
                return _trip("rate", armed, rate, max_rate, reason("trip-rate", rate_k_per_s=rate))
        return self._check_line(guarded)

    def _check_line(self, guarded: _Guarded) -> Trip | None:
        armed = guarded.armed
        # Only a load can be ended; while idle the gate speaks.
        if armed.maximum is None or self._share == 0.0 or self._step_s is None:
            return None
        since = max(self._line_since, guarded.since)
        fresh = self._buffer.fresh(armed.channel, self._refresh_s(armed.channel), since)
        if len(fresh) < FRESH or fresh[0][0] < self._step_s + LINE_AFTER_STEP_S or fresh[-1][1] <= fresh[0][1]:
            return None
        if _line_at(fresh, self._buffer.t_s + self._profile.period_s + ACT_WITHIN_S) <= armed.maximum:
            return None
        return _trip("line", armed, fresh[-1][1], armed.maximum, reason("trip-line"))

    def _check_reactions(self) -> Trip | None:
        """Return the trip of a heated temperature that does not answer, by its own reading."""
        dull = [trip for channel in self._reactions if (trip := self._check_reaction(channel))]
        for trip in dull:
            group = next((group for group in self._heats if trip.channel in group.channels), None)
            if group is None or group.every or not any(self._reactions[name].moved for name in group.channels):
                return trip
        return None

    def _check_reaction(self, channel: str) -> Trip | None:
        moved_k = self._reactions[channel].too_little_k()
        if moved_k is None:
            return None
        why = reason("trip-no-reaction", moved_k=moved_k, within_s=REACTION_WITHIN_S)
        return Trip(rule="no-reaction", channel=channel, value=moved_k, limit=REACTION_K, why=why)

    def _refresh_s(self, channel: str) -> float:
        info = self._infos.get(channel)
        return info.refresh_s if info is not None and info.refresh_s is not None else 2.0


class _Reaction:
    """Watches whether a heated part answers to a steady load of half share or more.

    Attributes:
        moved: Whether it has answered to the load that is on.
    """

    def __init__(self, buffer: RunBuffer, channel: str) -> None:
        self._buffer = buffer
        self._channel = channel
        self._judged = 0
        self._step_row = 0
        self._step_s: float | None = None
        self.moved = False

    def step(self, t_s: float, share: float) -> None:
        self._step_s = t_s if share >= REACTION_SHARE else None
        self._step_row = self._buffer.end
        self.moved = False

    def too_little_k(self) -> float | None:
        """Return how far it moved where that is too little and the time is up, else None."""
        if self._step_s is None or self._buffer.t_s - self._step_s < REACTION_WITHIN_S:
            return None
        before = self._buffer.last_values(self._channel, BEFORE_STEP, self._judged, self._step_row)
        highest = self._buffer.highest(self._channel, self._step_row)
        if not before or highest is None:
            return None
        moved_k = highest - float(np.mean(before))
        self.moved = moved_k >= REACTION_K
        self._step_s, self._judged = None, self._buffer.end
        return None if self.moved else moved_k


def _line_at(points: Sequence[tuple[float, float]], t_s: float) -> float:
    """Return where the straight line through the points (s, value) stands at `t_s`."""
    times, values = np.array(points).T
    slope, level = np.polyfit(times - times[-1], values, 1)
    return float(level + slope * (t_s - times[-1]))


def _crossing(armed: ArmedLimit, value: float) -> Trip | None:
    if armed.maximum is not None and value >= armed.maximum:
        rule = "machine-limit" if armed.from_machine else "max"
        return _trip(rule, armed, value, armed.maximum, reason("trip-at-limit"))
    if armed.limit.minimum is not None and value < armed.limit.minimum:
        return _trip("min", armed, value, armed.limit.minimum, reason("trip-below-limit"))
    return None


def _trip(rule: str, armed: ArmedLimit, value: float | None, limit: float | None, why: Reason) -> Trip:
    return Trip(rule=rule, channel=armed.channel, value=value, limit=limit, why=why)
