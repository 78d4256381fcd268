"""Thresholds of the profile against the metrics of a run: nothing unsettled or partly missing ever passes."""

from __future__ import annotations

from collections.abc import Mapping

from verifyrig.analysis.climb_end import climb_end
from verifyrig.analysis.contradictions import Contradiction, contradictions_in
from verifyrig.analysis.results import Metric, ThresholdResult
from verifyrig.analysis.settled import settled_value
from verifyrig.analysis.signals import missing_share
from verifyrig.core.heat_sources import PARTS
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind, Threshold
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import StageSpan, Trace
from verifyrig.metrology.run_verdict import figure_verdict, leans_to_pass, without_pass
from verifyrig.metrology.verdict import Verdict

__all__ = ["judge_thresholds"]

# Common practice, no source: more than one reading in twenty absent is no longer one measured stage.
_MISSING_SHARE_ALLOWED = 0.05
_ENDED_EARLY: dict[str | None, Reason] = {
    None: reason("stage-open"),
    StageEnd.GATE: reason("stage-gate"),
    StageEnd.TRIPPED: reason("stage-tripped"),
    StageEnd.SKIPPED: reason("stage-skipped"),
    StageEnd.STOPPED: reason("stage-stopped"),
    StageEnd.INTERRUPTED: reason("stage-interrupted"),
}


def judge_thresholds(trace: Trace, metrics: Mapping[str, Metric]) -> list[ThresholdResult]:
    """Return the profile's thresholds judged, in their order; none for a record without a profile."""
    if trace.profile is None:
        return []
    doubts = _StageDoubts(trace)
    return [_judge_one(doubts, metrics, threshold) for threshold in trace.profile.thresholds]


class _StageDoubts:
    """What speaks against all figures of a stage alike, found once: many limits may ask for the same one."""

    def __init__(self, trace: Trace) -> None:
        self.trace = trace
        self._unsettled: dict[str, tuple[Reason, ...]] = {}
        self._contradictions: dict[str, tuple[Contradiction, ...]] = {}

    def unsettled(self, stage: StageSpan) -> tuple[Reason, ...]:
        """Return why the stage counts as not settled; none where it settled, or its plan asks for nothing."""
        if stage.name not in self._unsettled:
            self._unsettled[stage.name] = _unsettled(self.trace, stage)
        return self._unsettled[stage.name]

    def is_below_full(self, name: str) -> bool:
        """Return whether the metric is of a load that climbed and did not come to its full share."""
        stage = _stage_of(self.trace, name)
        end = climb_end(self.trace, stage) if stage is not None and stage.ended != StageEnd.SKIPPED else None
        return end is not None and not end.reached

    def contradictions(self, stage: StageSpan) -> tuple[Contradiction, ...]:
        """Return which of the stage's readings contradict each other."""
        if stage.name not in self._contradictions:
            self._contradictions[stage.name] = contradictions_in(self.trace.without_dips(), stage)
        return self._contradictions[stage.name]


def _judge_one(doubts: _StageDoubts, metrics: Mapping[str, Metric], threshold: Threshold) -> ThresholdResult:
    trace = doubts.trace
    metric = metrics.get(threshold.metric)
    value = metric.value if metric is not None and isinstance(metric.value, int | float) else None
    u95 = metric.u95 if metric is not None else None
    verdict = figure_verdict(value, u95, minimum=threshold.minimum, maximum=threshold.maximum)
    why = _why_no_figure(trace, metric, threshold.metric) if verdict is Verdict.NOT_MEASURED else ()
    if verdict not in (Verdict.FAIL, Verdict.NOT_MEASURED) and doubts.is_below_full(threshold.metric):
        # What is not certain of full share, which the machine did not come to, is not known.
        verdict, why = Verdict.NOT_MEASURED, (reason("climb-below-full"),)
    elif leans_to_pass(verdict):
        why = _why_no_pass(doubts, threshold.metric, metric)
        verdict = without_pass(verdict) if why else verdict
    return ThresholdResult(
        metric=threshold.metric,
        minimum=threshold.minimum,
        maximum=threshold.maximum,
        value=value,
        u95=u95,
        verdict=verdict,
        why=why,
    )


def _why_no_figure(trace: Trace, metric: Metric | None, name: str) -> tuple[Reason, ...]:
    if metric is not None:
        return metric.why or (reason("uncertainty-unknown"),)
    stage = _stage_of(trace, name)
    if stage is None:
        return (reason("stage-never-ran"),)
    return (_ENDED_EARLY.get(stage.ended) or reason("no-such-reading"),)


def _stage_of(trace: Trace, name: str) -> StageSpan | None:
    return trace.stage(name.partition(".")[0])


def _why_no_pass(doubts: _StageDoubts, name: str, metric: Metric | None) -> tuple[Reason, ...]:
    """Return why this figure may not pass however good it looks; none where it may."""
    trace = doubts.trace
    stage = _stage_of(trace, name)
    if stage is None:
        return (reason("stage-never-ran"),)
    if stage.ended in _ENDED_EARLY:
        return (_ENDED_EARLY[stage.ended],)
    if metric is not None and metric.settled is False:
        return (reason("not-settled"),)
    return doubts.unsettled(stage) or _partly_missing(trace, stage, name) or _contradicted(doubts, stage, name)


def _unsettled(trace: Trace, stage: StageSpan) -> tuple[Reason, ...]:
    planned = trace.profile.stage(stage.name) if trace.profile else None
    if stage.ended == StageEnd.SETTLED or planned is None or planned.settle is None:
        return ()
    settled = settled_value(trace, stage, planned.settle.channel)
    if isinstance(settled, Reason):
        return (reason("not-settled-since", why=(settled,)),)
    return () if settled.known else (reason("not-settled"),)


def _partly_missing(trace: Trace, stage: StageSpan, name: str) -> tuple[Reason, ...]:
    for channel in _channels_behind(trace, name):
        share = missing_share(trace, stage, channel)
        if share > _MISSING_SHARE_ALLOWED:
            return (reason("partly-missing", channel=channel, share=share),)
    return ()


def _contradicted(doubts: _StageDoubts, stage: StageSpan, name: str) -> tuple[Reason, ...]:
    """Under load a reading that another one contradicts passes nothing: one of them is wrong, by an unknown amount.

    Idle dies read a few kelvin too little by nature (kernel document "hwmon/coretemp": the register counts down from
    the limit), and no limit lies near there.
    """
    if stage.kind != StageKind.LOAD:
        return ()
    behind = set(_channels_behind(doubts.trace, name))
    found = [one for one in doubts.contradictions(stage) if {one.colder, one.warmer} & behind]
    return (reason("contradicted", why=tuple(one.why for one in found)),) if found else ()


def _channels_behind(trace: Trace, name: str) -> list[str]:
    """Return the recorded channels that a figure is computed from, by its name with the stage in front."""
    metric = name.partition(".")[2]
    channel = metric.partition(".")[0]
    if channel in trace.columns:
        return [channel]
    for part in PARTS:
        if metric.startswith(f"{part.prefix}thermal_"):
            return [name for name in (part.temp, part.power) if name in trace.columns]
    if metric == "throttle_share":
        return [name for name in ("throttle_count", "gpu_heat_limited_share") if name in trace.columns]
    return []
