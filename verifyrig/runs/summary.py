"""The object that `run`, `import` and `metrics` print, the exit code it means, and the sentences a person reads."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from verifyrig.analysis import Contradiction, Metric, ThresholdResult, contradictions_of, judge_thresholds, metrics_of
from verifyrig.analysis.climb_end import ClimbEnd, climb_end
from verifyrig.analysis.exposure import exposure_of
from verifyrig.analysis.regulator_probe import probe_advice
from verifyrig.core.channels import THERMAL_PATH
from verifyrig.core.errors import ExitCode
from verifyrig.core.integrity import Integrity
from verifyrig.core.outcome import CauseClass, Outcome, StageEnd
from verifyrig.core.plain_json import plain_number
from verifyrig.core.profile import Purpose, StageKind
from verifyrig.core.reason import reason, sentence
from verifyrig.core.reason_texts import TEXTS
from verifyrig.core.trace import StageSpan, Trace
from verifyrig.metrology.run_verdict import proven, run_verdict
from verifyrig.metrology.verdict import Verdict, plain_word, shape
from verifyrig.runs.contract import (
    BoundsAndNote,
    BudgetLine,
    ClimbObject,
    ContradictionObject,
    ExposureObject,
    MetricObject,
    RunObject,
    StageObject,
    ThresholdObject,
)

__all__ = ["budget_of", "exit_code_of", "judged_limits", "sentences_of", "summary_of", "verdict_of"]


def summary_of(
    trace: Trace,
    record_path: str,
    metrics: Mapping[str, Metric] | None = None,
    *,
    limits: Sequence[ThresholdResult] | None = None,
    integrity: Integrity = Integrity.SEALED,
) -> RunObject:
    """Return the contract's object without `schema`.

    Args:
        record_path: Where the record lies, as it shall be printed.
        metrics: The run's metrics, where they are computed already.
        limits: What `judged_limits` gave, where it is known already.
        integrity: What the record behind the trace is good for. Only a sealed one can pass; what a broken one fails
            is no finding either.
    """
    facts = trace.recorded
    found = metrics_of(trace) if metrics is None else metrics
    thresholds = judged_limits(trace, found, integrity) if limits is None else limits
    outcome = facts.outcome or Outcome.INTERRUPTED
    return {
        "run": trace.run_id,
        "record": record_path,
        "profile": trace.profile.name if trace.profile else None,
        "recipe": trace.profile.recipe if trace.profile else None,
        "purpose": facts.purpose or Purpose.CHECK,
        "job": facts.job,
        "unit": facts.unit,
        "simulated": facts.simulated,
        "outcome": outcome,
        "cause": facts.cause,
        "trip": facts.trip,
        "not_armed": list(facts.not_armed),
        "not_watched": list(facts.not_watched),
        "advice": [] if (advice := probe_advice(trace)) is None else [str(advice)],
        "climbs": [_climb(stage, end) for stage in trace.stages if (end := climb_end(trace, stage)) is not None],
        "exposure": exposure_object(trace),
        "stages": [_stage(stage) for stage in trace.stages],
        "metrics": {name: _metric(metric) for name, metric in found.items()},
        "thresholds": [_threshold(result) for result in thresholds],
        "verdict": verdict_of(trace, thresholds, integrity),
        "integrity": integrity,
        "contradictions": [_contradiction(one) for one in contradictions_of(trace)],
    }


def exposure_object(trace: Trace) -> ExposureObject:
    """Return what the run asked of the machine, as the contract has it."""
    asked = exposure_of(trace)
    return {
        "near_limit_s": plain_number(asked.near_limit_s),
        "degree_minutes": plain_number(asked.degree_minutes),
        "energy_j": plain_number(asked.energy_j),
    }


def _climb(stage: StageSpan, end: ClimbEnd) -> ClimbObject:
    return {
        "stage": stage.name,
        "share": plain_number(end.share),
        "full_share": plain_number(end.full_share),
        "reached": end.reached,
        "channel": end.channel or None,
        "full_c": None if end.reached else plain_number(end.full_c),
        "full_u95_k": None if end.reached else plain_number(end.full_u95_k),
        "why": str(end.why) if end.why is not None else None,
    }


def verdict_of(trace: Trace, limits: Iterable[ThresholdResult], integrity: Integrity) -> Verdict:
    """Return the verdict on the whole run, as far as the record behind it can bear."""
    outcome = trace.recorded.outcome or Outcome.INTERRUPTED
    return run_verdict(
        (limit.verdict for limit in limits), outcome=outcome, lost_power=trace.lost_power, integrity=integrity
    )


def judged_limits(trace: Trace, metrics: Mapping[str, Metric], integrity: Integrity) -> list[ThresholdResult]:
    """Return the limits of the run's profile, judged as far as the record behind it can bear."""
    return [_as_far_as_proven(one, integrity) for one in judge_thresholds(trace, metrics)]


_NO_PROOF = {
    Integrity.ALTERED: reason("record-altered"),
    Integrity.DAMAGED: reason("record-damaged"),
    Integrity.UNSEALED: reason("record-unsealed"),
    Integrity.RECORDING: reason("run-not-over"),
}


def _as_far_as_proven(result: ThresholdResult, integrity: Integrity) -> ThresholdResult:
    verdict = proven(result.verdict, integrity)
    return result if verdict is result.verdict else replace(result, verdict=verdict, why=(_NO_PROOF[integrity],))


def _stage(stage: StageSpan) -> StageObject:
    return {
        "name": stage.name,
        "kind": StageKind(stage.kind),
        "start_s": plain_number(stage.start_s),
        "end_s": plain_number(stage.end_s),
        "ended": None if stage.ended is None else StageEnd(stage.ended),
    }


def _metric(metric: Metric) -> MetricObject:
    value = [plain_number(v) for v in metric.value] if isinstance(metric.value, tuple) else plain_number(metric.value)
    found: MetricObject = {"value": value, "unit": metric.unit, "u95": plain_number(metric.u95)}
    if metric.note or value is None:
        found["note"] = metric.note or "not measured"
    if metric.settled is not None:
        found["settled"] = metric.settled
    return found


def _threshold(result: ThresholdResult) -> ThresholdObject:
    found: ThresholdObject = {
        "metric": result.metric,
        **_bounds(result),
        "value": plain_number(result.value),
        "u95": plain_number(result.u95),
        "verdict": result.verdict,
    }
    if result.why:
        found["note"] = sentence(result.why)
    return found


def _contradiction(found: Contradiction) -> ContradictionObject:
    return {
        "stage": found.stage,
        "colder": found.colder,
        "warmer": found.warmer,
        "difference_k": plain_number(found.by_k),
        "u95_k": plain_number(found.u95_k),
        "text": str(found.why),
    }


def _bounds(result: ThresholdResult) -> BoundsAndNote:
    found: BoundsAndNote = {}
    if result.minimum is not None:
        found["min"] = result.minimum
    if result.maximum is not None:
        found["max"] = result.maximum
    return found


def budget_of(metrics: Mapping[str, Metric]) -> dict[str, list[BudgetLine]]:
    """Return the uncertainty budgets by metric, for `metrics --budget`."""
    return {
        name: [
            {
                "name": line.name,
                "standard_uncertainty": plain_number(line.standard_uncertainty),
                "sensitivity": plain_number(line.sensitivity),
                "contribution": plain_number(line.contribution),
                "dof": plain_number(line.dof),
                "rectangular": line.rectangular,
            }
            for line in metric.budget
        ]
        for name, metric in metrics.items()
        if metric.budget
    }


def exit_code_of(summary: RunObject) -> ExitCode:
    """Return the exit code that the outcome and the verdict mean for `run`: the first that applies."""
    cause = summary["cause"]
    if (
        summary["outcome"] == Outcome.INTERRUPTED
        and cause is not None
        and cause.get("class")
        in (
            CauseClass.OPERATOR,
            CauseClass.TERMINATED,
            CauseClass.KILLED,
        )
    ):
        return ExitCode.ENDED
    if summary["outcome"] in (Outcome.TRIPPED, Outcome.STOPPED):
        return ExitCode.TRIPPED
    if summary["verdict"] == Verdict.FAIL:
        return ExitCode.FAILED
    return ExitCode.DONE if summary["verdict"] == Verdict.PASS else ExitCode.NOT_PROVEN


_OUTCOME = {
    Outcome.RUNNING: "The run is not over.",
    Outcome.COMPLETED: "The run went through all its stages.",
    Outcome.TRIPPED: "A trip limit ended the load.",
    Outcome.STOPPED: "The run was stopped for safety.",
    Outcome.INTERRUPTED: "The run was interrupted before its end.",
}


def sentences_of(summary: RunObject) -> list[str]:
    """Return lines for a terminal: outcome, stages along the thermal path, thresholds, verdict."""
    title = f"Run {summary['run']}"
    if summary["simulated"]:
        title += " on simulated hardware"
    lines = [title, _outcome(summary)]
    for stage in summary["stages"]:
        lines += ["", *_stage_lines(stage, summary["metrics"])]
    if summary["thresholds"]:
        lines += ["", "Limits", *(_threshold_line(result) for result in summary["thresholds"])]
    if summary["contradictions"]:
        lines += ["", "Readings that cannot all be true"]
        lines += [f"  {one['stage']}: {one['text']}" for one in summary["contradictions"]]
    if summary["not_armed"]:
        lines += ["", "Not guarded, for want of a reading: " + ", ".join(map(str, summary["not_armed"])) + "."]
    lines += _climb_lines(summary)
    lines += [line for said in summary["advice"] for line in ("", f"{said[0].upper()}{said[1:]}.")]
    verdict = Verdict(summary["verdict"])
    return [*lines, "", f"{shape(verdict)} {plain_word(verdict).capitalize()}."]


def _climb_lines(summary: RunObject) -> list[str]:
    """Return how far the load climbed, and what nobody watched."""
    lines = []
    for end in summary["climbs"]:
        if not end["reached"]:
            full = "" if end["full_c"] is None else f" Full: {end['full_c']:.0f} ± {end['full_u95_k']:.0f} °C."
            lines.append(f"Stage {end['stage']} went up to {end['share']:.0%} of its load and no further.{full}")
    if summary["climbs"] and summary["not_watched"]:
        named = ", ".join(str(reason(f"part-{part}")) for part in summary["not_watched"] if f"part-{part}" in TEXTS)
        lines.append(f"Watched by no sensor: {named}.")
    return ["", *lines] if lines else []


def _outcome(summary: RunObject) -> str:
    text = _OUTCOME.get(summary["outcome"], str(summary["outcome"]))
    trip, cause = summary["trip"], summary["cause"]
    if trip:
        at = trip.get("t_s")
        at_s = f"{at:.1f}" if isinstance(at, int | float) else at
        if trip.get("value") is None:
            text += f" {trip.get('channel')} gave no reading to be believed for {trip.get('limit')} s, at {at_s} s."
        else:
            text += f" {trip.get('channel')} read {trip.get('value')}, limit {trip.get('limit')}, at {at_s} s."
    if cause:
        why = "; ".join(map(str, cause.get("why") or []))
        text += f" Cause: {cause.get('class')}{f' ({why})' if why else ''}."
    return text


# Figure, title, and whether it is left out where there is none: of several readings that a card may lack.
_FIGURES = (
    ("thermal_resistance", "die to room", False),
    ("package_power_w.mean", "power", False),
    ("gpu_temp_c.settled", "graphics card", False),
    ("gpu_hotspot_temp_c.above_chip", "hot spot above it", True),
    ("gpu_memory_temp_c.above_chip", "memory above it", True),
    ("gpu_thermal_resistance", "card to room", False),
    ("gpu_power_w.mean", "card power", False),
)


def _stage_lines(stage: StageObject, metrics: Mapping[str, MetricObject]) -> Sequence[str]:
    ended = stage["ended"] or "still open"
    start_s, end_s = stage["start_s"], stage["end_s"]
    length = "" if start_s is None or end_s is None else f", {end_s - start_s:.0f} s"
    lines = [f"{stage['name']} ({stage['kind']}{length}, ended: {ended})"]
    path = [(place, channel) for place, channels in THERMAL_PATH for channel in channels]
    above: tuple[str, float] | None = None
    for place, channel in path:
        metric = metrics.get(f"{stage['name']}.{channel}.settled")
        if metric is None:
            continue
        lines.append(f"  {place:<17}{_settled_text(metric, above)}")
        value = _number(metric)
        if value is not None:
            above = (place, value)
    for name, title, only_known in _FIGURES:
        metric = metrics.get(f"{stage['name']}.{name}")
        if metric is not None and not (only_known and metric["value"] is None):
            lines.append(f"  {title:<17}{_figure(metric)}")
    return lines


def _settled_text(metric: MetricObject, above: tuple[str, float] | None) -> str:
    text, value = _figure(metric), _number(metric)
    if above is not None and value is not None:
        text += f", {value - above[1]:+.1f} K to the {above[0]}"
    return text


def _number(metric: MetricObject) -> float | None:
    """Return the one value of a metric, None where it has none or several."""
    value = metric["value"]
    return None if isinstance(value, list) else value


def _figure(metric: MetricObject) -> str:
    if metric["value"] is None:
        return f"not measured: {metric.get('note', '')}"
    digits = 3 if metric["unit"] == "K/W" else 1
    spread = "uncertainty unknown" if metric["u95"] is None else f"± {metric['u95']:.{digits}f}"
    note = f" ({metric['note']})" if metric.get("note") else ""
    return f"{metric['value']:.{digits}f} {spread} {metric['unit']}{note}"


def _threshold_line(result: ThresholdObject) -> str:
    verdict = Verdict(result["verdict"])
    limits = [f"at least {result['min']:g}"] if "min" in result else []
    limits += [f"at most {result['max']:g}"] if "max" in result else []
    value = "no figure" if result["value"] is None else f"{result['value']:.4g}"
    spread = "" if result["u95"] is None else f" ± {result['u95']:.2g}"
    note = f" ({result['note']})" if result.get("note") else ""
    return f"  {shape(verdict)} {result['metric']}: {value}{spread}, {', '.join(limits)}: {plain_word(verdict)}{note}"
