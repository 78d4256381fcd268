"""Parts that a load heats and no sensor shows: how likely each passes its limit, by plausible sound and faulty ones.

Each is warmer than the air around it by a rise that follows the power through one or two lags, so that it goes on
rising for a while after the load is off. How warm each gets stands in the one table of ranges (`machine_ranges`).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping

import numpy as np

from verifyrig.analysis.machine_ranges import COOLANT_LIMIT_C, UNWATCHED, UnwatchedRange
from verifyrig.analysis.machine_ranges import HOT_SPOT as _HOTTEST
from verifyrig.analysis.plausible.outlook import Outlook
from verifyrig.core.channels import base_name
from verifyrig.core.heat_sources import CARD, DIE
from verifyrig.core.trace import FloatArray

__all__ = ["UnwatchedParts", "unwatched_on"]

_DRAWS = 400
# Looked at after load-off: what lies behind two lags goes on rising meanwhile.
_AFTER_OFF_S = np.array([15.0, 30.0, 60.0, 120.0, 240.0])


HOT_SPOT, COOLANT = "hot-spot", "coolant"


def unwatched_on(heated: Collection[str], channels: Iterable[str], *, has_battery: bool) -> tuple[str, ...]:
    """Return by name what a load on these temperatures heats and no channel of the machine shows.

    Args:
        heated: Temperatures that the load heats (`die_temp_c`, `gpu_temp_c`).
        channels: What can be read on the machine.
        has_battery: Whether it holds a battery.
    """
    have = {base_name(channel) for channel in channels}
    found = [
        name
        for name, kind in UNWATCHED.items()
        if (not kind.heated_by or kind.heated_by in heated)
        and not have & set(kind.watched_by)
        and (name != "battery" or has_battery)
    ]
    if CARD.temp not in heated or "gpu_hotspot_temp_c" not in have:
        found.append(HOT_SPOT)
    # A machine with a pump has coolant; where none is named it is unknown, and an air cooler has none.
    if DIE.temp in heated and "pump_speed_rpm" in have and not have & {"coolant_temp_c", "hose_out_temp_c"}:
        found.append(COOLANT)
    return tuple(found)


class _Lagged:
    """Draws of one kind, half of them sound and half faulty, and how much power has come through to them so far."""

    def __init__(self, kind: UnwatchedRange, rng: np.random.Generator) -> None:
        half = _DRAWS // 2
        self._rise_k = np.concatenate((kind.rise_k.draw(half, rng), kind.faulty_rise_k.draw(half, rng)))
        self._weight = np.repeat([(1 - kind.faulty_share) / half, kind.faulty_share / half], half)
        self._first_s, self._second_s = (lag.draw(2 * half, rng) for lag in kind.lags_s)
        self._limit_c = kind.limit_c.draw(2 * half, rng)
        self._come_w: FloatArray | None = None
        self._through_w = np.zeros(2 * half)

    def take(self, dt_s: float, power_w: float) -> None:
        """Follow the power for some seconds; the first call takes the machine as settled at that power."""
        if self._come_w is None:
            self._come_w = np.full(len(self._rise_k), power_w)
            self._through_w = self._come_w.copy()
            return
        self._come_w, self._through_w = self._after(self._come_w, self._through_w, dt_s, power_w)

    def _after(
        self, come_w: FloatArray, through_w: FloatArray, dt_s: float, power_w: float
    ) -> tuple[FloatArray, FloatArray]:
        now_w = power_w + (come_w - power_w) * np.exp(-dt_s / self._first_s)
        middle_w = 0.5 * (come_w + now_w)
        return now_w, middle_w + (through_w - middle_w) * np.exp(-dt_s / self._second_s)

    def risk(self, power_w: float, idle_w: float, full_w: float, air_c: float, within_s: float) -> float:
        """Return the probability that it passes its limit if this power goes on for some seconds and then ends."""
        if self._come_w is None:
            return 0.0
        state = self._after(self._come_w, self._through_w, within_s, power_w)
        highest_w = np.maximum(self._through_w, state[1])
        for dt_s in np.diff(_AFTER_OFF_S, prepend=0.0):
            state = self._after(*state, float(dt_s), idle_w)
            highest_w = np.maximum(highest_w, state[1])
        beyond = air_c + self._rise_k * highest_w / max(full_w, 1.0) > self._limit_c
        return float(self._weight @ beyond)


class UnwatchedParts:
    """The unwatched parts of one machine through one run.

    Args:
        names: Those that there are, as `unwatched_on` names them.
        seed: Of the draws.
    """

    def __init__(self, names: Collection[str], seed: int = 1) -> None:
        rng = np.random.default_rng(seed)
        self.names = tuple(names)
        self._lagged = {name: (kind, _Lagged(kind, rng)) for name, kind in UNWATCHED.items() if name in names}
        self._t_s: float | None = None

    def take(self, t_s: float, power_w: Mapping[str, float]) -> None:
        """Follow one sample: the power of each heated part, by its temperature, W in the terms of its outlook."""
        dt_s = 0.0 if self._t_s is None else t_s - self._t_s
        self._t_s = t_s
        for kind, lagged in self._lagged.values():
            lagged.take(dt_s, _heat_of(kind, power_w))

    def risks(
        self,
        outlooks: Mapping[str, Outlook],
        share: Mapping[str, float],
        within_s: float,
        own_limits_c: Mapping[str, float],
    ) -> dict[str, float]:
        """Return by name how likely each passes its limit if a share goes on for some seconds and then ends.

        Args:
            outlooks: By the heated channel.
            share: Of each heated part's full load, by its temperature.
            own_limits_c: The machine's own limits by channel, °C: what a hot spot stands.
        """
        found: dict[str, float] = {}
        now: dict[str, float] = {}
        idle: dict[str, float] = {}
        full: dict[str, float] = {}
        for channel, outlook in outlooks.items():
            role = base_name(channel)
            now[role] = max(now.get(role, 0.0), float(np.mean(outlook.power.at(share.get(role, 0.0)))))
            idle[role] = max(idle.get(role, 0.0), outlook.power.idle_w)
            full[role] = max(full.get(role, 0.0), float(np.mean(outlook.power.at(1.0))))
        air_c = max((outlook.case_c() for outlook in outlooks.values()), default=25.0)
        for name, (kind, lagged) in self._lagged.items():
            now_w, idle_w, full_w = (_heat_of(kind, power_w) for power_w in (now, idle, full))
            found[name] = lagged.risk(now_w, idle_w, full_w, air_c, within_s)
        if HOT_SPOT in self.names:
            found[HOT_SPOT] = max(
                (
                    _hot_spot_risk(outlook, share.get(base_name(channel), 0.0), own_limits_c[channel], within_s)
                    for channel, outlook in outlooks.items()
                    if channel in own_limits_c
                ),
                default=0.0,
            )
        if COOLANT in self.names:
            found[COOLANT] = max(
                (
                    _coolant_risk(outlook, share.get(base_name(channel), 0.0), within_s)
                    for channel, outlook in outlooks.items()
                    if base_name(channel) == DIE.temp
                ),
                default=0.0,
            )
        return found


def _heat_of(kind: UnwatchedRange, power_w: Mapping[str, float]) -> float:
    return power_w.get(kind.heated_by, 0.0) if kind.heated_by else sum(power_w.values())


def _hot_spot_risk(outlook: Outlook, share: float, limit_c: float, within_s: float) -> float:
    hottest_c, u_k = outlook.hottest_c(share, within_s)
    part = float(np.mean(outlook.power.at(share))) / max(float(np.mean(outlook.power.at(1.0))), 1.0)
    sound_k, tilted_k = part * _HOTTEST.sound_k, part * _HOTTEST.tilted_k
    sound = _beyond(limit_c, hottest_c + sound_k, math.hypot(u_k, _HOTTEST.spread * sound_k))
    tilted = _beyond(limit_c, hottest_c + tilted_k, math.hypot(u_k, _HOTTEST.spread * tilted_k))
    return (1 - _HOTTEST.tilted_share) * sound + _HOTTEST.tilted_share * tilted


def _coolant_risk(outlook: Outlook, share: float, within_s: float) -> float:
    """Water that stands in the block takes the plate's heat even after load-off: the plate counts there, too."""
    under = outlook.ahead.course(outlook.power.at(share), np.array([within_s]))[:, 0]
    water_c = 0.5 * (under[:, 1] + under[:, 2])
    spread_k = outlook.spread * float(np.std(water_c))
    return _beyond(COOLANT_LIMIT_C, float(np.mean(water_c)), math.hypot(spread_k, 1.0))


def _beyond(limit: float, mean: float, u: float) -> float:
    return 0.5 * math.erfc((limit - mean) / (u * math.sqrt(2)))
