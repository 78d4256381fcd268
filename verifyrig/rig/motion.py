"""How a guarded reading moves under a load: too fast, or on a straight line across its limit before the next sample.

A step of the load, and a dip of it, break every line; a reading from before one says nothing of what comes after.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from verifyrig.core.interfaces import ChannelInfo
from verifyrig.core.reason import reason
from verifyrig.rig.arming import ArmedLimit
from verifyrig.rig.run_buffer import RunBuffer
from verifyrig.rig.trends import FRESH, Trends
from verifyrig.rig.trip import ACT_WITHIN_S, Trip, trip_of

RATE_WINDOW_S = 10.0
# The die's own first step (0.1-2 s time constant) is no straight line; readings so soon after a step are
# left out of the line.
LINE_AFTER_STEP_S = 2.0
# A driver that is fresh every 4 s shows the value from before a dip's end, or before a step, for so long.
HELD_FOR_S = 5.0


class Motion:
    """Judges the trends of guarded readings.

    Args:
        period_s: The sampling period, s.
    """

    def __init__(self, buffer: RunBuffer, infos: Mapping[str, ChannelInfo], period_s: float) -> None:
        self._buffer = buffer
        self._infos = infos
        self._period_s = period_s
        self._trends = Trends(buffer)
        self._step_s: float | None = None
        self._line_since = 0
        self._no_trend_until_s = -math.inf
        self._held: dict[str, float | None] = {}
        self._held_until_s = -math.inf

    def begin_lines(self, t_s: float) -> None:
        """Note a step of the load at `t_s`: readings from before it make no line with those after it."""
        self._step_s, self._line_since = t_s, self._buffer.end

    def hold_readings(self, t_s: float) -> None:
        """A reading that has not changed since now says nothing of what comes after: it is no part of a trend."""
        self._held = {channel: reading.value for channel, reading in self._buffer.newest.items()}
        self._held_until_s = t_s + HELD_FOR_S

    def load_dips(self, t_s: float, *, over: bool) -> None:
        """Note that the load is taken away for a moment at `t_s`, or is back: what a reading does then is no trend."""
        self.begin_lines(t_s)
        self._no_trend_until_s = t_s + LINE_AFTER_STEP_S if over else math.inf
        self.hold_readings(t_s)

    def leave_out(self, channel: str) -> None:
        """Take the newest reading for no part of a trend: nothing confirmed it."""
        self._trends.leave_out(channel)

    def check(self, armed: ArmedLimit, value: float, since: int, *, is_loaded: bool) -> Trip | None:
        """Return the trip by the newest reading's trend since a row; None where there is none, or it is no trend."""
        t_s = self._buffer.t_s
        held = t_s < self._held_until_s and value == self._held.get(armed.channel)
        dips = t_s < self._no_trend_until_s
        if dips:
            # What comes only now may have been measured in the dip, and stands for as long as the sensor holds it.
            self._held[armed.channel] = value
        elif not held:
            self._held.pop(armed.channel, None)
        if dips or held:
            self._trends.leave_out(armed.channel)
            return None
        max_rate = armed.limit.max_rate_k_per_s
        if max_rate is not None:
            rate = self._trends.rate_per_s(armed.channel, RATE_WINDOW_S, since)
            if rate is not None and rate > max_rate:
                return trip_of("rate", armed, rate, max_rate, reason("trip-rate", rate_k_per_s=rate))
        # Only a load can be ended; while idle the gate speaks.
        return self._check_line(armed, since) if is_loaded else None

    def _check_line(self, armed: ArmedLimit, since: int) -> Trip | None:
        if armed.maximum is None or self._step_s is None:
            return None
        fresh = self._trends.fresh(armed.channel, self._refresh_s(armed.channel), max(self._line_since, since))
        if len(fresh) < FRESH or fresh[0][0] < self._step_s + LINE_AFTER_STEP_S or fresh[-1][1] <= fresh[0][1]:
            return None
        if _line_at(fresh, self._buffer.t_s + self._period_s + ACT_WITHIN_S) <= armed.maximum:
            return None
        return trip_of("line", armed, fresh[-1][1], armed.maximum, reason("trip-line"))

    def _refresh_s(self, channel: str) -> float:
        info = self._infos.get(channel)
        return info.refresh_s if info is not None and info.refresh_s is not None else 2.0


def _line_at(points: Sequence[tuple[float, float]], t_s: float) -> float:
    """Return where the straight line through the points (s, value) stands at `t_s`."""
    times, values = np.array(points).T
    slope, level = np.polyfit(times - times[-1], values, 1)
    return float(level + slope * (t_s - times[-1]))
