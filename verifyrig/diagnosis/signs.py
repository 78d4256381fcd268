"""Signs in a record that are there or not: a sensor that does not react, a fan that stands, a clock held down, errors.

Each sign is a word out of a few; how often each word comes under each mechanism stands in `priors.toml`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from verifyrig.core.event_kind import EventKind
from verifyrig.core.outcome import CauseClass
from verifyrig.core.profile import StageKind
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import FloatArray
from verifyrig.diagnosis.readings import PowerStep, Readings
from verifyrig.runs.last_moments import last_moments

__all__ = ["SignSeen", "WorkErrors", "signs_of", "work_errors"]

_STANDS_RPM = 60.0
_UNLIMITED_W = 1000.0
_FROZEN_STEP_W = 9.0
_COOL_K = 9.0
_USUAL_LIMIT_C, _HOT_K = 95.0, 4.0
_SOON_AFTER_STEP_S = 5.0
_HOTSPOT_K = 28.0  # 25 to 30 K: common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class SignSeen:
    """A sign and its word, with what was seen."""

    name: str
    word: str
    says: Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkErrors:
    """Wrong results: how many, in how many seconds of work on the whole processor, and on which cores."""

    count: int
    work_s: float
    cores: tuple[int, ...]
    n_cores: int


def signs_of(readings: Readings) -> list[SignSeen]:
    """Return the signs that this record can show; a sign that it cannot show is absent."""
    found = [
        _reaction(readings),
        _fan(readings),
        _pump(readings),
        _limit(readings),
        _clock(readings),
        _end(readings),
        _rail(readings),
        _graphics(readings),
    ]
    return [sign for sign in found if sign is not None]


def _reaction(readings: Readings) -> SignSeen | None:
    """Whether the die's reading moves when the power does: what no sound sensor fails to do."""
    stuck = [q for q in readings.trace.qualities if q.channel == "die_temp_c" and q.quality == "stuck"]
    trip = readings.trace.recorded.trip
    no_reaction = trip is not None and trip.get("rule") == "no-reaction"
    if stuck or no_reaction:
        return SignSeen(name="die-sensor", word="stuck", says=reason("die-stood-still"))
    steps = [s for s in readings.steps() if abs(s.step_w) >= _FROZEN_STEP_W and s.length_s >= 4.9]
    if not steps or "die_temp_c" not in readings.trace.columns:
        return None
    frozen = [_is_frozen(readings, step) for step in steps]
    watts = sum(abs(s.step_w) for s, is_frozen in zip(steps[-2:], frozen[-2:], strict=True) if is_frozen)
    if all(frozen[-2:]) and watts >= 2 * _FROZEN_STEP_W:
        says = reason("die-stood-at-one-value", step_w=abs(steps[-1].step_w))
        return SignSeen(name="die-sensor", word="stuck", says=says)
    return SignSeen(name="die-sensor", word="reacts", says=reason("die-follows-power"))


def _is_frozen(readings: Readings, step: PowerStep) -> bool:
    _, values = readings.within("die_temp_c", step.t_s - 4.0, step.t_s + min(step.length_s, 6.0))
    return len(values) >= 5 and float(np.ptp(values)) == 0.0


def _fan(readings: Readings) -> SignSeen | None:
    fans = readings.like("cpu_fan_speed_rpm")
    if not fans:
        return None
    load = readings.long_load(20.0)
    span = (load.t_s + 10.0, load.until_s) if load else (0.0, readings.last_s)
    speed = max((readings.mean(fan, *span) for fan in fans), default=math.nan)
    duty = readings.mean("cpu_fan_duty_share", *span)
    if not math.isfinite(speed):
        return None
    if speed >= _STANDS_RPM:
        return SignSeen(name="cooler-fan", word="turns", says=reason("fan-turns", speed_rpm=speed))
    if load is not None or duty > 0.25:
        says = reason("fan-stands-at-duty", duty=duty) if math.isfinite(duty) else reason("fan-stands")
        return SignSeen(name="cooler-fan", word="stands", says=says)
    return SignSeen(name="cooler-fan", word="stands-at-rest", says=reason("fan-stands-idle"))


def _pump(readings: Readings) -> SignSeen | None:
    pumps = readings.like("pump_speed_rpm")
    speed = max((readings.mean(pump, 0.0, readings.last_s) for pump in pumps), default=math.nan)
    if not math.isfinite(speed):
        return None
    if speed < _STANDS_RPM:
        return SignSeen(name="pump-tachometer", word="stands", says=reason("pump-stands"))
    return SignSeen(name="pump-tachometer", word="turns", says=reason("pump-turns", speed_rpm=speed))


def _limit(readings: Readings) -> SignSeen | None:
    limit_w = _stated_limit_w(readings)
    if limit_w is None:
        return None
    if limit_w > _UNLIMITED_W:
        return SignSeen(name="power-limit", word="none", says=reason("no-power-limit", limit_w=limit_w))
    return SignSeen(name="power-limit", word="set", says=reason("power-limit-set", limit_w=limit_w))


def _stated_limit_w(readings: Readings) -> float | None:
    reported_w = readings.trace.recorded.firmware_power_limit_w
    if reported_w is not None:
        return reported_w
    raw: FloatArray = np.asarray(readings.trace.columns.get("power_limit_w", np.empty(0)))
    raw = raw[np.isfinite(raw)]
    return float(np.median(raw)) if len(raw) else None


def _clock(readings: Readings) -> SignSeen | None:
    """A clock that falls while the die is far from its limit is asked for from outside: the board, the adapter."""
    load = readings.long_load(30.0)
    if load is None:
        return None
    early = readings.mean("core_clock_mhz", load.t_s + 1.5, load.t_s + 6.0)
    t_s, clocks = readings.within("core_clock_mhz", load.t_s + 6.0, load.until_s - 0.5)
    if not math.isfinite(early) or len(clocks) < 20:
        return _counted(readings, load)
    low = clocks < 0.8 * early
    if low.mean() < 0.02:
        return SignSeen(name="clock", word="kept", says=reason("clock-kept"))
    return _held_down(readings, load, float(t_s[low][0]), "clock-fell")


def _counted(readings: Readings, load: PowerStep) -> SignSeen | None:
    """Without a clock the processor's own count of slow-downs speaks: its rise, never its level."""
    t_s, counts = readings.within("throttle_count", load.t_s, load.until_s)
    if len(counts) < 20:
        return None
    risen = counts > counts[0]
    if not risen.any():
        return SignSeen(name="clock", word="kept", says=reason("no-slow-down"))
    return _held_down(readings, load, float(t_s[risen][0]), "slowed-down")


def _held_down(readings: Readings, load: PowerStep, first_s: float, what: str) -> SignSeen | None:
    """Return the sign of a reason `what-cool` or `what-hot`."""
    die = readings.mean("die_temp_c", first_s - 8.0, first_s)
    limit = readings.limit_c()
    if not math.isfinite(die):
        return None
    if die < (limit if math.isfinite(limit) else 90.0) - _COOL_K:
        says = reason(f"{what}-cool", after_s=first_s - load.t_s, die_c=die)
        return SignSeen(name="clock", word="held-down-cool", says=says)
    return SignSeen(name="clock", word="held-down-hot", says=reason(f"{what}-hot", die_c=die))


def _end(readings: Readings) -> SignSeen | None:
    """How the run ended, with what the die showed last: a machine that goes dark says why by where it stood."""
    kind = readings.trace.recorded.cause_class
    if kind == CauseClass.HANG:
        return SignSeen(name="end", word="hang", says=reason("stopped-answering"))
    ups = [s for s in readings.steps() if s.up]
    if kind != CauseClass.POWER_OFF:
        return SignSeen(name="end", word="in-order", says=reason("stayed-on")) if ups else None
    moments = last_moments(readings.trace)
    die = moments.die
    # The last reading understates the heat at the cut: it is carried on to the moment itself.
    if die is None:
        at = reason("die-not-read")
    else:
        at = reason("with-die-at", die_c=die.estimate_c, low_c=die.low_c, high_c=die.high_c)
    limit = readings.limit_c()
    hot_c = (limit if math.isfinite(limit) else _USUAL_LIMIT_C) - _HOT_K
    if die is not None and die.estimate_c >= hot_c:
        return SignSeen(name="end", word="off-hot", says=reason("dark-at-limit", die=(at,)))
    if moments.load_s is not None and moments.load_s <= _SOON_AFTER_STEP_S:
        says = reason("dark-after-step", after_s=moments.load_s, die=(at,))
        return SignSeen(name="end", word="off-at-step", says=says)
    return SignSeen(name="end", word="off-cool", says=reason("dark-cool", die=(at,)))


def _rail(readings: Readings) -> SignSeen | None:
    """The board's own dividers are off by some per cent, so only a clear fall of 12 V counts as a sign."""
    values = readings.column("rail_12v_v")
    values = values[np.isfinite(values)]
    if len(values) < 10 or not any(s.full for s in readings.steps()):
        return None
    lowest = float(np.min(values))
    # 11.40 V is 12 V - 5 %: ATX12V power supply design guide, DC output voltage regulation.
    if lowest < 11.2:
        return SignSeen(name="rail-12v", word="low", says=reason("rail-12v-fell", lowest_v=lowest))
    return SignSeen(name="rail-12v", word="within", says=reason("rail-12v-stayed", lowest_v=lowest))


def _graphics(readings: Readings) -> SignSeen | None:
    """Hot spot over edge of a graphics part at work: more than some 28 K speaks for its paste or pads."""
    busy = readings.column("gpu_busy_share")
    gap_k = readings.column("gpu_hotspot_temp_c") - readings.column("gpu_temp_c")
    own = gap_k[np.isfinite(gap_k) & (busy > 0.5)]
    if len(own) < 30:
        return None
    gap = float(np.median(own))
    word = "far" if gap > _HOTSPOT_K else "near"
    return SignSeen(name="gpu-hotspot", word=word, says=reason("hot-spot-over-edge", gap_k=gap))


def work_errors(readings: Readings) -> WorkErrors | None:
    """Return what the checked work found, None where no work was checked."""
    counts = readings.column("compute_errors")
    seen = np.isfinite(counts)
    if not seen.any():
        return None
    share = _work_share(readings)
    steps = np.diff(readings.t_s, prepend=readings.t_s[0])
    work_s = float(np.sum(np.where(seen, share * np.clip(steps, 0.0, 3.0), 0.0)))
    kept = counts[seen]
    count = int(np.clip(np.diff(kept, prepend=min(0.0, float(kept[0]))), 0, None).sum())
    events = [e for e in readings.trace.events if e.kind == EventKind.COMPUTE_ERROR]
    cores = tuple(int(e.detail["core"]) for e in events if isinstance(e.detail.get("core"), int))
    if count > 0 and work_s <= 0:
        # Wrong results are work that was done, whatever the record says of its load.
        work_s = max(1.0, float(readings.t_s[seen][-1] - readings.t_s[seen][0]))
    n_cores = readings.trace.recorded.cores or 6
    return WorkErrors(count=max(count, len(events)), work_s=work_s, cores=cores, n_cores=n_cores)


def _work_share(readings: Readings) -> FloatArray:
    """Return what share of the processor worked, shape (n,): as read, as commanded, or all in load stages."""
    busy, commanded = readings.column("busy_share"), readings.column("load_share")
    if not np.isfinite(busy).any() and not np.isfinite(commanded).any():
        loads = readings.stages(StageKind.LOAD)
        spans = [(readings.t_s >= s.start_s) & (readings.t_s <= (s.end_s or np.inf)) for s in loads]
        return np.any(spans, axis=0).astype(np.float64) if spans else np.zeros(len(readings.t_s))
    return np.where(np.isfinite(busy), busy, np.nan_to_num(commanded))
