"""May two runs be compared, stage by stage; and the differences of their metrics where they may.

The limits are those of common practice (no source): mean power within 5 %, ambient within 3 K (else corrected for, and
said), fan speed at equal die temperature within 10 %.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, NamedTuple

import numpy as np

from verifyrig.analysis.ambient import ambient_of
from verifyrig.analysis.climb_end import at_full_share, climb_plan
from verifyrig.analysis.differences import (
    ALIKE_AMBIENT_K,
    compares_by_one_model,
    heated_parts,
    over_common_length,
    per_watt_differences,
    reference_c,
    stage_differences,
    stage_mean,
)
from verifyrig.analysis.machine_ranges import SOUND
from verifyrig.analysis.metrics import metrics_of
from verifyrig.analysis.results import Comparison, Metric, MetricDifference, StageComparison
from verifyrig.analysis.signals import sensor_facts
from verifyrig.analysis.temperatures import CORRECTION_RANGE_K
from verifyrig.core.channels import base_name, is_temperature
from verifyrig.core.heat_sources import CARD, DIE, HeatSource
from verifyrig.core.outcome import Outcome, StageEnd
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import StageSpan, Trace

__all__ = ["compare", "may_compare"]

_POWER_SHARE = 0.05
_FAN_SHARE = 0.10
# Less does not show in the figures as they are printed.
_WORTH_SAYING_K = 0.1
# Stages that end by their time differ by a sample or two.
_SAME_LENGTH_S = 5.0
_SAME_TEMP_K = 2.0
_STATES = ("panel", "position", "fans")


class _Finding(NamedTuple):
    """One condition: forbids the comparison, leaves only what is given per watt, or is only said."""

    why: Reason
    forbids: bool
    per_watt: bool = False


def compare(
    before: Trace,
    after: Trace,
    changed_parts: Iterable[str] = (),
    metrics: tuple[Mapping[str, Metric], Mapping[str, Metric]] | None = None,
) -> Comparison:
    """Return whether the two runs may be compared, stage by stage, and what differs.

    Args:
        changed_parts: Channels of the part recorded as changed: they are results, not conditions.
        metrics: Of both runs, where they are computed already.
    """
    both = (metrics_of(before), metrics_of(after)) if metrics is None else metrics
    stages = dict(_stages(before, after, changed_parts))
    before, after = before.without_dips(), after.without_dips()
    differences: dict[str, MetricDifference] = {}
    for name, judged in stages.items():
        if judged.comparable:
            differ = per_watt_differences if judged.per_watt else stage_differences
            differences.update(differ(before, after, *both, name))
    return Comparison(before=before.run_id, after=after.run_id, stages=stages, metrics=differences)


def may_compare(before: Trace, after: Trace, changed_parts: Iterable[str] = ()) -> bool:
    """Return whether any stage of the two runs is comparable, as `compare` judges it; no metrics are computed."""
    return any(stage.comparable for _, stage in _stages(before, after, changed_parts))


def _stages(before: Trace, after: Trace, changed_parts: Iterable[str]) -> Iterator[tuple[str, StageComparison]]:
    changed = frozenset(changed_parts)
    before, after = before.without_dips(), after.without_dips()
    for name in dict.fromkeys(stage.name for trace in (before, after) for stage in trace.stages):
        yield name, _compare_stage(before, after, name, changed)


def _compare_stage(before: Trace, after: Trace, name: str, changed: frozenset[str]) -> StageComparison:
    a, b = before.stage(name), after.stage(name)
    if a is None or a.ended == StageEnd.SKIPPED:
        # A stage that somebody left out on purpose says nothing of the machine.
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
        per_watt=any(finding.per_watt for finding in findings),
    )


def _not_run(why: Reason, before: str = "") -> StageComparison:
    return StageComparison(comparable=False, why=(why,), forbidden_by=(why,), before=before)


def _findings(before: Trace, after: Trace, a: StageSpan, b: StageSpan, changed: frozenset[str]) -> Iterable[_Finding]:
    yield from _recipe(before, after, a.name)
    yield from _length(a, b)
    yield from _ambient(before, after, a, b)
    if a.kind == "load":
        both = over_common_length(at_full_share(before, a), at_full_share(after, b))
        climb = climb_plan(before, a) is not None and climb_plan(after, b) is not None
        yield from _power(before, after, *both, climb=climb)
        yield from _fans(before, after, *both, changed)
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


def _length(a: StageSpan, b: StageSpan) -> Iterable[_Finding]:
    if a.end_s is None or b.end_s is None:
        return
    lengths_s = sorted((a.end_s - a.start_s, b.end_s - b.start_s))
    if lengths_s[1] - lengths_s[0] > _SAME_LENGTH_S:
        yield _Finding(reason("compared-over-common-length", length_s=lengths_s[0]), False)


def _ambient(before: Trace, after: Trace, a: StageSpan, b: StageSpan) -> Iterable[_Finding]:
    ambients = ambient_of(before, a), ambient_of(after, b)
    if ambients[0] is None or ambients[1] is None:
        both = ambients == (None, None)
        yield _Finding(reason("room-not-measured-both" if both else "room-not-measured-one"), False)
        if compares_by_one_model(before, after, a, b):
            yield _Finding(reason("told-from-both-runs"), False)
        return
    difference_k = ambients[1].value_c - ambients[0].value_c
    if abs(difference_k) > CORRECTION_RANGE_K:
        yield _Finding(reason("rooms-too-far-apart", difference_k=abs(difference_k)), True)
    elif abs(difference_k) > ALIKE_AMBIENT_K:
        corrected = reason("rooms-corrected", difference_k=abs(difference_k), reference_c=reference_c(before, after))
        yield _Finding(corrected, False)
    elif abs(difference_k) > _WORTH_SAYING_K:
        yield _Finding(reason("rooms-corrected-to-before", difference_k=abs(difference_k)), False)


def _power(before: Trace, after: Trace, a: StageSpan, b: StageSpan, *, climb: bool) -> Iterable[_Finding]:
    """A climb may end at a lesser share: what is given per watt tells of the machine all the same."""
    for part in heated_parts(before, a):
        watts = [stage_mean(trace, stage, part.power) for trace, stage in ((before, a), (after, b))]
        if watts[0] is None or watts[1] is None:
            both = watts == [None, None]
            yield _Finding(reason("power-not-readable-both" if both else "power-not-readable-one"), False)
            yield from _work_rate(before, after, a, b)
            continue
        at_equal_heat_w = _at_equal_heat(watts[1], before, after, a, b, part)
        if abs(at_equal_heat_w - watts[0]) > _POWER_SHARE * max(abs(watts[0]), 1e-9):
            code = "power-differs-per-watt" if climb else "power-differs"
            yield _Finding(reason(code, before_w=watts[0], after_w=watts[1]), not climb, climb)


def _at_equal_heat(after_w: float, before: Trace, after: Trace, a: StageSpan, b: StageSpan, part: HeatSource) -> float:
    """Return what the part would have drawn after, W, had it been as hot as before: a hotter die leaks more."""
    temps_c = stage_mean(before, a, part.temp), stage_mean(after, b, part.temp)
    if temps_c[0] is None or temps_c[1] is None:
        return after_w
    return after_w / (1.0 + SOUND["leakage_per_k"].middle * (temps_c[1] - temps_c[0]))


def _work_rate(before: Trace, after: Trace, a: StageSpan, b: StageSpan) -> Iterable[_Finding]:
    rates = [stage_mean(trace, stage, "work_rate_per_s") for trace, stage in ((before, a), (after, b))]
    if rates[0] is not None and rates[1] is not None and abs(rates[1] - rates[0]) > _POWER_SHARE * abs(rates[0]):
        yield _Finding(reason("work-rate-differs", before=rates[0], after=rates[1]), True)


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

    A card's fan belongs to the card.
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
    # Within a stage fans follow a die that grows hotter, so only readings of the same few degrees are alike.
    classes_a, classes_b = np.floor(temp_a / _SAME_TEMP_K), np.floor(temp_b / _SAME_TEMP_K)
    shared = np.intersect1d(classes_a, classes_b)
    if len(shared) == 0:
        return None
    weights = [min(np.count_nonzero(classes_a == k), np.count_nonzero(classes_b == k)) for k in shared]
    middle = [
        np.average([rpm[classes == k].mean() for k in shared], weights=weights)
        for rpm, classes in ((rpm_a, classes_a), (rpm_b, classes_b))
    ]
    return float(middle[1] / middle[0]) if middle[0] > 0 else None


def _sensors(before: Trace, after: Trace, a: StageSpan, changed: frozenset[str]) -> Iterable[_Finding]:
    heated = [part.temp for part in heated_parts(before, a)]
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
