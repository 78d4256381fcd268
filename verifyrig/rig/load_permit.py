"""Whether a load above quarter-share pulses may start: answers of people, and the forecast from idle and pulses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from verifyrig.analysis import load_start_forecast
from verifyrig.core.channels import base_name
from verifyrig.core.heat_sources import CARD, DIE, HeatSource, heated_by, of_same_part, part_of
from verifyrig.core.interfaces import ChannelInfo
from verifyrig.core.pattern import peak_share
from verifyrig.core.profile import LoadPattern, LoadPlan, Stage, WorkName
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import FloatArray
from verifyrig.rig.run_buffer import BufferRows, RunBuffer

# A card that a load reached draws more, or is warmer, by so much; common practice, no source.
_REACHED_W = 10.0
_REACHED_K = 2.0
# A hold that steers the die to a temperature overshoots by little; so much room must be left to the limit.
HOLD_HEADROOM_K = 5.0


class LoadPermit:
    """Says why a load must not start, from what the run's samples show of idle time and pulses.

    Args:
        refusals: Reasons that forbid any load above quarter-share pulses from the start (unanswered questions).
        limits_c: Lowest armed limit of each channel, °C.
        infos: Channels of this machine: which power and fan belong to which die or card, and a card's power limit.
    """

    def __init__(
        self,
        *,
        refusals: Sequence[Reason] = (),
        limits_c: Mapping[str, float],
        infos: Mapping[str, ChannelInfo] | None = None,
    ) -> None:
        self._refusals = tuple(refusals)
        self._limits_c = limits_c
        self._infos = infos or {}
        self._proven: dict[str, float] = {}

    def climbed(self, plan: LoadPlan, share: float) -> None:
        """Note that a climb showed a share to be safe that goes on for ever: of what it heated, no more is asked."""
        for role in heated_by(plan.work):
            self._proven[role] = max(share, self._proven.get(role, 0.0))

    def why_not(self, stage: Stage, blind: bool, buffer: RunBuffer) -> Reason | None:
        """Return why the stage's load must not start, None where it may."""
        if self._refusals:
            return reason("answers-forbid", answers=self._refusals)
        # A load that a person runs on the machine is theirs to start; here it is only watched.
        if stage.load is None or stage.load.work == WorkName.EXTERNAL:
            return None
        heated = heated_by(stage.load.work)
        if stage.load.pattern == LoadPattern.CLIMB:
            # It asks before each of its own steps; without a temperature it would have nothing to ask.
            watched = {base_name(channel) for channel in self._limits_c}
            if not watched >= set(heated) or blind:
                return reason("climb-needs-temperature")
            return next((why for name in self._limits_c if (why := self._too_near(stage, name)) is not None), None)
        # What a climb has proved needs no forecast.
        if blind or all(peak_share(stage.load) <= self._proven.get(role, 0.0) for role in heated):
            return None
        rows = buffer.rows(with_left_out=False)
        for role in heated:
            for channel in self._heated(role, rows):
                why = self._refusal_of(stage, channel, rows)
                if why is not None:
                    return why if channel == role else reason("of-channel", channel=channel, why=(why,))
        return None

    def _heated(self, role: str, rows: BufferRows) -> list[str]:
        """Return the guarded channels of a role that the load heats: every die; of several cards, those it reached."""
        channels = [name for name in self._limits_c if base_name(name) == role]
        if role != CARD.temp or len(channels) < 2:
            return channels
        return [name for name in channels if self._was_reached(name, rows)] or channels

    def _was_reached(self, card: str, rows: BufferRows) -> bool:
        """Return whether a load so far moved this card's power, or its temperature where it shows no power."""
        power = of_same_part(card, CARD.power, self._infos)
        values, shares = rows.column(power or card), rows.heating(CARD.temp)
        idle, loaded = values[shares <= 0], values[shares > 0]
        if not np.isfinite(idle).any() or not np.isfinite(loaded).any():
            return True
        least = _REACHED_W if power is not None else _REACHED_K
        return bool(np.nanmax(loaded) - np.nanmedian(idle) >= least)

    def _refusal_of(self, stage: Stage, channel: str, rows: BufferRows) -> Reason | None:
        assert stage.load is not None
        limit_c = self._limits_c.get(channel)
        if limit_c is None or peak_share(stage.load) <= 0.25:
            return None
        if held_temp_c(stage.load, channel) is not None:
            return self._too_near(stage, channel)
        return self._forecast_refusal(stage, channel, limit_c, part_of(channel) or DIE, rows)

    def _too_near(self, stage: Stage, channel: str) -> Reason | None:
        """Return that the stage would hold a temperature too near its limit, None where it does not."""
        assert stage.load is not None
        target_c = held_temp_c(stage.load, channel)
        if target_c is None or target_c + HOLD_HEADROOM_K <= self._limits_c[channel]:
            return None
        return reason("held-too-near-limit", target_c=target_c, room_k=HOLD_HEADROOM_K)

    def _forecast_refusal(
        self, stage: Stage, channel: str, limit_c: float, part: HeatSource, rows: BufferRows
    ) -> Reason | None:
        assert stage.load is not None
        power = of_same_part(channel, part.power, self._infos) if self._infos else part.power
        t_s, shares, ambient_c = rows.t_s, rows.heating(part.temp), rows.ambient_c
        temp_c, power_w = rows.column(channel), rows.column(power)
        info = self._infos.get(power) if power is not None else None
        limit_w = info.limit if part is CARD and info is not None else None
        # Which of several fans cools which die is not known; a card shows its own.
        own_fan = part is CARD and bool(self._infos)
        fan_rpm = rows.column(of_same_part(channel, part.fan, self._infos) if own_fan else part.fan)
        start = load_start_forecast(
            t_s,
            temp_c,
            load_share=shares,
            share=(
                _share_to_come(stage.load, power_w, shares)
                if limit_w is None
                else _held_share(stage.load, power_w, shares, limit_w)
            ),
            power_w=power_w if np.isfinite(power_w).any() else None,
            ambient_c=ambient_c if np.isfinite(ambient_c).any() else None,
            fan_rpm=fan_rpm if np.isfinite(fan_rpm).any() else None,
            part=part,
            power_limit_w=limit_w,
            resolution_k=self._infos[channel].resolution if channel in self._infos else None,
        )
        below = start.stays_below(limit_c)
        if below is None or start.peak_c is None or start.u95_k is None:
            return reason("cannot-be-foreseen", why=start.why)
        if below:
            return None
        return reason("foreseen-too-hot", peak_c=start.peak_c, u95_k=start.u95_k, limit_c=limit_c)


def held_temp_c(plan: LoadPlan, channel: str) -> float | None:
    """Return what the load holds a temperature at, °C; None where it does not hold this one."""
    part = part_of(channel)
    if plan.hold is None or part is None or part.temp not in heated_by(plan.work):
        return None
    return plan.hold.gpu_temp_c if part is CARD else plan.hold.die_temp_c


def _held_share(plan: LoadPlan, power_w: FloatArray, shares: FloatArray, limit_w: float) -> float:
    """Return the share of the card's limit that the load will draw: that of its held power, else of its duty."""
    idle = power_w[shares <= 0]
    if plan.hold is None or plan.hold.gpu_power_w is None or not np.isfinite(idle).any():
        return peak_share(plan)
    idle_w = float(np.nanmedian(idle))
    return min(1.0, max(0.0, (plan.hold.gpu_power_w - idle_w) / (limit_w - idle_w)))


def _share_to_come(plan: LoadPlan, power_w: FloatArray, shares: FloatArray) -> float:
    """Return the share of the whole that the load will be: less than full where it is held at a power below that.

    The full power is forecast from idle and pulses: it grows with the share.
    """
    hold = plan.hold
    held_w = None if hold is None else hold.power_w
    idle, pulsed = power_w[shares <= 0], power_w[shares > 0]
    if held_w is None or not np.isfinite(idle).any() or not np.isfinite(pulsed).any():
        return peak_share(plan)
    idle_w, pulse_w = float(np.nanmedian(idle)), float(np.nanmax(pulsed))
    full_w = idle_w + (pulse_w - idle_w) / float(np.max(shares))
    return min(1.0, max(0.0, (held_w - idle_w) / (full_w - idle_w))) if full_w > idle_w else peak_share(plan)
