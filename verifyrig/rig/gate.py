"""The gate of a stage: once closed, by a reading or by the forecast, no load follows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from verifyrig.analysis import Forecast
from verifyrig.core.interfaces import Reading
from verifyrig.core.profile import Gate
from verifyrig.core.reason import Reason, reason


@dataclass(frozen=True, slots=True, kw_only=True)
class GateClosed:
    """Why no load may follow."""

    channel: str
    value: float | None
    limit: float | None
    why: Reason


def check_gate(gate: Gate, channel: str, reading: Reading | None, ambient_c: float | None) -> GateClosed | None:
    """Return why the gate is closed by this reading, or None; a missing reading is for the caller to count."""
    if reading is None or not reading.ok or reading.value is None:
        return None
    return check_gate_value(gate, channel, reading.value, ambient_c, "is")


def check_gate_value(
    gate: Gate, channel: str, value_c: float, ambient_c: float | None, when: Literal["is", "will-be"]
) -> GateClosed | None:
    """Return why the gate is closed by a temperature of this channel, measured or forecast, °C."""
    if gate.max_c is not None and value_c > gate.max_c:
        why = reason(f"{when}-too-hot", value_c=value_c, limit_c=gate.max_c)
        return GateClosed(channel=channel, value=value_c, limit=gate.max_c, why=why)
    if gate.max_rise_k is not None and ambient_c is not None and value_c - ambient_c > gate.max_rise_k:
        why = reason(f"{when}-too-far-above-room", rise_k=value_c - ambient_c, limit_k=gate.max_rise_k)
        return GateClosed(channel=channel, value=value_c, limit=ambient_c + gate.max_rise_k, why=why)
    return None


class StageGate:
    """Watches the gate of one stage, on every sample and on the forecasts.

    Args:
        gate: What closes it.
        channels: Every channel of the gate's kind on this machine: each closes it alone.
        stale_after_s: How long one may be silent, s.
        blind: No temperature guards this run: silence closes nothing.
    """

    def __init__(self, gate: Gate, channels: Sequence[str], stale_after_s: float, *, blind: bool) -> None:
        self._gate = gate
        self._channels = tuple(channels) or (gate.channel,)
        self._stale_after_s = stale_after_s
        self._blind = blind
        self._silent_since_s: dict[str, float] = {}

    def closed_by(
        self,
        t_s: float,
        readings: Mapping[str, Reading],
        forecasts: Mapping[str, Forecast],
        ambient_c: float | None,
        *,
        final: bool,
    ) -> GateClosed | None:
        """Return what closes the gate now, or None; `final` at the end of the stage."""
        closed = (
            self._by_reading(channel, t_s, readings.get(channel), ambient_c)
            or self._by_forecast(channel, forecasts.get(channel), ambient_c, final=final)
            for channel in self._channels
        )
        return next((found for found in closed if found is not None), None)

    def _by_reading(
        self, channel: str, t_s: float, reading: Reading | None, ambient_c: float | None
    ) -> GateClosed | None:
        if reading is not None and reading.ok:
            self._silent_since_s.pop(channel, None)
            return check_gate(self._gate, channel, reading, ambient_c)
        if self._blind or t_s - self._silent_since_s.setdefault(channel, t_s) <= self._stale_after_s:
            return None
        return GateClosed(channel=channel, value=None, limit=None, why=reason("no-reading-to-believe"))

    def _by_forecast(
        self, channel: str, forecast: Forecast | None, ambient_c: float | None, *, final: bool
    ) -> GateClosed | None:
        """A sure forecast closes the gate at once; at the stage's end the forecast itself must lie below."""
        if forecast is None or not math.isfinite(forecast.settles_at_c) or not math.isfinite(forecast.u95_k):
            return None
        value_c = forecast.settles_at_c if final else forecast.settles_at_c - forecast.u95_k
        return check_gate_value(self._gate, channel, value_c, ambient_c, "will-be")
