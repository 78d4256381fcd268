"""Where a temperature will settle, while the stage still runs.

The answer comes from machines that are plausible beforehand and explain what was read (`posterior`). Machines of that
kind heat one die through one path; where the readings do not fit such a path, u95 grows by the misfit. Where power or
room are not measured, for a graphics card, for what is too slow to be such a machine, and where they are surer of the
same, the temperature's own answers are heard beside them (`own_answers`): what stood still for a minute outweighs what
is plausible.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from verifyrig.analysis.allowance import ANY_PATH, KNOWN_KIND
from verifyrig.analysis.compress import compress, idle_that_stood
from verifyrig.analysis.moved_level import Levels, moved_levels
from verifyrig.analysis.own_answers import (
    Driven,
    OwnEnd,
    calm_noise_k,
    expected_level,
    own_end,
    reading_noise_k,
    weighed,
)
from verifyrig.analysis.posterior import DRAWS, Posterior, spread_of, update
from verifyrig.analysis.prior import P
from verifyrig.analysis.results import Forecast
from verifyrig.analysis.samples import Samples, last_change_s, prepare
from verifyrig.analysis.signals import held_s
from verifyrig.analysis.thermal_path import End, settle
from verifyrig.core.heat_sources import DIE, HeatSource
from verifyrig.core.profile import Settle
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import BoolArray, FloatArray

__all__ = ["ForecastResult", "explain", "forecast", "forecast_from", "forecast_from_own_answers"]

DEFAULT_SETTLE = Settle(channel="die_temp_c", within_k=1.0, slowest_time_constant_s=400.0)
_SHORTEST_S = 20.0
LATE_S = 30.0
_AT_LIMIT_K = 1.3
_FAN_STANDS_RPM = 30.0
_NEWEST_S = 10.0
# What settles is taken for the room as it is now. Where it is not read, it may have moved by some tenths of a kelvin.
_AMBIENT_MOVES_K = 0.15
# Forty-odd draws around one or two peaks miss some of the far ends of what is possible (benchmark `settle-forecast`)
# where power or room are assumed. Where both are read it is not needed (climbs of `exposure`): what it stood for there
# was the heat that dips lack.
_SPREAD = 1.2
# Called slower than the profile allows for once so many of the plausible machines are: better said once too often.
_SLOW_SHARE = 0.35
# What is yet to come is not known better than to so much of it, u95, however well the machines agree: what has not
# shown itself is in none of them. The farther out of what is usual they are in what stores heat or passes it on slowly,
# in standard deviations, the less it is known: then they stand for something else. On simulated machines of two
# structures one error in ten was above 0.35 to 0.6 of what was yet to come.
_OF_RISE = 0.3
_SLOW_PATH = [P.PLATE_TO_SINK, P.PLATE_CAPACITY, P.SINK_CAPACITY, P.SINK_TO_AIR, P.CASE_TO_AMBIENT]
_MISFIT_ALLOWED = 1.5
_MISFIT_WRONG = 3.0


class ForecastResult(NamedTuple):
    """A forecast and the posterior behind it, which the next one may start from; None where none was needed."""

    forecast: Forecast
    posterior: Posterior | None


def forecast(
    t_s: FloatArray,
    temp_c: FloatArray,
    *,
    power_w: FloatArray | None = None,
    fan_rpm: FloatArray | None = None,
    ambient_c: float | FloatArray | None = None,
    load_share: FloatArray | None = None,
    load_on_s: float | None = None,
    settle: Settle | None = None,
    resolution_k: float | None = None,
    refresh_s: float | None = None,
    limit_c: float | None = None,
    part: HeatSource = DIE,
    cores_c: FloatArray | None = None,
    fan_duty: FloatArray | None = None,
) -> Forecast | None:
    """Return where the temperature will settle, or None while there is too little to say anything.

    Args:
        t_s: Sample times, s, shape (n,), rising. Samples from before the present load help: they show the idle state.
        temp_c: Readings, °C, shape (n,); NaN where there was none.
        power_w: Measured power, W, shape (n,), NaN where unknown; None without a power reading.
        fan_rpm: Speed of the fan that cools it, rpm, shape (n,).
        ambient_c: Room, °C, one value or shape (n,).
        load_share: Commanded share, 0 to 1, shape (n,).
        load_on_s: When the load last changed, s on the scale of `t_s`; from `load_share`, or the first sample.
        settle: The stage's rule; without it 1 K and 400 s are taken.
        resolution_k, refresh_s: Step and refresh interval of the sensor, where known.
        limit_c: The machine's own limit, at which it throttles, °C, where known.
        part: What is heated; the power of a graphics card comes in a processor's terms (`card_power`).
        cores_c: What further sensors of the same die read, °C, shape (n, m).
        fan_duty: What the fan is commanded, 0 to 1, shape (n,).
    """
    samples = prepare(t_s, temp_c, power_w, fan_rpm, ambient_c, load_share, load_on_s, part, cores_c, fan_duty)
    if samples is None:
        return None
    answer = forecast_from(samples, settle or DEFAULT_SETTLE, resolution_k, refresh_s, limit_c)
    return None if answer is None else answer.forecast


def forecast_from(
    samples: Samples,
    rule: Settle,
    resolution_k: float | None = None,
    refresh_s: float | None = None,
    limit_c: float | None = None,
    before: FloatArray | None = None,
) -> ForecastResult | None:
    """Return a forecast from cleaned samples, None while it is too early.

    Args:
        before: Machines that the forecast before this one found, standard normal coordinates, shape (s, p).
    """
    t, temp = samples.t_s[samples.start :], samples.temp_c[samples.start :]
    seen = np.isfinite(temp)
    if np.count_nonzero(seen) < 5 or t[-1] - t[0] < _SHORTEST_S or not seen[_late(samples)[samples.start :]].any():
        return None
    at_limit = _flat_at_limit(t[seen], temp[seen], limit_c, rule)
    if at_limit is not None:
        return ForecastResult(at_limit, None)
    own = _own_end(samples, rule, resolution_k, refresh_s, limit_c)
    if own is not None and not samples.powered:
        stated = _stated(own.settles_at_c, own.u_k, own.slow, rule, samples.why)
        return ForecastResult(_after_load(stated, samples, rule), None)
    posterior = explain(samples, resolution_k, refresh_s, before, for_end=True)
    if posterior is None:
        return None
    levels = _moved(samples, posterior, resolution_k, refresh_s)
    ahead = _forecast_end(samples, posterior, rule, limit_c, levels)
    both = _weighed(ahead, own, samples, rule, posterior.misfit <= _MISFIT_WRONG)
    return ForecastResult(_after_load(both, samples, rule), posterior)


def forecast_from_own_answers(
    t_s: FloatArray,
    temp_c: FloatArray,
    share: FloatArray,
    ambient_c: float | None,
    rule: Settle,
    resolution_k: float | None = None,
    refresh_s: float | None = None,
) -> Forecast | None:
    """Return where a temperature settles that no power of its own heats, None while it is too early.

    Args:
        t_s, temp_c, share: Samples, s, °C and share of the load, shape (n,); those before the present load help.
        ambient_c: Ambient, None where it is not measured.
    """
    start = int(np.searchsorted(t_s, last_change_s(t_s, share) - 1e-9))
    seen = np.isfinite(temp_c)
    late = (t_s >= t_s[-1] - LATE_S) & (t_s >= t_s[start])
    if np.count_nonzero(seen[start:]) < 5 or t_s[-1] - t_s[start] < _SHORTEST_S or not seen[late].any():
        return None
    level = expected_level(ambient_c, Driven.BESIDE)
    own = own_end(t_s, temp_c, share, share, level, rule.slowest_time_constant_s, resolution_k, refresh_s)
    return None if own is None else _stated(own.settles_at_c, own.u_k, own.slow, rule, ())


def _own_end(
    samples: Samples, rule: Settle, resolution_k: float | None, refresh_s: float | None, limit_c: float | None
) -> OwnEnd | None:
    return own_end(
        samples.t_s,
        samples.temp_c,
        samples.power_w if samples.powered else samples.share,
        samples.share,
        samples.level,
        min(rule.slowest_time_constant_s, samples.slowest_s),
        resolution_k,
        refresh_s,
        limit_c,
    )


def _weighed(ahead: Forecast, own: OwnEnd | None, samples: Samples, rule: Settle, explained: bool = True) -> Forecast:
    """Return the forecast of plausible machines, weighed against the temperature's own answers where these count."""
    if own is None:
        return ahead
    u_k = ahead.u95_k / 1.96
    agree = abs(ahead.settles_at_c - own.settles_at_c) <= 1.96 * math.hypot(u_k, own.u_k)
    # Where both disagree its own answers are to what a slow machine has not shown yet: there the plausible ones know
    # more, until it is too slow to be one.
    if samples.well_known and explained and not own.too_slow and (own.slow or not agree or u_k <= own.u_k):
        return ahead
    both = weighed((ahead.settles_at_c, u_k), (own.settles_at_c, own.u_k))
    return _stated(*both, own.slow or ahead.slow, rule, ahead.why)


def _after_load(found: Forecast, samples: Samples, rule: Settle) -> Forecast:
    """Return the forecast with what may yet move after a load unseen."""
    if not samples.after_load_k:
        return found
    u_k = math.hypot(found.u95_k / 1.96, samples.after_load_k)
    return _stated(found.settles_at_c, u_k, found.slow, rule, found.why)


def _stated(settles_at_c: float, u_k: float, slow: bool, rule: Settle, why: tuple[Reason, ...]) -> Forecast:
    u95_k = 1.96 * u_k
    known = u95_k <= rule.within_k
    wait_s = 0.0 if known else rule.slowest_time_constant_s * math.log(max(u95_k / rule.within_k, 1.05))
    return Forecast(settles_at_c=settles_at_c, u95_k=u95_k, known=known, remaining_s=wait_s, slow=slow, why=why)


def _flat_at_limit(t: FloatArray, temp: FloatArray, limit_c: float | None, rule: Settle) -> Forecast | None:
    """A machine that holds itself at its limit stays there: what is read is "at or above" that limit."""
    if limit_c is None or t[-1] - t[0] < 60.0:
        return None
    late = temp[t >= t[-1] - 40.0]
    if np.quantile(late, 0.1) < limit_c - _AT_LIMIT_K - 0.7 or np.mean(late) < limit_c - _AT_LIMIT_K:
        return None
    u95_k = 0.8
    return Forecast(
        settles_at_c=float(np.mean(late)),
        u95_k=u95_k,
        known=u95_k <= rule.within_k,
        remaining_s=0.0,
        slow=False,
        why=(reason("flat-at-limit"),),
    )


def explain(
    samples: Samples,
    resolution_k: float | None,
    refresh_s: float | None,
    before: FloatArray | None,
    draws: int = DRAWS,
    *,
    idle_stood: bool = False,
    for_end: bool = False,
) -> Posterior | None:
    """Return machines that explain the samples, None where too few were read; arguments as in `forecast_from`.

    Args:
        idle_stood: Hold an idle time that stood still against lumps as against any path. Of a rise its beginning is
            the half; a forecast asks for its end, and allows for what lumps cannot follow everywhere.
        for_end: Where the machine's kind is well known, allow for what lumps leave out of such machines and no more,
            soon after a change of load above all, and for fans that follow another part: what is asked for is the end,
            and not the beginning of the path.
    """
    data = compress(samples.t_s, samples.temp_c, samples.power_w, samples.ambient_c, samples.fan_rpm, samples.share)
    if data is None:
        return None
    if idle_stood:
        data = replace(data, stood=idle_that_stood(data))
    fresh_s = refresh_s or held_s(samples.t_s, samples.temp_c)
    prior, noise_k, allowed = samples.prior, reading_noise_k(samples.temp_c, resolution_k), ANY_PATH
    well_known_end = for_end and samples.well_known
    if well_known_end:
        prior = (prior if samples.fan_rpm is None else prior.of_any_fan()).of_quick_die()
        noise_k = calm_noise_k(samples.t_s, samples.temp_c, samples.share, resolution_k, fresh_s, samples.sensors)
        allowed = KNOWN_KIND
        if samples.own_c is not None:
            own_k = calm_noise_k(samples.t_s, samples.own_c, samples.share, resolution_k, fresh_s)
            allowed = replace(KNOWN_KIND, own_noise_k=own_k)
    if before is not None and before.shape[1] != len(prior.middle):
        before = None  # a fan that came or went
    posterior = update(prior, data, noise_k, fresh_s, before, draws=draws, allowed=allowed, rare=well_known_end)
    if before is not None and posterior.misfit > _MISFIT_WRONG:
        posterior = update(prior, data, noise_k, fresh_s, None, draws=draws, allowed=allowed, rare=well_known_end)
    return posterior


def _late(samples: Samples) -> BoolArray:
    late: BoolArray = samples.t_s >= max(samples.t_s[-1] - LATE_S, samples.t_s[samples.start])
    return late


def _reads_c(samples: Samples) -> float:
    """Return the mean of the newest readings, °C: of the last ten seconds, or the last one."""
    read = np.isfinite(samples.temp_c)
    newest = read & (samples.t_s > samples.t_s[read][-1] - _NEWEST_S)
    return float(np.mean(samples.temp_c[newest]))


def _end(samples: Samples, posterior: Posterior) -> End:
    # Where nothing was read the load may have dipped: its power there is not what the machine settles under.
    late = _late(samples) & np.isfinite(samples.temp_c)
    fan = None if samples.fan_rpm is None else float(np.mean(samples.fan_rpm[late]))
    return settle(
        posterior.draws,
        power_w=float(np.mean(samples.power_w[late])),
        at_c=float(np.nanmean(samples.temp_c[late])),
        loaded=bool(samples.share[-1] > 0),
        ambient_c=float(np.mean(samples.ambient_c[late])),
        fan_stands=fan is not None and fan < _FAN_STANDS_RPM,
        fan_rpm=fan,
        at_most_w=samples.at_most_w,
    )


def _moved(
    samples: Samples, posterior: Posterior, resolution_k: float | None, refresh_s: float | None
) -> Levels | None:
    """Return between which levels the reading moved at the present power, above where the machines have it now, K."""
    now = slice(samples.start, None)
    expected_c = np.interp(samples.t_s, posterior.shown_at_s, posterior.shown_c) + float(np.median(posterior.late_k))
    fresh = max(1.0, 10.0 / (refresh_s or held_s(samples.t_s, samples.temp_c)))
    u_k = reading_noise_k(samples.temp_c[now], resolution_k) / math.sqrt(fresh)
    return moved_levels(samples.t_s, samples.temp_c, samples.power_w, samples.share, expected_c, u_k)


def _forecast_end(
    samples: Samples, posterior: Posterior, rule: Settle, limit_c: float | None, levels: Levels | None
) -> Forecast:
    """Return where the machines end.

    A reading that moved at the same power may stay or come back: both levels are inside u95, in full.
    """
    end = _end(samples, posterior)
    low_k, high_k = levels or (0.0, 0.0)
    shown_c = end.shown_c + posterior.late_k + (low_k + high_k) / 2
    # A limit that most machines would reach says where they end, not how sure that is: the spread is taken before.
    spread_k = spread_of(shown_c)
    if limit_c is not None:
        shown_c = np.minimum(shown_c, limit_c + np.clip(posterior.draws[:, P.OFFSET], -2.0, 1.0))
    misfit = math.sqrt(max(1.0, posterior.misfit / _MISFIT_ALLOWED))
    widened, moves_k = (1.0, 0.0) if samples.well_known else (_SPREAD, _AMBIENT_MOVES_K)
    u_k = math.hypot(widened * samples.spread * misfit * spread_k, posterior.late_u_k, moves_k)
    u95_k = 1.96 * u_k + (high_k - low_k) / 2
    if samples.well_known:
        unusual = max(1.0, float(np.abs(posterior.peaks[0][_SLOW_PATH]).max()))
        u95_k = max(u95_k, _OF_RISE * unusual * abs(float(np.median(shown_c)) - _reads_c(samples)))
    known = u95_k <= rule.within_k
    slowest_s = float(np.median(end.slowest_s))
    slow = float(np.mean(end.slowest_s > rule.slowest_time_constant_s)) > _SLOW_SHARE
    wait_s = 0.0 if known else slowest_s * math.log(max(u95_k / rule.within_k, 1.05))
    slower = (reason("slower-than-allowed", time_constant_s=slowest_s),) if slow else ()
    moved = (reason("moved-at-equal-power", moved_k=high_k - low_k),) if levels is not None and levels.moved else ()
    return Forecast(
        settles_at_c=float(np.median(shown_c)),
        u95_k=u95_k,
        known=known,
        remaining_s=wait_s,
        slow=slow,
        why=(*samples.why, *slower, *moved),
    )
