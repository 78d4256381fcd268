"""May two runs be compared, stage by stage; and the differences of their metrics where they may.

The limits are those of common practice (no source): mean power within 5 %, room within 3 K (else corrected for, and
said), fan speed at equal die temperature within 10 %.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from verifyrig.analysis.ambient import ambient_of
from verifyrig.analysis.budget import AMBIENT_CORRECTION, difference_u95
from verifyrig.analysis.load_steps import is_heated
from verifyrig.analysis.metrics import metrics_of
from verifyrig.analysis.results import Comparison, Metric, MetricDifference, StageComparison
from verifyrig.analysis.signals import sensor_facts, stage_columns
from verifyrig.analysis.temperatures import CORRECTION_RANGE_K
from verifyrig.core.channels import base_name, is_temperature
from verifyrig.core.heat_sources import CARD, DIE, PARTS, HeatSource
from verifyrig.core.outcome import Outcome, StageEnd
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import StageSpan, Trace
from verifyrig.metrology.uncertainty import Component

__all__ = ["compare"]

_POWER_SHARE = 0.05
_AMBIENT_K = 3.0
_FAN_SHARE = 0.10
_SAME_TEMP_K = 3.0
_STATES = ("panel", "position", "fans")


class _Finding(NamedTuple):
    """One condition: forbids the comparison, or is only said."""

    why: Reason
    forbids: bool


def compare(before: Trace, after: Trace, changed_parts: Iterable[str] = ()) -> Comparison:
    """Return whether the two runs may be compared, stage by stage, and what differs.

    Args:
        changed_parts: Channels of the part recorded as changed: they are results, not conditions.
    """
    changed = frozenset(changed_parts)
    names = list(dict.fromkeys(stage.name for trace in (before, after) for stage in trace.stages))
    both = metrics_of(before), metrics_of(after)
    before, after = before.without_dips(), after.without_dips()
    stages = {name: _compare_stage(before, after, name, changed) for name in names}
    differences: dict[str, MetricDifference] = {}
    for name, judged in stages.items():
        if judged.comparable:
            moved = _reference_shifts(before, after, name)
            differences.update(_differences(before, after, *both, name, moved))
    return Comparison(before=before.run_id, after=after.run_id, stages=stages, metrics=differences)


def _compare_stage(before: Trace, after: Trace, name: str, changed: frozenset[str]) -> StageComparison:
    a, b = before.stage(name), after.stage(name)
    if a is None or a.ended == StageEnd.SKIPPED:
        # A stage that somebody left out of choice tells nothing of the machine.
        left_out = before.recorded.no_load
        stopped = before.recorded.outcome in (Outcome.TRIPPED, Outcome.STOPPED)
        unsafe = not left_out and (stopped or before.profile == after.profile)
        return _not_run(reason("no-such-stage-before"), "not run: unsafe" if unsafe else "not run")
    if b is None or b.ended == StageEnd.SKIPPED:
        return _not_run(reason("no-such-stage-after"))
    findings = list(_findings(before, after, a, b, changed))
    return StageComparison(
        comparable=not any(finding.forbids for finding in findings),
        why=tuple(finding.why for finding in findings),
        forbidden_by=tuple(finding.why for finding in findings if finding.forbids),
    )


def _not_run(why: Reason, before: str = "") -> StageComparison:
    return StageComparison(comparable=False, why=(why,), forbidden_by=(why,), before=before)


def _findings(before: Trace, after: Trace, a: StageSpan, b: StageSpan, changed: frozenset[str]) -> Iterable[_Finding]:
    yield from _recipe(before, after, a.name)
    yield from _ambient(before, after, a, b)
    if a.kind == "load":
        yield from _power(before, after, a, b)
        yield from _fans(before, after, a, b, changed)
    yield from _sensors(before, after, a, changed)
    yield from _facts(before, after)


def _recipe(before: Trace, after: Trace, stage: str) -> Iterable[_Finding]:
    digests = [trace.profile.recipe if trace.profile else None for trace in (before, after)]
    if None in digests:
        both = digests == [None, None]
        yield _Finding(reason("recipe-unknown-both" if both else "recipe-unknown-one"), not both)
    elif digests[0] != digests[1]:
        plans = [trace.profile.stage(stage) if trace.profile else None for trace in (before, after)]
        if plans[0] is None or plans[0] != plans[1]:
            yield _Finding(reason("recipe-differs"), True)


def _ambient(before: Trace, after: Trace, a: StageSpan, b: StageSpan) -> Iterable[_Finding]:
    ambients = ambient_of(before, a), ambient_of(after, b)
    if ambients[0] is None or ambients[1] is None:
        both = ambients == (None, None)
        yield _Finding(reason("room-not-measured-both" if both else "room-not-measured-one"), False)
        return
    difference_k = ambients[1].value_c - ambients[0].value_c
    if abs(difference_k) > CORRECTION_RANGE_K:
        yield _Finding(reason("rooms-too-far-apart", difference_k=abs(difference_k)), True)
    elif abs(difference_k) > _AMBIENT_K:
        corrected = reason("rooms-corrected", difference_k=abs(difference_k), reference_c=_reference_c(before, after))
        yield _Finding(corrected, False)


def _power(before: Trace, after: Trace, a: StageSpan, b: StageSpan) -> Iterable[_Finding]:
    for part in _heated(before, a):
        watts = [_stage_mean(trace, stage, part.power) for trace, stage in ((before, a), (after, b))]
        if watts[0] is None or watts[1] is None:
            both = watts == [None, None]
            yield _Finding(reason("power-not-readable-both" if both else "power-not-readable-one"), False)
            yield from _work_rate(before, after, a, b)
        elif abs(watts[1] - watts[0]) > _POWER_SHARE * max(abs(watts[0]), 1e-9):
            yield _Finding(reason("power-differs", before_w=watts[0], after_w=watts[1]), True)


def _heated(trace: Trace, stage: StageSpan) -> list[HeatSource]:
    """Return what the stage's load heats: the die where nothing tells."""
    heated = [part for part in PARTS if is_heated(trace, stage, part)]
    return heated or [DIE]


def _work_rate(before: Trace, after: Trace, a: StageSpan, b: StageSpan) -> Iterable[_Finding]:
    rates = [_stage_mean(trace, stage, "work_rate_per_s") for trace, stage in ((before, a), (after, b))]
    if rates[0] is not None and rates[1] is not None and abs(rates[1] - rates[0]) > _POWER_SHARE * abs(rates[0]):
        yield _Finding(reason("work-rate-differs", before=rates[0], after=rates[1]), True)


def _stage_mean(trace: Trace, stage: StageSpan, channel: str) -> float | None:
    _, values = stage_columns(trace, stage, channel)
    return float(np.mean(values)) if len(values) else None


def _fans(before: Trace, after: Trace, a: StageSpan, b: StageSpan, changed: frozenset[str]) -> Iterable[_Finding]:
    speeds = [name for name in before.columns if name.endswith("_fan_speed_rpm") and name in after.columns]
    for speed in speeds:
        if speed in changed or base_name(speed) in changed:
            continue
        ratio = _speed_ratio(before, after, a, b, speed)
        if ratio is not None and abs(ratio - 1) > _FAN_SHARE:
            yield _Finding(reason("fan-differs", channel=speed, ratio=ratio), True)


def _speed_ratio(before: Trace, after: Trace, a: StageSpan, b: StageSpan, speed: str) -> float | None:
    """Return the speed after over the speed before where both dies were equally hot; None where they never were.

    A card's fan is held against the card.
    """
    hot = CARD.temp if base_name(speed) == CARD.fan else DIE.temp
    found = []
    for trace, stage in ((before, a), (after, b)):
        span = trace.within(stage)
        if not trace.has(hot) or not trace.has(speed):
            return None
        temp, rpm = trace.usable(hot)[span], trace.usable(speed)[span]
        good = np.isfinite(temp) & np.isfinite(rpm)
        found.append((temp[good], rpm[good]))
    (temp_a, rpm_a), (temp_b, rpm_b) = found
    if len(temp_a) == 0 or len(temp_b) == 0:
        return None
    low, high = max(temp_a.min(), temp_b.min()), min(temp_a.max(), temp_b.max())
    if high - low < 0:
        return None
    middle = [
        rpm[(temp >= low - _SAME_TEMP_K) & (temp <= high + _SAME_TEMP_K)].mean()
        for temp, rpm in ((temp_a, rpm_a), (temp_b, rpm_b))
    ]
    return float(middle[1] / middle[0]) if middle[0] > 0 else None


def _sensors(before: Trace, after: Trace, a: StageSpan, changed: frozenset[str]) -> Iterable[_Finding]:
    heated = [part.temp for part in _heated(before, a)]
    for channel in before.columns:
        if is_temperature(channel) and channel not in changed and channel in after.columns:
            devices = [sensor_facts(trace, channel).device for trace in (before, after)]
            if all(devices) and devices[0] != devices[1]:
                yield _Finding(reason("other-sensor", channel=channel), channel in heated)
    gone = [c for c in before.columns if is_temperature(c) and before.has(c) and not after.has(c) and c not in changed]
    if gone:
        yield _Finding(reason("channels-only-before", channels=", ".join(gone)), False)


def _facts(before: Trace, after: Trace) -> Iterable[_Finding]:
    states = [trace.recorded.states for trace in (before, after)]
    for key in dict.fromkeys([*_STATES, *states[0], *states[1]]):
        yield from _known_and_different(key, states[0].get(key), states[1].get(key))
    yield from _known_and_different("power limit", *(_limit(trace) for trace in (before, after)))
    versions = [trace.recorded.analysis_version for trace in (before, after)]
    if all(versions) and versions[0] != versions[1]:
        yield _Finding(reason("analysis-versions-differ"), False)


def _known_and_different(key: str, before: Any, after: Any) -> Iterable[_Finding]:
    if before is None and after is None:
        if key in _STATES:
            yield _Finding(reason("state-unknown-both", state=key), False)
    elif before is None or after is None:
        yield _Finding(reason(f"state-unknown-{'before' if before is None else 'after'}", state=key), False)
    elif before != after:
        yield _Finding(reason("state-differs", state=key, before=str(before), after=str(after)), True)


def _limit(trace: Trace) -> float | None:
    if not trace.has("power_limit_w"):
        return None
    return float(np.nanmedian(trace.columns["power_limit_w"]))


def _reference_c(before: Trace, after: Trace) -> float:
    """Return the room to which temperatures of different rooms are corrected, °C: the newer profile's."""
    profile = after.profile or before.profile
    return profile.reference_ambient_c if profile else 25.0


def _reference_shifts(before: Trace, after: Trace, name: str) -> tuple[float, float] | None:
    """Return by how much each run's temperatures are corrected, K; None where the rooms were alike or unknown."""
    spans = before.stage(name), after.stage(name)
    if spans[0] is None or spans[1] is None:
        return None
    ambients = ambient_of(before, spans[0]), ambient_of(after, spans[1])
    if ambients[0] is None or ambients[1] is None or abs(ambients[1].value_c - ambients[0].value_c) <= _AMBIENT_K:
        return None
    reference_c = _reference_c(before, after)
    return reference_c - ambients[0].value_c, reference_c - ambients[1].value_c


def _differences(
    before: Trace,
    after: Trace,
    a: Mapping[str, Metric],
    b: Mapping[str, Metric],
    stage: str,
    moved: tuple[float, float] | None,
) -> dict[str, MetricDifference]:
    found = {}
    for name, metric in a.items():
        other = b.get(name)
        if name.split(".", 1)[0] != stage or other is None:
            continue
        if moved is not None and name.endswith((".settled", ".peak")):
            metric, other = _corrected(metric, moved[0]), _corrected(other, moved[1])
        found[name] = _difference(metric, other, same_sensors=_same_machine(before, after))
    return found


def _corrected(metric: Metric, shift_k: float) -> Metric:
    """Move a temperature to another room: fans on a curve and leakage make a tenth of the shift uncertain."""
    if not isinstance(metric.value, int | float):
        return metric
    line = Component(name=AMBIENT_CORRECTION, standard_uncertainty=0.1 * abs(shift_k))
    u95 = None if metric.u95 is None else math.hypot(metric.u95, 2 * line.standard_uncertainty)
    return replace(metric, value=metric.value + shift_k, u95=u95, budget=(*metric.budget, line))


def _same_machine(before: Trace, after: Trace) -> bool:
    devices = [sensor_facts(trace, "die_temp_c").device for trace in (before, after)]
    units = [trace.recorded.job or trace.recorded.unit or trace.recorded.machine for trace in (before, after)]
    return devices[0] == devices[1] and units[0] == units[1]


def _difference(before: Metric, after: Metric, *, same_sensors: bool) -> MetricDifference:
    a, b = (m.value if isinstance(m.value, int | float) else None for m in (before, after))
    difference = b - a if a is not None and b is not None else None
    u95 = None
    if difference is not None and before.u95 is not None and after.u95 is not None:
        if before.budget and after.budget:
            u95 = difference_u95(before.budget, after.budget, same_sensors=same_sensors)
        else:
            u95 = math.hypot(before.u95, after.u95)
    significant = abs(difference) > u95 if difference is not None and u95 is not None else None
    return MetricDifference(
        before=a, after=b, difference=difference, u95=u95, significant=significant, unit=before.unit
    )
