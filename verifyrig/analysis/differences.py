"""How the metrics of one stage differ between two runs that may be compared: alike with alike.

Temperatures are corrected for the ambient where both runs measured it, peak and steepest rise are read over the length
that both stages have.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from verifyrig.analysis.ambient import AmbientMean, ambient_of
from verifyrig.analysis.budget import AMBIENT_CORRECTION, difference_u95
from verifyrig.analysis.climb_end import at_full_share, climb_end
from verifyrig.analysis.fingerprint import impedances_at_like_fans
from verifyrig.analysis.load_steps import is_heated
from verifyrig.analysis.repeatability import explained_k_per_s, explained_peak_k, reading_of
from verifyrig.analysis.results import Metric, MetricDifference
from verifyrig.analysis.settled import settle_rule
from verifyrig.analysis.signals import sensor_facts, stage_columns
from verifyrig.analysis.two_runs import PathChange, path_change
from verifyrig.core.ambient import TYPED
from verifyrig.core.heat_sources import CARD, DIE, PARTS, HeatSource
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import StageSpan, Trace
from verifyrig.metrology.uncertainty import Component, coverage_factor, standard_from_expanded

__all__ = [
    "ALIKE_AMBIENT_K",
    "compares_by_one_model",
    "heated_parts",
    "over_common_length",
    "per_watt_differences",
    "reference_c",
    "stage_differences",
    "stage_mean",
]

# Common practice, no source: ambients that count as alike. Of those that nobody measured each is taken to lie anywhere
# within half of it from the usual one, so their difference is triangular, JCGM 100:2008, 4.3.9.
ALIKE_AMBIENT_K = 3.0
_APART_K = ALIKE_AMBIENT_K / math.sqrt(6)
# Of one machine done again soon it is nearly the same one: a room wanders by some tenths of a kelvin within the hour
# (common practice, no source), and as the root of the time, as what wanders does. A real board by a fan, whose idle
# level fell by 2 K within two hours, still comes out as one board.
_SOON_K, _WANDERS_K = 0.2, 0.4
_UNSTATED_AMBIENT_K = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    """One stage of two runs.

    Attributes:
        spans: The stages, cut to the length that both have.
        shifts_k: By how much each run's temperatures are corrected for the ambient, K.
        ambient_lines: What is uncertain of that, K.
        power_shares: By part, difference of the mean powers over the mean before.
        same_sensors: Whether it is one machine read by the same sensors.
    """

    traces: tuple[Trace, Trace]
    spans: tuple[StageSpan, StageSpan]
    shifts_k: tuple[float, float]
    ambient_lines: tuple[Component, ...]
    power_shares: Mapping[str, float]
    same_sensors: bool


def stage_differences(
    before: Trace, after: Trace, a: Mapping[str, Metric], b: Mapping[str, Metric], stage: str
) -> dict[str, MetricDifference]:
    """Return how the stage's metrics differ; `a` and `b` are all metrics of both runs."""
    spans = before.stage(stage), after.stage(stage)
    if spans[0] is None or spans[1] is None:
        return {}
    pair = _pair(before, after, spans[0], spans[1])
    changes = _changes(pair, (spans[0], spans[1]))
    found = {}
    for name, metric in a.items():
        other = b.get(name)
        if name.split(".", 1)[0] != stage or other is None:
            continue
        channel, _, figure = name.split(".", 1)[1].rpartition(".")
        if figure in ("peak", "rate"):
            settled = a.get(f"{stage}.{channel}.settled"), b.get(f"{stage}.{channel}.settled")
            found[name] = _course_difference(pair, channel, figure, settled) or _difference(pair, metric, other)
        elif figure == "settled" and channel in changes:
            found[name] = _changed(metric, other, changes[channel])
        elif figure == "settled":
            found[name] = _settled_difference(pair, channel, metric, other)
        else:
            found[name] = _difference(pair, metric, other)
    return found


def per_watt_differences(
    before: Trace, after: Trace, a: Mapping[str, Metric], b: Mapping[str, Metric], stage: str
) -> dict[str, MetricDifference]:
    """Return how the stage's impedances differ where its load climbed to different shares, at like fan speeds.

    And where full share would settle, or does: of a climb that ended below it that is a forecast.
    """
    spans = before.stage(stage), after.stage(stage)
    if spans[0] is None or spans[1] is None:
        return {}
    pair, found = _pair(before, after, spans[0], spans[1]), {}
    for part in heated_parts(before, spans[0]):
        alike = impedances_at_like_fans((before, spans[0]), (after, spans[1]), part)
        found.update({f"{stage}.{name}": _difference(pair, *both) for name, both in alike.items()})
    ends = climb_end(before, spans[0]), climb_end(after, spans[1])
    lower = [end.channel for end in ends if end is not None and not end.reached]
    settled = f"{stage}.{lower[0]}.settled" if len(set(lower)) == 1 else ""
    if settled in a and settled in b:
        found[settled] = _settled_difference(pair, lower[0], a[settled], b[settled])
    return found


def compares_by_one_model(before: Trace, after: Trace, a: StageSpan, b: StageSpan) -> bool:
    """Return whether one model of both loads tells their difference: one machine whose ambient nobody measured."""
    if a.kind != StageKind.LOAD or b.kind != StageKind.LOAD:
        return False
    return _is_one_machine(before, after) and ambient_of(before, a) is None and ambient_of(after, b) is None


def _changes(pair: _Pair, spans: tuple[StageSpan, StageSpan]) -> dict[str, PathChange]:
    """Return what one model of both runs says of each heated part, by its temperature."""
    before, after = pair.traces
    if not compares_by_one_model(before, after, *spans):
        return {}
    found = {
        part.temp: path_change(before, after, spans, part, _ambients_apart_k(before, after, *spans))
        for part in heated_parts(before, spans[0])
        if before.has(part.temp) and after.has(part.temp)
    }
    return {channel: change for channel, change in found.items() if change is not None}


def _changed(before: Metric, after: Metric, change: PathChange) -> MetricDifference:
    """Return the difference at equal ambient and power; the value after is the one before with it."""
    if not isinstance(before.value, int | float) or not isinstance(after.value, int | float):
        return MetricDifference(before=None, after=None, difference=None, u95=None, significant=None, unit=before.unit)
    return _judged(
        MetricDifference(
            before=before.value,
            after=before.value + change.settles_k,
            difference=change.settles_k,
            u95=1.96 * change.u_k,
            significant=None,
            unit=before.unit,
        )
    )


def _is_one_machine(before: Trace, after: Trace) -> bool:
    """Return whether it is one machine read by the same sensors."""
    devices = [sensor_facts(trace, "die_temp_c").device for trace in (before, after)]
    units = [trace.recorded.job or trace.recorded.unit or trace.recorded.machine for trace in (before, after)]
    return devices[0] == devices[1] and units[0] == units[1]


def over_common_length(a: StageSpan, b: StageSpan) -> tuple[StageSpan, StageSpan]:
    """Return both stages cut to the length of the shorter one; as they are while one has not ended."""
    if a.end_s is None or b.end_s is None:
        return a, b
    length_s = min(a.end_s - a.start_s, b.end_s - b.start_s)
    return replace(a, end_s=a.start_s + length_s), replace(b, end_s=b.start_s + length_s)


def heated_parts(trace: Trace, stage: StageSpan) -> list[HeatSource]:
    """Return what the stage's load heats: the die where nothing says."""
    return [part for part in PARTS if is_heated(trace, stage, part)] or [DIE]


def stage_mean(trace: Trace, stage: StageSpan, channel: str) -> float | None:
    """Return the channel's mean over the stage; None without a reading."""
    _, values = stage_columns(trace, stage, channel)
    return float(np.mean(values)) if len(values) else None


def reference_c(before: Trace, after: Trace) -> float:
    """Return the ambient to which temperatures of different ambients are corrected, °C: the newer profile's."""
    profile = after.profile or before.profile
    return profile.reference_ambient_c if profile else 25.0


def _pair(before: Trace, after: Trace, a: StageSpan, b: StageSpan) -> _Pair:
    shifts_k, lines = _correction(before, after, a, b)
    # How a climb came to its full share is no matter of the machine: what both did at it is compared.
    spans = over_common_length(at_full_share(before, a), at_full_share(after, b))
    return _Pair(
        traces=(before, after),
        spans=spans,
        shifts_k=shifts_k,
        ambient_lines=lines,
        power_shares={part.temp: _power_share(before, after, *spans, part) for part in (DIE, CARD)},
        same_sensors=_is_one_machine(before, after),
    )


def _correction(
    before: Trace, after: Trace, a: StageSpan, b: StageSpan
) -> tuple[tuple[float, float], tuple[Component, ...]]:
    """Return by how much each run's temperatures are corrected for the ambient, K, and what is uncertain of it.

    Ambients that count as alike are corrected to the one before, others both to the reference.
    """
    ambients = ambient_of(before, a), ambient_of(after, b)
    if ambients[0] is None or ambients[1] is None:
        apart_k = _ambients_apart_k(before, after, a, b)
        return (0.0, 0.0), (Component(name="ambients not measured", standard_uncertainty=apart_k),)
    difference_k = ambients[1].value_c - ambients[0].value_c
    shifts_k = (0.0, -difference_k)
    if abs(difference_k) > ALIKE_AMBIENT_K:
        to_c = reference_c(before, after)
        shifts_k = to_c - ambients[0].value_c, to_c - ambients[1].value_c
    # Fans on a curve and leakage make a tenth of the shift uncertain (common practice, no source).
    lines = [Component(name=AMBIENT_CORRECTION, standard_uncertainty=0.1 * abs(shift_k)) for shift_k in shifts_k]
    return shifts_k, (*lines, *_ambient_lines(ambients[0], ambients[1]))


def _ambients_apart_k(before: Trace, after: Trace, a: StageSpan, b: StageSpan) -> float:
    """Return the standard uncertainty of how far two ambients lie apart that were not both measured, K."""
    if not (_is_one_machine(before, after) and before.recorded.utc_known and after.recorded.utc_known):
        return _APART_K
    moments_s = [float(np.interp(span.start_s, trace.t_s, trace.utc_s)) for trace, span in ((before, a), (after, b))]
    apart_h = abs(moments_s[1] - moments_s[0]) / 3600.0
    return min(_APART_K, math.hypot(_SOON_K, _WANDERS_K * math.sqrt(apart_h)))


def _ambient_lines(before: AmbientMean, after: AmbientMean) -> tuple[Component, ...]:
    """Return the readings' own errors: those of one probe are the same in both and cancel; typed is read anew."""
    if before.source != TYPED and (before.source, before.sensor.device) == (after.source, after.sensor.device):
        return ()
    name = "ambients by other readings"
    return tuple(
        Component.within(name, _UNSTATED_AMBIENT_K)
        if ambient.u95_k is None
        else Component(name=name, standard_uncertainty=standard_from_expanded(ambient.u95_k))
        for ambient in (before, after)
    )


def _power_share(before: Trace, after: Trace, a: StageSpan, b: StageSpan, part: HeatSource) -> float:
    watts = stage_mean(before, a, part.power), stage_mean(after, b, part.power)
    return watts[1] / watts[0] - 1 if watts[0] and watts[1] else 0.0


def _course_difference(
    pair: _Pair, channel: str, figure: str, settled: tuple[Metric | None, Metric | None]
) -> MetricDifference | None:
    """Return how peak or rate differ over the common length; None where a run has no reading there."""
    before, after = (
        reading_of(trace, span, channel, metric, shift_k)
        for trace, span, metric, shift_k in zip(pair.traces, pair.spans, settled, _shifts(pair, channel), strict=True)
    )
    if before is None or after is None:
        return None
    power_share = pair.power_shares.get(CARD.temp if channel.startswith("gpu_") else DIE.temp, 0.0)
    if figure == "rate":
        explained = explained_k_per_s(before, after, power_share)
        return _widened(_difference(pair, before.course.rate, after.course.rate), explained)
    peaks = [replace(r.course.peak, budget=r.peak_lines) for r in (before, after)]
    slowest_s = settle_rule(pair.traces[0], pair.spans[0]).slowest_time_constant_s
    explained = explained_peak_k(before, after, slowest_s, power_share)
    return _widened(_settled_difference(pair, channel, *peaks), explained)


def _shifts(pair: _Pair, channel: str) -> tuple[float, float]:
    return (0.0, 0.0) if _is_ambient(channel) else pair.shifts_k


def _is_ambient(channel: str) -> bool:
    return channel.startswith("ambient_temp_c")


def _settled_difference(pair: _Pair, channel: str, before: Metric, after: Metric) -> MetricDifference:
    """Return how two temperatures differ, each corrected for its ambient; the ambient itself is taken as it is."""
    if _is_ambient(channel):
        return _difference(pair, before, after)
    before, after = (_shifted(metric, shift_k) for metric, shift_k in zip((before, after), pair.shifts_k, strict=True))
    return _difference(pair, before, after, pair.ambient_lines)


def _shifted(metric: Metric, shift_k: float) -> Metric:
    return replace(metric, value=metric.value + shift_k) if isinstance(metric.value, int | float) else metric


def _difference(pair: _Pair, before: Metric, after: Metric, more: tuple[Component, ...] = ()) -> MetricDifference:
    a, b = (m.value if isinstance(m.value, int | float) else None for m in (before, after))
    difference = b - a if a is not None and b is not None else None
    u95 = None
    if difference is not None and before.u95 is not None and after.u95 is not None:
        lines = (*_budget(before, before.u95), *more)
        u95 = difference_u95(lines, _budget(after, after.u95), same_sensors=pair.same_sensors)
    return _judged(
        MetricDifference(before=a, after=b, difference=difference, u95=u95, significant=None, unit=before.unit)
    )


def _budget(metric: Metric, u95: float) -> tuple[Component, ...]:
    """Return the figure's budget; where none was kept, its U95 stands for it."""
    return metric.budget or (
        Component(name="as stated", standard_uncertainty=standard_from_expanded(u95, coverage_factor(math.inf))),
    )


def _widened(found: MetricDifference, at_most: float) -> MetricDifference:
    """Return the difference with u95 grown by an effect between nothing and `at_most` that is not corrected for.

    Its half-width is taken at k = 2, beyond the bound: a machine that was loaded before lies at the bound, as a rule.

    Source: JCGM 100:2008, 4.3.7 (rectangular), F.2.4.5 (a known effect without a correction adds to U).
    """
    if found.u95 is None:
        return found
    middle = at_most / 2
    return _judged(replace(found, u95=math.hypot(found.u95, 2 * middle / math.sqrt(3)) + middle))


def _judged(found: MetricDifference) -> MetricDifference:
    if found.difference is None or found.u95 is None:
        return found
    return replace(found, significant=abs(found.difference) > found.u95)
