"""All metrics of a record: every stage, every channel, by the names of the contract."""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np

from verifyrig.analysis.ambient import ambient_of
from verifyrig.analysis.budget import expanded
from verifyrig.analysis.card_figures import card_gap_metrics
from verifyrig.analysis.climb_end import ClimbEnd, at_full_share, climb_end
from verifyrig.analysis.fingerprint import impedance_metrics
from verifyrig.analysis.load_steps import is_heated
from verifyrig.analysis.resistance import resistance_metrics
from verifyrig.analysis.results import Metric, not_measured
from verifyrig.analysis.settled import Settled, settled_value
from verifyrig.analysis.signals import has_bad_times, sensor_facts, stage_columns
from verifyrig.analysis.temperatures import temperature_metrics
from verifyrig.analysis.throttling import at_limit, power_cap, throttle_metrics
from verifyrig.core.channels import base_name, is_channel, is_temperature, quantity_of, unit_of
from verifyrig.core.heat_sources import CARD, DIE, PARTS, HeatSource
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import FloatArray, StageSpan, Trace
from verifyrig.metrology.uncertainty import Component, standard_from_expanded

__all__ = ["compute_metrics", "metrics_of"]

_MOST_KEPT = 64
_kept: OrderedDict[bytes, dict[str, Metric]] = OrderedDict()
_keeping = threading.Lock()


def metrics_of(trace: Trace) -> dict[str, Metric]:
    """Return all metrics of the run by their full names, such as `load.die_temp_c.rise`.

    A metric that could not be measured is there with value None and the reason; stages that never ran have none.
    Those of the runs asked for last are kept while the program runs, by all that the runs say: verdict, fitness and
    report of a job each ask for the same ones, and its screen at every key.
    """
    key = trace.digest()
    with _keeping:
        known = _kept.get(key)
        if known is not None:
            _kept.move_to_end(key)
    if known is None:
        known = compute_metrics(trace)
        with _keeping:
            _kept[key] = known
            if len(_kept) > _MOST_KEPT:
                _kept.popitem(last=False)
    return dict(known)


def compute_metrics(trace: Trace) -> dict[str, Metric]:
    """Return what `metrics_of` does, computed anew."""
    bad = has_bad_times(trace.t_s)
    steady = trace.without_dips()
    found: dict[str, Metric] = {}
    for stage in trace.stages:
        if stage.ended == StageEnd.SKIPPED:
            continue
        temperatures = [name for name in trace.columns if is_channel(name) and is_temperature(name)]
        # A dip's readings are no figures, but its heat is missed by where a temperature settles and by its path.
        settled = {name: settled_value(trace, stage, name) for name in temperatures}
        figures = dict(_stage_metrics(trace, steady, stage, settled))
        if stage.kind == StageKind.LOAD:
            # A wrong result counts whenever it came.
            figures["compute_errors"] = _compute_errors(trace, stage)
            figures.update(_not_at_full_share(trace, stage, figures))
        for name, metric in figures.items():
            found[f"{stage.name}.{name}"] = not_measured(metric.unit, reason("bad-times")) if bad else metric
    return found


def _stage_metrics(
    whole: Trace, trace: Trace, stage: StageSpan, settled: Mapping[str, Settled | Reason]
) -> Iterator[tuple[str, Metric]]:
    """Yield a stage's figures; `trace` is the whole run without its dips."""
    ambient = ambient_of(trace, stage)
    for name in settled:
        yield from temperature_metrics(trace, stage, name, settled[name], ambient).items()
    climbed = climb_end(trace, stage)
    if climbed is not None and not climbed.reached:
        yield from _forecast_of_full(climbed)
    # Of a climb only its full share counts, but for its heat and its rises.
    full = at_full_share(trace, stage)
    for part in _parts_of(trace, stage):
        if stage.kind != StageKind.COOLDOWN:
            yield from resistance_metrics(trace, full, settled, ambient, part).items()
        if stage.kind != StageKind.IDLE:
            yield from impedance_metrics(whole, stage, part).items()
    yield from card_gap_metrics(trace, stage).items()
    for name in trace.columns:
        if is_channel(name):
            yield from _plain(trace, full, name)
    if stage.kind == StageKind.LOAD:
        yield from throttle_metrics(trace, full).items()
        yield from _at_the_cap(trace, full)
        for part in PARTS:
            if at_limit(trace, stage, part.temp):
                yield f"{part.temp}.peak", _at_or_above(trace, stage, part.temp)


def _not_at_full_share(trace: Trace, stage: StageSpan, figures: Mapping[str, Metric]) -> dict[str, Metric]:
    """Return, as not measured, what counts at full share only where a climb ended below it: work rate and rails."""
    climbed = climb_end(trace, stage)
    if climbed is None or climbed.reached:
        return {}
    why = reason("climb-below-full")
    own = {name: metric for name, metric in figures.items() if name == "work_rate_kept_share" or metric.unit == "V"}
    return {name: not_measured(metric.unit, why) for name, metric in own.items()}


def _forecast_of_full(climbed: ClimbEnd) -> Iterator[tuple[str, Metric]]:
    """Where a climb that ended below its full share would have settled at it: a figure that may fail, never pass."""
    if climbed.channel and climbed.full_c is not None and climbed.full_u95_k is not None:
        why = (reason("climb-forecast-of-full", share=climbed.share),)
        yield (
            f"{climbed.channel}.settled",
            Metric(value=climbed.full_c, unit="°C", u95=climbed.full_u95_k, why=why, settled=False),
        )


def _at_the_cap(trace: Trace, stage: StageSpan) -> Iterator[tuple[str, Metric]]:
    """The watts of a card that its own power limit holds, with a note that says so."""
    why = power_cap(trace, stage)
    if why and CARD.power in trace.columns:
        for name, metric in _plain(trace, stage, CARD.power):
            yield name, replace(metric, why=why)


def _parts_of(trace: Trace, stage: StageSpan) -> list[HeatSource]:
    """Return the die, which every record has, and the graphics card where the load was on it."""
    heated = is_heated(trace, stage, CARD)
    return [DIE, CARD] if heated or (heated is None and trace.has(CARD.temp)) else [DIE]


def _plain(trace: Trace, stage: StageSpan, channel: str) -> Iterator[tuple[str, Metric]]:
    """Mean, least and greatest, as the quantity asks for."""
    wanted = {
        "speed": ("mean", "min"),
        "voltage": ("min", "max"),
        "power": ("mean",),
        "clock": ("mean", "min"),
    }.get(quantity_of(channel), ())
    if base_name(channel) in ("busy_share", "gpu_busy_share"):
        wanted = ("mean",)
    if not wanted:
        return
    unit = unit_of(channel)
    _, values = stage_columns(trace, stage, channel)
    for kind in wanted:
        yield f"{channel}.{kind}", _of(trace, channel, values, kind, unit)


def _of(trace: Trace, channel: str, values: FloatArray, kind: str, unit: str) -> Metric:
    if len(values) == 0:
        return not_measured(unit, reason("no-reading"))
    facts = sensor_facts(trace, channel)
    lines = [_accuracy(unit, float(np.mean(values)), facts.expanded_uncertainty)]
    if facts.resolution:
        lines.append(Component.within("resolution", facts.resolution / 2))
    if kind == "mean":
        value = float(np.mean(values))
        scatter = float(np.std(values, ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else 0.0
        lines.append(Component(name="scatter", standard_uncertainty=scatter))
    else:
        value = float(np.min(values) if kind == "min" else np.max(values))
    return Metric(value=value, unit=unit, u95=expanded(lines), budget=tuple(lines))


def _accuracy(unit: str, value: float, stated: float | None) -> Component:
    """Return the line of one reading; where no calibration states it, what such readings are usually good for."""
    name = "accuracy of the reading"
    if stated is not None:
        return Component(name=name, standard_uncertainty=standard_from_expanded(stated))
    share = {"W": 0.05, "V": 0.02, "rpm": 0.02, "1": 0.0}.get(unit, 0.02)  # common practice, no source
    return Component.within(name, share * abs(value))


def _compute_errors(trace: Trace, stage: StageSpan) -> Metric:
    """Wrong results that were counted in this stage: exact."""
    _, counts = stage_columns(trace, stage, "compute_errors")
    if len(counts) == 0:
        return not_measured("1", reason("no-results-checked"))
    earlier = _last_before(trace, stage, "compute_errors")
    # The count starts anew with each load, so a fall is a new start and not a negative number of errors.
    steps = np.diff(np.concatenate(([min(earlier, float(counts[0]))], counts)))
    return Metric(value=float(np.clip(steps, 0, None).sum()), unit="1", u95=0.0)


def _last_before(trace: Trace, stage: StageSpan, channel: str) -> float:
    values = trace.usable(channel)[: trace.within(stage).start]
    known = values[np.isfinite(values)]
    return float(known[-1]) if len(known) else 0.0


def _at_or_above(trace: Trace, stage: StageSpan, channel: str) -> Metric:
    _, values = stage_columns(trace, stage, channel)
    return Metric(value=float(np.max(values)), unit="°C", u95=None, why=(reason("peak-flat-at-limit"),))
