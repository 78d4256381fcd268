"""After a trip or a closed gate: says when a machine that stays hot, or still warms up, is to be switched off."""

from __future__ import annotations

import math
from collections.abc import Mapping

from verifyrig.core.channels import is_temperature
from verifyrig.core.reason import Reason, reason
from verifyrig.rig.run_buffer import RunBuffer


class IdleHeat:
    """Says it at most once a minute.

    Args:
        buffer: The run's samples; those count that were taken since the first question.
        limits_c: Limits that apply on this machine, °C, by channel.
    """

    _REPEAT_S = 60.0
    _RISE_K = 1.5

    def __init__(self, buffer: RunBuffer, limits_c: Mapping[str, float]) -> None:
        self._buffer = buffer
        self._limits_c = limits_c
        self._since: int | None = None
        self._said_s = -math.inf

    def why_switch_off(self) -> Reason | None:
        """Return the reason as of the newest sample, None where there is none or it was given within a minute."""
        if self._since is None:
            self._since = self._buffer.end - 1
        t_s = self._buffer.t_s
        if t_s - self._said_s < self._REPEAT_S:
            return None
        reasons = (self._reason(channel, limit_c, self._since) for channel, limit_c in self._limits_c.items())
        why = next((one for one in reasons if one is not None), None)
        if why is not None:
            self._said_s = t_s
        return why

    def _reason(self, channel: str, limit_c: float, since: int) -> Reason | None:
        if not is_temperature(channel):
            return None
        reading = self._buffer.newest.get(channel)
        if reading is None or not reading.ok or reading.value is None:
            return None
        if reading.value >= limit_c:
            return reason("stays-hot", channel=channel, temp_c=reading.value)
        window = self._buffer.window(channel, self._REPEAT_S / 2, since)
        (first_s, first_c), (last_s, last_c) = window[0], window[-1]
        if last_s - first_s > self._REPEAT_S / 3 and last_c - first_c >= self._RISE_K:
            return reason("still-rises", channel=channel, temp_c=last_c)
        return None
