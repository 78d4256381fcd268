"""Proof that sensors react: five seconds of load on a quarter of the workers, and who moved."""

from __future__ import annotations

import itertools
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass

from verifyrig.core.channels import base_name
from verifyrig.core.errors import SafetyRefusal
from verifyrig.core.interfaces import ChannelInfo, Load, LoadDemand, Reading
from verifyrig.core.profile import WorkName
from verifyrig.sensors.bank import Bank

IDLE_S = 4.0
LOAD_S = 5.0
AFTER_S = 2.0
PERIOD_S = 0.25
# No pulse is begun from above, or goes on above, these (common practice, no source): hotter while idle is a fault
# to look into first, and what comes after shows how it is.
_GATE_C = 65.0
_STOP_C = 88.0
_BELOW_LIMIT_K = 8.0
_HOT = ("die_temp_c", "core_temp_c", "plate_temp_c", "vrm_temp_c", "gpu_temp_c")
# Smaller changes are nobody's answer: in the channel's unit, and as a share of the value.
_LEAST = {"temperature": 0.25, "power": 1.0, "share": 0.03}
_LEAST_SHARE = {"speed": 0.05, "voltage": 0.005, "clock": 0.05}
# What has to react within five seconds; all else may be too slow or rightly stand still.
_QUICK = ("die_temp_c", "core_temp_c", "package_power_w", "busy_share")


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """How one channel answered to the pulse.

    Attributes:
        change: Mean of the last second of load less mean while idle, in the channel's unit; None without readings.
        moved: True it did, False it did not though it had to, None where five seconds say nothing.
    """

    change: float | None
    moved: bool | None


def prove(
    bank: Bank,
    load: Load,
    *,
    now_s: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
    say: Callable[[str], None] = lambda _text: None,
) -> dict[str, Moved]:
    """Return how each channel answered to five seconds of load on a quarter of the workers.

    Raises:
        SafetyRefusal: The machine is hot while idle, or no temperature of it can be read.
        LoadError: The load cannot be started.
    """
    _refuse_hot(bank.sample(now_s(), load_share=0.0))
    load.start(LoadDemand(work=WorkName.LINEAR_ALGEBRA, workers="quarter"))
    try:
        say(f"{IDLE_S:.0f} s idle ...")
        idle = _collect(bank, IDLE_S, 0.0, now_s, sleep, load)
        _refuse_hot(idle[-1])
        say(f"{LOAD_S:.0f} s of load on a quarter of the workers ...")
        load.set_share(1.0)
        loaded = _collect(bank, LOAD_S, 1.0, now_s, sleep, load)
    finally:
        load.stop()
    after = _collect(bank, AFTER_S, 0.0, now_s, sleep)
    return {channel: _judge(info, channel, idle, loaded, after) for channel, info in bank.infos.items()}


def _collect(
    bank: Bank,
    seconds: float,
    share: float,
    now_s: Callable[[], float],
    sleep: Callable[[float], None],
    load: Load | None = None,
) -> list[dict[str, Reading]]:
    end_s = now_s() + seconds
    taken = []
    while now_s() < end_s:
        if load is not None:
            load.beat()
        readings = bank.sample(now_s(), load_share=share)
        taken.append(readings)
        if load is not None and _too_hot(bank, readings):
            break
        sleep(PERIOD_S)
    return taken


def _hot_channels(readings: dict[str, Reading]) -> dict[str, float]:
    return {
        channel: reading.value
        for channel, reading in readings.items()
        if base_name(channel) in _HOT and reading.ok and reading.value is not None
    }


def _refuse_hot(readings: dict[str, Reading]) -> None:
    hot = _hot_channels(readings)
    if not hot:
        raise SafetyRefusal(
            "no temperature of the machine can be read, so no load is started",
            where="channels --prove",
            mend="Load the processor's kernel driver, or lay a probe on the plate.",
        )
    channel, temp_c = max(hot.items(), key=lambda item: item[1])
    if temp_c >= _GATE_C:
        raise SafetyRefusal(
            f"{channel} is at {temp_c:.0f} °C while idle, so no load is started",
            where="channels --prove",
            mend=f"Let it come below {_GATE_C:.0f} °C, or find out first why it is so hot while idle.",
        )


def _too_hot(bank: Bank, readings: dict[str, Reading]) -> bool:
    return any(temp_c >= _stop_c(bank.infos[channel]) for channel, temp_c in _hot_channels(readings).items())


def _stop_c(info: ChannelInfo) -> float:
    return _STOP_C if info.limit is None else min(_STOP_C, info.limit - _BELOW_LIMIT_K)


def _judge(
    info: ChannelInfo,
    channel: str,
    idle: list[dict[str, Reading]],
    loaded: list[dict[str, Reading]],
    after: list[dict[str, Reading]],
) -> Moved:
    before = _values(idle, channel)
    last = _values(loaded, channel)[-round(1.0 / PERIOD_S) :] + _values(after, channel)[:2]
    if len(before) < 3 or len(last) < 2:
        return Moved(change=None, moved=None)
    change = statistics.fmean(last) - statistics.fmean(before)
    if abs(change) > _least_change(info, before, last):
        return Moved(change=change, moved=True)
    constant = len(set(before + _values(loaded, channel) + _values(after, channel))) == 1
    return Moved(change=change, moved=False if constant and base_name(channel) in _QUICK else None)


def _least_change(info: ChannelInfo, before: list[float], last: list[float]) -> float:
    """Return what is more than noise: two standard deviations, one step, and a least size by kind.

    Values that a driver holds for seconds repeat the same noise, so the number of readings does not help.
    """
    seen = sorted(set(before + last))
    step = info.resolution or min((b - a for a, b in itertools.pairwise(seen)), default=0.0)
    scale = abs(statistics.fmean(before)) * _LEAST_SHARE.get(info.quantity, 0.0)
    return max(2.0 * statistics.pstdev(before), step, scale, _LEAST.get(info.quantity, 0.0))


def _values(taken: list[dict[str, Reading]], channel: str) -> list[float]:
    return [
        reading.value
        for readings in taken
        if (reading := readings.get(channel)) is not None and reading.value is not None
    ]
