"""By how much the thermal path of one machine differs between two runs whose ambient nobody measured.

Both runs are explained at once (`posterior`) by one machine that may have changed: masses, fans, the sensor and what
its power is taken for are the same in both and cancel, whatever they are. The two ambients are alike within some
kelvins, each run began in its own state, and contact and sink may conduct otherwise in the second one. How fast and how
far each step of the load moves the reading then tells the change, without the ambient.

A warmer ambient with less heat stored at the start looks in a heating like a worse sink: what was stored fades as the
sink answers. In the cooldown after it they part, since what changed goes with the load and the ambient stays. So where
both runs have one, and it is known what the machines drew in it, it is explained with the load.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from verifyrig.analysis.allowance import model_covariance
from verifyrig.analysis.ambient import ambient_columns
from verifyrig.analysis.compress import compress
from verifyrig.analysis.load_steps import is_pulsed, last_step_s, power_scale, steps_in
from verifyrig.analysis.own_answers import reading_noise_k
from verifyrig.analysis.posterior import (
    ReadingFit,
    descend,
    draw_around,
    fit_of,
    rivals,
    scout,
)
from verifyrig.analysis.prior import P, Prior
from verifyrig.analysis.samples import Samples, prepare
from verifyrig.analysis.settled import commanded_share, history_from
from verifyrig.analysis.signals import held_s, sensor_facts
from verifyrig.analysis.thermal_path import settle
from verifyrig.core.heat_sources import HeatSource
from verifyrig.core.load_changes import load_known_from
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import FloatArray, StageSpan, Trace

__all__ = ["PathChange", "path_change"]

# How the runs may differ: ambient, the second one's state at its first sample, its contact and sink (spread of the
# logarithm), and for both what sink and case had above the state of the die then: a machine that was just loaded.
_EXTRA = 8
_CHANGE = 0.25
# A pair is asked for once, and its states at the start bend the way to the best machine.
_ROUNDS, _DRAWS, _LEAD_BACK = 25, 192, 4
_LATE_S = 30.0
# A shorter cooldown shows nothing that the load's end does not.
_COOLS_S = 20.0
# How much of what lumps cannot follow is the same in both runs (correlation).
_SHARED = 0.8
_FAN_STANDS_RPM = 30.0
_MISFIT_ALLOWED = 1.5
# Draws around one or two peaks miss some of the far ends of what is possible. Chosen on machines of seeds below 100 and
# on the board with the fan (`tests/benchmarks/repeats.py`).
_SPREAD = 1.1
# By how much the ambient moves within a run, from what it was when the reading settled.
_AMBIENT_MOVES_K = 0.2
_FEWEST_K = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PathChange:
    """What changed between two runs at equal power and ambient.

    Attributes:
        settles_k: By how much the second run would settle higher than the first, K.
        u_k: Its standard uncertainty, K.
    """

    settles_k: float
    u_k: float


@dataclass(frozen=True, slots=True)
class _BothRuns:
    """Residuals of both runs, for machines in standard normal coordinates: those of the prior, and `_EXTRA` more."""

    runs: tuple[ReadingFit, ReadingFit]
    ambients_u_k: float
    whiten: FloatArray

    @property
    def readings(self) -> int:
        return len(self.whiten)

    @property
    def prior(self) -> Prior:
        return self.runs[0].prior

    def machines(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the parameters in both runs, each of shape (m, p)."""
        ambient, start, contact, sink = z[:, -_EXTRA : -_EXTRA + 4].T
        own = z[:, :-_EXTRA]
        second = own.copy()
        second[:, P.START_EXCESS] = start
        before, after = self.prior.values(own), self.prior.values(second)
        after[:, P.OFFSET] += self.ambients_u_k * ambient
        after[:, P.DIE_TO_PLATE] *= np.exp(_CHANGE * contact)
        after[:, P.SINK_TO_AIR] *= np.exp(_CHANGE * sink)
        return before, after

    def starts_k(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return what the lumps had above their state while idle at both first samples, K, each of shape (m, 4)."""
        as_starts = np.zeros((4, len(z), len(self.prior.middle)))
        as_starts[:, :, P.START_EXCESS] = z[:, -4:].T
        sink, case, second_sink, second_case = self.prior.values(as_starts)[:, :, P.START_EXCESS]
        none = np.zeros_like(sink)
        return np.stack((none, none, sink, case), axis=1), np.stack((none, none, second_sink, second_case), axis=1)

    def residuals(self, z: FloatArray) -> FloatArray:
        machines = self.machines(z)
        each = zip(self.runs, machines, self.starts_k(z), strict=True)
        missed_k = np.concatenate([run.missed_k(theta, start_k) for run, theta, start_k in each], axis=1)
        fans = [run.fan_residuals(theta) for run, theta in zip(self.runs, machines, strict=True)]
        return np.concatenate((missed_k @ self.whiten.T, *fans), axis=1)


def _whiten(runs: tuple[ReadingFit, ReadingFit]) -> FloatArray:
    """Return what makes the readings of both runs independent: what lumps cannot follow is much the same in both."""
    roots = [np.linalg.inv(run.whiten) for run in runs]
    own = [root @ root.T for root in roots]
    first, second = runs
    shared = _SHARED * model_covariance(first.data, second.data)[np.ix_(first.seen, second.seen)]
    covariance = np.block([[own[0], shared], [shared.T, own[1]]])
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)))


def path_change(
    before: Trace, after: Trace, spans: tuple[StageSpan, StageSpan], part: HeatSource, ambients_u_k: float
) -> PathChange | None:
    """Return what changed, None where both runs show too little of the load, or no machine explains both.

    Args:
        spans: The load's stage in both.
        ambients_u_k: Standard uncertainty of how far their ambients lie apart, K.
    """
    stops = _stops((before, after), spans, part)
    runs = zip((before, after), spans, stops, strict=True)
    a, b = (_samples(trace, span, part, stop) for trace, span, stop in runs)
    if a is None or b is None or a.powered != b.powered or (a.fan_rpm is None) != (b.fan_rpm is None):
        return None
    fits = [_fit(trace, one, part) for trace, one in zip((before, after), (a, b), strict=True)]
    first, second = fits
    if first is None or second is None:
        return None
    both = _BothRuns((first, second), ambients_u_k, _whiten((first, second)))
    scouts = scout(first, seed=1)
    peaks = descend(both, np.concatenate((scouts, np.zeros((len(scouts), _EXTRA))), axis=1), _ROUNDS)
    misfit = peaks[0].squares / max(1, both.readings)
    drawn, _ = draw_around(both, rivals(peaks), 1, _DRAWS, _LEAD_BACK)
    changes_k = _settles_k(both, drawn, a)
    u_k = _SPREAD * float(np.std(changes_k)) * math.sqrt(max(1.0, misfit / _MISFIT_ALLOWED))
    return PathChange(settles_k=float(np.mean(changes_k)), u_k=math.hypot(u_k, math.sqrt(2) * _AMBIENT_MOVES_K))


def _stops(traces: tuple[Trace, Trace], stages: tuple[StageSpan, StageSpan], part: HeatSource) -> list[int]:
    """Return up to which sample each run is explained: with its cooldown where both have one and its power is known.

    What a machine draws while it cools is assumed otherwise, and a wrong guess would count as a change.
    """
    runs = list(zip(traces, stages, strict=True))
    loads = [trace.within(stage).stop for trace, stage in runs]
    if not all(trace.has(part.power) for trace in traces):
        return loads
    cooldowns = [_unloaded_until(trace, stop) for (trace, _), stop in zip(runs, loads, strict=True)]
    lengths_s = [
        trace.t_s[cold - 1] - trace.t_s[stop - 1] for trace, stop, cold in zip(traces, loads, cooldowns, strict=True)
    ]
    return cooldowns if min(lengths_s) >= _COOLS_S else loads


def _unloaded_until(trace: Trace, stop: int) -> int:
    """Return up to which sample the load is known to have been off since the one at which its stage stopped."""
    if trace.has("load_share"):
        off = trace.columns["load_share"] == 0.0
    else:
        off = np.zeros(len(trace.t_s), dtype=bool)
        for other in trace.stages:
            off[trace.within(other)] |= other.kind != StageKind.LOAD
    # A share may be noted for the time up to its sample: the first one still tells of the load.
    loaded = np.flatnonzero(~off[stop + 1 :])
    return stop + 1 + int(loaded[0]) if len(loaded) else len(off)


def _samples(trace: Trace, stage: StageSpan, part: HeatSource, stop: int) -> Samples | None:
    steps = steps_in(trace, stage)
    if stage.kind != StageKind.LOAD or not steps or is_pulsed(steps):
        return None
    first = max(history_from(trace, steps[0].t_s), load_known_from(trace, steps[0].t_s))
    span = slice(first, stop)

    def column(name: str, scale: float = 1.0) -> FloatArray | None:
        return scale * trace.usable(name)[span] if trace.has(name) else None

    return prepare(
        trace.t_s[span],
        trace.usable(part.temp)[span],
        column(part.power, power_scale(trace, part)),
        column(part.fan),
        ambient_columns(trace, stage, span),
        commanded_share(trace)[span],
        last_step_s(trace, stage),
        part,
    )


def _fit(trace: Trace, samples: Samples, part: HeatSource) -> ReadingFit | None:
    data = compress(samples.t_s, samples.temp_c, samples.power_w, samples.ambient_c, samples.fan_rpm, samples.share)
    readings = samples.temp_c[np.isfinite(samples.temp_c)]
    if data is None or float(np.ptp(readings)) < _FEWEST_K:
        return None
    facts = sensor_facts(trace, part.temp)
    noise_k = reading_noise_k(samples.temp_c, facts.resolution)
    return fit_of(samples.prior, data, noise_k, facts.refresh_s or held_s(samples.t_s, samples.temp_c))


def _settles_k(both: _BothRuns, drawn: FloatArray, samples: Samples) -> FloatArray:
    """Return how much higher each drawn machine settles as it is in the second run, in the first one's ambient, K."""
    on_s = samples.t_s[samples.share > 0.0][-1]
    late = (samples.t_s >= on_s - _LATE_S) & (samples.t_s <= on_s)
    fan_rpm = None if samples.fan_rpm is None else float(np.mean(samples.fan_rpm[late]))
    machines = both.machines(drawn)
    machines[1][:, P.OFFSET] = machines[0][:, P.OFFSET]
    ends_c = [
        settle(
            theta,
            power_w=float(np.mean(samples.power_w[late])),
            at_c=float(np.nanmean(samples.temp_c[late])),
            loaded=True,
            ambient_c=float(np.mean(samples.ambient_c[late])),
            fan_stands=fan_rpm is not None and fan_rpm < _FAN_STANDS_RPM,
            fan_rpm=fan_rpm,
            at_most_w=samples.at_most_w,
        ).shown_c
        for theta in machines
    ]
    return np.asarray(ends_c[1] - ends_c[0])
