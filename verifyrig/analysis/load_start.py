"""How hot a steady load would make a machine, forecast from idle time and gentle pulses."""

from __future__ import annotations

import math

import numpy as np

from verifyrig.analysis.forecast import Samples, explain, prepare
from verifyrig.analysis.posterior import Posterior
from verifyrig.analysis.results import LoadStart
from verifyrig.analysis.thermal_path import settle
from verifyrig.core.reason import reason
from verifyrig.core.trace import BoolArray, FloatArray

__all__ = ["load_start_forecast"]

_FAN_STANDS_RPM = 30.0
# Power in proportion to the share. Where it is not, the full load draws less: clocks fall as more cores work, and
# part of the package is shared (common practice, no source). So only a small error towards more is allowed for.
_POWER_SCALING_SHARE = 0.06
_MISFIT_ALLOWED = 1.5
# As in `forecast`: few draws miss some of the far ends of what is possible.
_SPREAD = 1.25
_NINE_IN_TEN = 1.645  # standard deviations to either side that hold so much of a normal distribution


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
    """Return how hot a steady load of `share` would make the machine if it lasted for ever, from idle and pulses.

    Args:
        t_s, temp_c: Samples so far: s and °C, shape (n,); NaN where there was no reading.
        load_share: Commanded share of the whole processor at each sample, 0 to 1, shape (n,).
        share: Share of the load that is to start, 0 to 1.
        power_w: Measured power, W, shape (n,), where there is a reading.
        ambient_c: Room, °C.
        fan_rpm: Fan speed, rpm, shape (n,).
    """
    commanded = np.nan_to_num(load_share)
    seen = np.isfinite(temp_c)
    if not (seen & (commanded <= 0)).any():
        return LoadStart(peak_c=None, u95_k=None, why=(reason("no-reading-at-rest"),))
    if np.count_nonzero(seen & (commanded > 0)) < 3:
        return LoadStart(peak_c=None, u95_k=None, why=(reason("no-pulse-yet"),))
    samples = prepare(t_s, temp_c, power_w, fan_rpm, ambient_c, commanded, None)
    posterior = None if samples is None else explain(samples, None, None, None)
    if samples is None or posterior is None:
        return LoadStart(peak_c=None, u95_k=None, why=(reason("few-readings-in-pulses"),))
    return _forecast_start(samples, posterior, share)


def _forecast_start(samples: Samples, posterior: Posterior, share: float) -> LoadStart:
    pulsed = samples.share > 0
    watts, at_c = _load_power_w(samples, pulsed, share)
    idle = ~pulsed & np.isfinite(samples.temp_c)
    idle_c = float(np.median(samples.temp_c[idle]))
    fan = samples.fan_rpm
    end = settle(
        posterior.draws,
        power_w=watts,
        at_c=at_c,
        loaded=True,
        ambient_c=float(np.mean(samples.ambient_c[-30:])),
        fan_stands=fan is not None and float(np.median(fan)) < _FAN_STANDS_RPM,
    )
    shown_c = end.shown_c + posterior.late_k
    # A few far machines among the draws would stretch mean and deviation beyond what nine in ten of them say.
    low_c, peak_c, high_c = (float(q) for q in np.quantile(shown_c, (0.05, 0.5, 0.95)))
    spread_k = _SPREAD * (high_c - low_c) / (2 * _NINE_IN_TEN)
    misfit = math.sqrt(max(1.0, posterior.misfit / _MISFIT_ALLOWED))
    u_k = math.hypot(spread_k * misfit, _POWER_SCALING_SHARE * max(0.0, peak_c - idle_c), 0.5)
    return LoadStart(peak_c=peak_c, u95_k=1.96 * u_k, why=(reason("from-rest-and-pulses"), *samples.why))


def _load_power_w(samples: Samples, pulsed: BoolArray, share: float) -> tuple[float, float]:
    """Return the power that the load would draw, W, and the die temperature at which that was read, °C."""
    strongest = pulsed & (samples.share >= 0.8 * float(samples.share.max()))
    # The first reading after a step may still hold some of the idle time.
    inner = strongest & np.concatenate(([False], strongest[:-1]))
    inner = inner if inner.any() else strongest
    pulse_w = float(np.median(samples.power_w[inner]))
    idle_w = float(np.median(samples.power_w[~pulsed]))
    step_w = max(0.0, pulse_w - idle_w) * share / float(np.median(samples.share[inner]))
    at_c = float(np.nanmedian(samples.temp_c[inner]))
    return idle_w + step_w, at_c
