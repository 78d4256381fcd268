"""How hot a steady load would make a machine, foreseen from rest and gentle pulses."""

from __future__ import annotations

import math

import numpy as np

from verifyrig.analysis.results import LoadStart
from verifyrig.trace import BoolArray, FloatArray

__all__ = ["load_start_forecast"]


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
