"""The guard: decides on every sample whether the load may go on. It reads; it never writes and never waits.

Rules, in the words of a record's `trip.rule`: `max`, `min`, `machine-limit`, `rate`, `no-reading`, `stuck`,
`no-reaction`, `line` (the straight line through the last fresh readings crosses the limit before the next
sample could act).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from verifyrig.core.channels import is_temperature
from verifyrig.core.heat_sources import HeatedGroup
from verifyrig.core.interfaces import ChannelInfo, Quality, Reading
from verifyrig.core.profile import Profile, Stage
from verifyrig.core.reason import reason
from verifyrig.rig.arming import ArmedLimit
from verifyrig.rig.motion import Motion
from verifyrig.rig.reactions import Reactions
from verifyrig.rig.run_buffer import RunBuffer
from verifyrig.rig.trip import Trip, trip_of


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
        self._reread = reread
        self._motion = Motion(buffer, infos, profile.period_s)
        self._reactions = Reactions(buffer, infos)
        self._share = 0.0
        self._began_s: float | None = None

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
            self._motion.begin_lines(t_s)
            self._motion.hold_readings(t_s)
        if self._share == 0.0 or share == 0.0:
            self._motion.begin_lines(t_s)
            self._reactions.step(t_s, share, steady=steady, heats=heats)
        self._share = share

    def load_dips(self, t_s: float, *, over: bool) -> None:
        """Note that the load is taken away for a moment at `t_s`, or is back: what a reading does then is no trend."""
        self._motion.load_dips(t_s, over=over)

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
        return self._reactions.check()

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
            return trip_of("stuck", armed, reading.value, None, reason("trip-stuck"))
        if reading is None or not reading.ok or reading.value is None:
            return self._check_silence(guarded)
        crossing = _crossing(armed, reading.value)
        if crossing is not None:
            again = self._reread(armed.channel, now_s)
            if again.ok and again.value is not None and _crossing(armed, again.value) is not None:
                guarded.last_ok_s = t_s
                return crossing
            self._motion.leave_out(armed.channel)
            return self._check_silence(guarded) if not again.ok else None
        guarded.last_ok_s = t_s
        return self._motion.check(armed, reading.value, guarded.since, is_loaded=self._share != 0.0)

    def _check_silence(self, guarded: _Guarded) -> Trip | None:
        if guarded.armed.from_first_reading and guarded.last_ok_s is None:
            return None
        since_s = guarded.last_ok_s if guarded.last_ok_s is not None else (self._began_s or 0.0)
        silent_s = self._buffer.t_s - since_s
        if silent_s <= self._profile.stale_after_s:
            return None
        why = reason("trip-no-reading", silent_s=silent_s)
        return trip_of("no-reading", guarded.armed, None, self._profile.stale_after_s, why)


def _crossing(armed: ArmedLimit, value: float) -> Trip | None:
    if armed.maximum is not None and value >= armed.maximum:
        rule = "machine-limit" if armed.from_machine else "max"
        return trip_of(rule, armed, value, armed.maximum, reason("trip-at-limit"))
    if armed.limit.minimum is not None and value < armed.limit.minimum:
        return trip_of("min", armed, value, armed.limit.minimum, reason("trip-below-limit"))
    return None
