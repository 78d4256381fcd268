"""Where a temperature will settle, while the stage still runs; what a load would do; when it is safe to touch.

First form: a bound that needs no model. Every relaxation whose modes are no slower than `slowest_time_constant_s`
and pull the same way still has to go at most slope times that constant.
"""

from __future__ import annotations

import math

import numpy as np

from verifyrig.analysis.results import Forecast, LoadStart
from verifyrig.analysis.signals import fit_line
from verifyrig.interfaces import ChannelInfo
from verifyrig.profile import Settle
from verifyrig.trace import BoolArray, FloatArray

__all__ = ["TOUCH_SAFE_C", "StageForecaster", "forecast", "load_start_forecast", "touch_safe_in_s"]

# ISO 13732-1: bare metal below about 48 °C may be held for 10 min without a burn (figure from memory).
TOUCH_SAFE_C = 48.0
_DEFAULT_SLOWEST_S = 400.0
_SHORTEST_S = 30.0


def forecast(
    t_s: FloatArray,
    temp_c: FloatArray,
    *,
    power_w: FloatArray | None = None,
    fan_rpm: FloatArray | None = None,
    ambient_c: float | FloatArray | None = None,
    load_on_s: float | None = None,
    settle: Settle | None = None,
    resolution_k: float | None = None,
    refresh_s: float | None = None,
    limit_c: float | None = None,
) -> Forecast | None:
    """Return where the temperature will settle, or None while there is too little to say anything.

    Args:
        t_s: Sample times, s, shape (n,), rising.
        temp_c: Readings, °C, shape (n,); NaN where there was none.
        power_w: Measured power, W, shape (n,), NaN where unknown; None without a power reading.
        fan_rpm: Speed of the fan that cools it, rpm, shape (n,).
        ambient_c: Room, °C, one value or shape (n,).
        load_on_s: When the load last changed, s on the scale of `t_s`; the first sample where not given.
        settle: The stage's rule; without it 1 K and 400 s are taken.
        resolution_k, refresh_s: Step and refresh interval of the sensor, where known.
        limit_c: Temperature at which the machine throttles itself, °C, where known.
    """
    start_s = float(t_s[0]) if load_on_s is None and len(t_s) else (load_on_s or 0.0)
    good = np.isfinite(temp_c) & (t_s >= start_s)
    t, temp = t_s[good], temp_c[good]
    if len(t) < 5 or t[-1] - t[0] < _SHORTEST_S:
        return None
    slowest_s = settle.slowest_time_constant_s if settle else _DEFAULT_SLOWEST_S
    within_k = settle.within_k if settle else 1.0
    return _slope_bound(t, temp, slowest_s, within_k, resolution_k or 0.0)


def _slope_bound(t: FloatArray, temp: FloatArray, slowest_s: float, within_k: float, step_k: float) -> Forecast:
    window_s = max(_SHORTEST_S, min(120.0, 0.3 * float(t[-1] - t[0])))
    last = t >= t[-1] - window_s
    line = fit_line(t[last], temp[last], origin=float(t[-1]))
    steps = np.diff(temp[last])
    correlated = 2.0 if np.count_nonzero(steps) < 0.5 * len(steps) else 1.0
    u_now = math.hypot(line.u_intercept * correlated, step_k / math.sqrt(12), 0.1)
    u_slope = line.u_slope * correlated
    to_go_k = line.slope * slowest_s
    settles_at_c = line.intercept + to_go_k / 2
    u95_k = abs(to_go_k) / 2 + 2.0 * math.hypot(u_now, u_slope * slowest_s / 2)
    known = u95_k <= within_k
    remaining_s = 0.0 if known else slowest_s * math.log(max(u95_k / within_k, 1.01))
    return Forecast(settles_at_c=settles_at_c, u95_k=u95_k, known=known, remaining_s=remaining_s, slow=False)


class StageForecaster:
    """Forecasts one stage while it runs: `add` every sample, ask `forecast` now and then.

    Args:
        settle: The stage's rule, or None.
        info: What is known of the temperature's sensor, or None.
        limit_c: Temperature at which the machine throttles itself, °C, where known.
        before: The forecaster of the stage before: where the machine came from.
    """

    def __init__(
        self,
        settle: Settle | None,
        info: ChannelInfo | None = None,
        limit_c: float | None = None,
        before: StageForecaster | None = None,
    ) -> None:
        self._settle, self._info, self._limit_c, self._before = settle, info, limit_c, before
        self._rows: list[tuple[float, float, float, float, float, float]] = []

    def add(
        self,
        t_s: float,
        temp_c: float | None,
        power_w: float | None = None,
        fan_rpm: float | None = None,
        ambient_c: float | None = None,
        share: float = 0.0,
    ) -> None:
        """Take one sample; None for what has no `ok` reading. Times rise; an equal or earlier one is left out."""
        if self._rows and t_s <= self._rows[-1][0]:
            return
        nan = math.nan
        row = (t_s, *(nan if value is None else float(value) for value in (temp_c, power_w, fan_rpm, ambient_c)), share)
        self._rows.append(row)  # type: ignore[arg-type]

    def arrays(self) -> FloatArray:
        """Return the samples so far, shape (n, 6): time, temperature, power, fan speed, room, share."""
        return np.array(self._rows, dtype=np.float64).reshape(-1, 6)

    def forecast(self) -> Forecast | None:
        """Return where the temperature will settle as of the last sample, or None while it is too early."""
        if not self._rows:
            return None
        t, temp, power, fan, room, share = self.arrays().T
        changes = np.flatnonzero(np.diff(share)) + 1
        edge_s = float(t[changes[-1]]) if len(changes) else float(t[0])
        return forecast(
            t,
            temp,
            power_w=power if np.isfinite(power).any() else None,
            fan_rpm=fan if np.isfinite(fan).any() else None,
            ambient_c=room if np.isfinite(room).any() else None,
            load_on_s=edge_s,
            settle=self._settle,
            resolution_k=self._info.resolution if self._info else None,
            refresh_s=self._info.refresh_s if self._info else None,
            limit_c=self._limit_c,
        )


def load_start_forecast(
    t_s: FloatArray,
    temp_c: FloatArray,
    *,
    load_share: FloatArray,
    share: float,
    power_w: FloatArray | None = None,
    ambient_c: float | FloatArray | None = None,
    fan_rpm: FloatArray | None = None,
) -> LoadStart:
    """Return how hot a steady load of `share` would make the machine, from rest and pulses so far.

    Args:
        t_s, temp_c: Samples so far: s and °C, shape (n,); NaN where there was no reading.
        load_share: Share of the whole processor that the load was told at each sample, 0 to 1, shape (n,).
        share: Share of the load that is to start, 0 to 1.
        power_w: Measured power, W, shape (n,), where there is a reading.
        ambient_c: Room, °C.
        fan_rpm: Fan speed, rpm, shape (n,).
    """
    room = float(np.nanmean(ambient_c)) if ambient_c is not None and np.isfinite(ambient_c).any() else math.nan
    rest = np.isfinite(temp_c) & (load_share <= 0)
    pulsed = np.isfinite(temp_c) & (load_share > 0)
    if not rest.any():
        return LoadStart(peak_c=None, u95_k=None, note="no reading at rest")
    if not pulsed.any():
        return LoadStart(peak_c=None, u95_k=None, note="no pulse yet: a steady load cannot be forecast from rest alone")
    if power_w is None or not np.isfinite(power_w[rest]).any() or not np.isfinite(power_w[pulsed]).any():
        return _from_pulse_rise(temp_c, rest, pulsed, load_share, share)
    rest_w, pulse_w = float(np.nanmedian(power_w[rest])), float(np.nanmedian(power_w[pulsed]))
    step_w = max(0.0, pulse_w - rest_w) * share / float(np.max(load_share[pulsed]))
    rest_c = float(np.median(temp_c[rest][: max(1, int(0.5 * rest.sum()))]))
    if math.isnan(room) or rest_w <= 0 or rest_c <= room:
        return _from_pulse_rise(temp_c, rest, pulsed, load_share, share)
    resistance = (rest_c - room) / rest_w
    rise_k = resistance * step_w
    return LoadStart(
        peak_c=rest_c + rise_k, u95_k=max(5.0, 0.35 * rise_k), note="from rest and pulses, with measured power"
    )


def _from_pulse_rise(
    temp_c: FloatArray, rest: BoolArray, pulsed: BoolArray, load_share: FloatArray, share: float
) -> LoadStart:
    """Scale the pulses' rise: on the usual machines a full load ends at 1.5 to 4 times it."""
    rest_c = float(np.median(temp_c[rest]))
    rise_k = float(np.max(temp_c[pulsed])) - rest_c
    full_k = max(rise_k, 0.0) * share / float(np.max(load_share))
    return LoadStart(
        peak_c=rest_c + 2.5 * full_k,
        u95_k=max(5.0, 1.5 * full_k),
        note="power is unknown: scaled from the pulses' rise alone",
    )


def touch_safe_in_s(
    t_s: FloatArray,
    temp_c: FloatArray,
    *,
    ambient_c: float | None = None,
    limit_c: float = TOUCH_SAFE_C,
) -> float | None:
    """Return in how many seconds from the last sample the part falls below `limit_c` (estimated), 0 if it is.

    None while the cooldown is too short to tell, or where it will not fall that far.

    Args:
        t_s, temp_c: Cooldown so far, s and °C, shape (n,).
        ambient_c: Room, °C; the part cannot fall below it.
    """
    good = np.isfinite(temp_c)
    t, temp = t_s[good], temp_c[good]
    if len(t) == 0:
        return None
    if temp[-1] <= limit_c:
        return 0.0
    last = t >= t[-1] - 60.0
    if np.count_nonzero(last) < 5 or t[-1] - t[0] < 15.0:
        return None
    line = fit_line(t[last], temp[last], origin=float(t[-1]))
    floor_c = ambient_c if ambient_c is not None and math.isfinite(ambient_c) else line.intercept - 30.0
    gap_k = line.intercept - floor_c
    if line.slope >= -2 * line.u_slope or floor_c >= limit_c or gap_k <= 0:
        return None
    return (gap_k / -line.slope) * math.log(gap_k / (limit_c - floor_c))
