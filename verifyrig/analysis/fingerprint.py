"""Transient thermal impedance after a step of power: rise over power at 5, 60 and 600 s, with the fans held still.

A sensor that is fresh every 1 to 2 s in whole degrees holds some five fresh values in the first window, and fans on a
curve change the path while it is measured. So the impedance is not read off the trace: it is that of machines which
explain the trace (`posterior`), at the fan speed of the window, which stands beside it. So a load that climbed in steps
is as good as one that began at once: what each step did is known by its power (deconvolution).

Source: JESD51-1, definition of transient thermal impedance; the cooldown mirrors the rise where the path is linear.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from verifyrig.analysis.ambient import ambient_columns
from verifyrig.analysis.budget import FIT_ALIKE, expanded, power_gain
from verifyrig.analysis.climb_end import climb_end, climb_plan
from verifyrig.analysis.forecast import explain
from verifyrig.analysis.load_steps import (
    LoadStep,
    is_heated,
    is_pulsed,
    power_channel,
    power_scale,
    power_step_w,
    steps_in,
)
from verifyrig.analysis.posterior import Posterior
from verifyrig.analysis.results import Metric, not_measured
from verifyrig.analysis.samples import Samples, prepare
from verifyrig.analysis.signals import fit_line, held_s, noise_k, sensor_facts
from verifyrig.analysis.thermal_path import impedance
from verifyrig.analysis.through_dips import dipped
from verifyrig.core.event_kind import EventKind
from verifyrig.core.heat_sources import DIE, HeatSource
from verifyrig.core.load_changes import load_known_from
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import FloatArray, StageSpan, Trace
from verifyrig.metrology.uncertainty import Component

__all__ = ["LUMPS", "WINDOWS_S", "impedance_metrics", "impedances_at_like_fans", "impedances_of_machines"]

WINDOWS_S = (5, 60, 600)
_LONGEST_PULSE_WINDOW_S = 60
_AFTER_S, _BEFORE_S, _HOT_BEFORE_S = 1200.0, 1800.0, 60.0
_LEAST_BEFORE_S = 20.0
_LEAST_STEP_W = 3.0
_READ_WINDOW_S = 5
_MISFIT_ALLOWED = 3.0
# What four lumps leave out of a path of many within the first seconds, beyond what the fit to the readings allows for
# already: against ladders of six masses (benchmark `step-and-climb`), which asked for nothing more after 60 and 600 s.
_LUMPS_SHARE, LUMPS = 0.025, "lumps in place of the true path"
# How much of what lumps cannot follow is the same in two loads on one machine (correlation), as in `two_runs`; both at
# full share, since other heat takes other ways. What goes beyond the load's end hangs on its last readings instead, the
# first seconds on few readings.
_ALIKE = 0.8
# A climb's steps are small and its sensors slow: after 5 s the machines that explain both leave so much more open than
# they differ by (benchmark `step-and-climb`). Five steps from idle to full share show it better.
_CLIMBED_5_S_SHARE = 0.13
_NAME = "thermal_impedance_{}s"
_SHAPE = "rise_share_{}s"


class _Explained(NamedTuple):
    """Cleaned samples, machines that explain them, and by what the power was multiplied for that."""

    samples: Samples
    posterior: Posterior
    scale: float


def impedance_metrics(trace: Trace, stage: StageSpan, part: HeatSource = DIE) -> dict[str, Metric]:
    """Return `thermal_impedance_5s`, `_60s`, `_600s`, K/W, from the load's steps in this stage.

    Those of the graphics card have `gpu_` in front. Without a power reading they stay empty; then `rise_share_5s` and
    `_60s` give the shape alone: the part of the 600 s rise that comes in the first 5 and 60 s. It cannot tell a bad
    path from a strong load.
    """
    return {f"{part.prefix}{name}": metric for name, metric in _figures(trace, stage, part).items()}


def impedances_at_like_fans(
    before: tuple[Trace, StageSpan], after: tuple[Trace, StageSpan], part: HeatSource = DIE
) -> dict[str, tuple[Metric, Metric]]:
    """Return the impedances of two loads, K/W, both at the mean of the fan speeds that they had, before and after.

    A lesser load has slower fans, and another impedance for that alone. What either cannot give is left out.
    """
    sides = []
    for trace, stage in (before, after):
        steps = steps_in(trace, stage)
        explained = _explained(trace, stage, steps, part)
        if isinstance(explained, Reason) or power_channel(trace, part) is None:
            return {}
        sides.append((trace, stage, explained, steps))
    found = {}
    for window in WINDOWS_S:
        fans = [
            _fan_of_window(trace, stage, explained.samples, steps, window) for trace, stage, explained, steps in sides
        ]
        speeds = [rpm for rpm, _ in fans if rpm is not None]
        like = ((sum(speeds) / 2 if len(speeds) == 2 else None), sum(at_c for _, at_c in fans) / 2)
        one, other = (_window(*side, window, part, like) for side in sides)
        if one.value is not None and other.value is not None:
            found[f"{part.prefix}{_NAME.format(window)}"] = one, other
    return found


def impedances_of_machines(
    trace: Trace, stage: StageSpan, t_s: Sequence[float], part: HeatSource = DIE
) -> FloatArray | None:
    """Return what machines that explain the stage's steps rise so long after a step, K/W, shape (d, n).

    None where nothing explains them, or where the power was not read. Each at the mean fan speed until then.
    """
    steps = steps_in(trace, stage)
    explained = _explained(trace, stage, steps, part)
    if isinstance(explained, Reason) or power_channel(trace, part) is None:
        return None
    found = []
    for at_s in t_s:
        rpm, at_c = _fan_of_window(trace, stage, explained.samples, steps, at_s)
        found.append(explained.scale * impedance(explained.posterior.draws, np.array([at_s]), rpm, at_c)[:, 0])
    return np.column_stack(found)


def _explained(trace: Trace, stage: StageSpan, steps: list[LoadStep], part: HeatSource) -> _Explained | Reason:
    """Return the machines that explain the stage's steps, or why there are none."""
    why_not = _why_not(trace, stage, steps, part)
    if why_not is not None:
        return why_not
    explained = _explain(trace, stage, steps, part)
    if explained is None:
        return reason("few-readings-around-step")
    return explained if explained.posterior.misfit <= _MISFIT_ALLOWED else reason(f"not-one-{part.short}")


def _figures(trace: Trace, stage: StageSpan, part: HeatSource) -> dict[str, Metric]:
    steps = steps_in(trace, stage)
    explained = _explained(trace, stage, steps, part)
    if isinstance(explained, Reason):
        return _none(explained)
    channel = power_channel(trace, part)
    if channel is None:
        return {**_none(reason("power-not-readable")), **_shape(explained, steps)}
    step = _step_w(trace, stage, steps, channel, 60.0)
    if step is None or abs(step[0]) < _LEAST_STEP_W:
        return _none(reason("step-too-small"))
    return {
        _NAME.format(w): _window(
            trace, stage, explained, steps, w, part, _fan_of_window(trace, stage, explained.samples, steps, w)
        )
        for w in WINDOWS_S
    }


def _climbs(trace: Trace, stage: StageSpan, steps: list[LoadStep]) -> bool:
    return climb_plan(trace, stage) is not None and len(steps) > 1


def _step_w(
    trace: Trace, stage: StageSpan, steps: list[LoadStep], channel: str, longest_s: float
) -> tuple[float, float] | None:
    """Return the step of power that the figures are given for, W: that of all steps of a climb."""
    climbs, steady = _climbs(trace, stage, steps), trace.without_dips()
    if climbs:
        return power_step_w(steady, steps[-1], channel, longest_s, from_s=steps[0].t_s)
    return power_step_w(steady, steps[0], channel, longest_s)


def _none(why: Reason) -> dict[str, Metric]:
    return {_NAME.format(w): not_measured("K/W", why) for w in WINDOWS_S}


def _why_not(trace: Trace, stage: StageSpan, steps: list[LoadStep], part: HeatSource) -> Reason | None:
    if not trace.has(part.temp):
        return reason(f"no-temperature-{part.short}")
    if is_heated(trace, stage, part) is False:
        return reason(f"load-not-on-{part.short}")
    known_from = load_known_from(trace, steps[0].t_s if steps else stage.start_s)
    if not steps:
        return reason("load-before-unknown" if known_from else "load-did-not-change")
    if steps[0].t_s - float(trace.t_s[known_from]) < _LEAST_BEFORE_S:
        return reason("load-before-unknown" if known_from else "nothing-before-step")
    return None


def _explain(trace: Trace, stage: StageSpan, steps: list[LoadStep], part: HeatSource) -> _Explained | None:
    """A rise is explained with the idle time before it, a fall with the hot minute before it.

    A dip of the load has its power, and no readings.
    """
    rises = steps[0].share > steps[0].share_before
    low = int(np.searchsorted(trace.t_s, steps[0].t_s - (_BEFORE_S if rises else _HOT_BEFORE_S)))
    low = max(low, load_known_from(trace, steps[0].t_s))
    if _climbs(trace, stage, steps):
        end_s = min(steps[-1].until_s, steps[-1].t_s + _AFTER_S)
    else:
        end_s = steps[-1].until_s if is_pulsed(steps) else min(steps[0].until_s, steps[0].t_s + _AFTER_S)
    span = slice(low, int(np.searchsorted(trace.t_s, end_s, side="right")))

    def column(name: str, scale: float = 1.0) -> FloatArray | None:
        return scale * trace.usable(name)[span] if trace.has(name) else None

    facts, scale = sensor_facts(trace, part.temp), power_scale(trace, part)
    samples = prepare(
        trace.t_s[span],
        np.where(dipped(trace)[span], np.nan, trace.usable(part.temp)[span]),
        column(part.power, scale),
        column(part.fan),
        ambient_columns(trace, stage, span),
        _commanded(trace, span),
        None,
        part,
    )
    posterior = None if samples is None else explain(samples, facts.resolution, facts.refresh_s, None, idle_stood=True)
    return None if samples is None or posterior is None else _Explained(samples, posterior, scale)


def _commanded(trace: Trace, span: slice) -> FloatArray | None:
    """Return the commanded share at each sample: from the load's events where there are any, else its column."""
    events = [
        (e.t_s, float(e.detail["share"])) for e in trace.events if e.kind == EventKind.LOAD and "share" in e.detail
    ]
    if not events:
        return trace.columns["load_share"][span] if trace.has("load_share") else None
    at = np.searchsorted(np.array([t for t, _ in events]), trace.t_s[span], side="right") - 1
    return np.where(at >= 0, np.array([share for _, share in events])[np.maximum(at, 0)], 0.0)


def _fan(samples: Samples, step: LoadStep, window_s: float) -> tuple[float | None, float]:
    """Return the mean fan speed, rpm, and die temperature, °C, over the window."""
    read = np.isfinite(samples.temp_c)
    inside = read & (samples.t_s >= step.t_s) & (samples.t_s <= step.t_s + window_s)
    inside = inside if inside.any() else read
    rpm = None if samples.fan_rpm is None else float(np.mean(samples.fan_rpm[inside]))
    return rpm, float(np.mean(samples.temp_c[inside]))


def _fan_of_window(
    trace: Trace, stage: StageSpan, samples: Samples, steps: list[LoadStep], window_s: float
) -> tuple[float | None, float]:
    return _fan(samples, steps[-1] if _climbs(trace, stage, steps) else steps[0], window_s)


def _window(
    trace: Trace,
    stage: StageSpan,
    explained: _Explained,
    steps: list[LoadStep],
    window_s: int,
    part: HeatSource,
    fan: tuple[float | None, float],
) -> Metric:
    """Return the impedance of one window at a fan speed, rpm; None: that of its curve at the temperature, °C."""
    climbs = _climbs(trace, stage, steps)
    pulsed = is_pulsed(steps) and not climbs
    if pulsed and window_s > _LONGEST_PULSE_WINDOW_S:
        return not_measured("K/W", reason("pulses-cannot-give-it"))
    samples, posterior, scale = explained
    rpm, at_c = fan
    found = scale * impedance(posterior.draws, np.array([float(window_s)]), rpm, at_c)[:, 0]
    step = _step_w(trace, stage, steps, part.power, max(6.0, min(60.0, window_s)))
    if step is None or step[0] == 0:
        return not_measured("K/W", reason("step-power-not-recorded"))
    watts, u_watts = abs(step[0]), step[1]
    noise, early = noise_k(samples.temp_c[np.isfinite(samples.temp_c)]), window_s <= _READ_WINDOW_S
    value, u_value = float(np.mean(found)), float(np.std(found))
    read = _read_off(samples, steps[0], window_s, watts, noise) if early and not pulsed and not climbs else None
    if read is not None:
        value, u_value = _weighted((value, math.hypot(u_value, _LUMPS_SHARE * value)), read)
    facts = sensor_facts(trace, part.power)
    extrapolated = not pulsed and steps[-1 if climbs else 0].until_s - steps[0].t_s < window_s - 1.5
    ends = climb_end(trace, stage)
    alike = _ALIKE if (ends is None or ends.reached) and not (early or pulsed or extrapolated) else 0.0
    # The noise of the readings is in the fit to them.
    budget = (
        Component(name="fit to the readings", standard_uncertainty=math.sqrt(1 - alike) * u_value, dof=len(found) - 1),
        Component(name=FIT_ALIKE, standard_uncertainty=math.sqrt(alike) * u_value, dof=len(found) - 1),
        *(_of_first_seconds(value, climbs) if early else ()),
        Component(name="scatter of the power", standard_uncertainty=u_watts, sensitivity=-value / watts),
        power_gain(watts, facts.expanded_uncertainty, -value / watts),
    )
    why = [] if rpm is None else [reason("at-fan-speed", speed_rpm=rpm)]
    if extrapolated:
        why.insert(0, reason("extrapolated"))
    return Metric(value=value, unit="K/W", u95=expanded(budget), why=tuple(why), budget=budget)


def _of_first_seconds(value: float, climbs: bool) -> Iterator[Component]:
    yield Component(name=LUMPS, standard_uncertainty=_LUMPS_SHARE * value)
    if climbs:
        yield Component(name="seconds of a climb's first steps", standard_uncertainty=_CLIMBED_5_S_SHARE * value)


def _read_off(
    samples: Samples, step: LoadStep, window_s: float, watts: float, noise: float
) -> tuple[float, float] | None:
    """Return the impedance read off the trace at the window's end and its standard uncertainty, K/W.

    A reading is older than its sample: on average by half of the time for which the sensor holds it.
    """
    t, temp = samples.t_s - step.t_s, samples.temp_c
    age_s = held_s(samples.t_s, temp) / 2
    before = temp[(t >= -20.0) & (t <= 0.0) & np.isfinite(temp)]
    near = (np.abs(t - window_s - age_s) <= 1.1) & np.isfinite(temp)
    if len(before) < 5 or np.count_nonzero(near) < 2 or not math.isfinite(watts):
        return None
    around = (np.abs(t - window_s) <= 3.0) & np.isfinite(temp)
    slope = abs(fit_line(t[around], temp[around]).slope) if np.count_nonzero(around) > 2 else 0.0
    rise_k = abs(float(np.mean(temp[near]) - np.mean(before)))
    u_k = math.hypot(noise / math.sqrt(2), noise / math.sqrt(len(before) / 2), 0.5 * slope)
    return rise_k / watts, u_k / watts


def _weighted(a: tuple[float, float], b: tuple[float, float]) -> tuple[float, float]:
    """Return the mean of two values weighted by their uncertainties; it is no surer than their distance allows."""
    weights = [1 / max(u, 1e-12) ** 2 for _, u in (a, b)]
    value = (weights[0] * a[0] + weights[1] * b[0]) / sum(weights)
    apart = abs(a[0] - b[0]) / 2
    return value, max(1 / math.sqrt(sum(weights)), apart if apart > max(a[1], b[1]) else 0.0)


def _shape(explained: _Explained, steps: list[LoadStep]) -> dict[str, Metric]:
    samples, posterior, _ = explained
    rpm, at_c = _fan(samples, steps[0], 600.0)
    rise = impedance(posterior.draws, np.array([5.0, 60.0, 600.0]), rpm, at_c)
    shares = rise[:, :2] / rise[:, 2:]
    why = (reason("shape-alone"),)
    return {
        _SHAPE.format(window): Metric(
            value=float(np.mean(share)),
            unit="1",
            u95=1.96 * math.hypot(float(np.std(share)), _LUMPS_SHARE),
            why=why,
        )
        for window, share in zip(WINDOWS_S[:2], shares.T, strict=True)
    }
