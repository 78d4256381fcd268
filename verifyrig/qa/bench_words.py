"""What is found of the bench itself, as JSON and as lines for a terminal."""

from __future__ import annotations

from verifyrig.capability import GaugeStudy, Unanswered
from verifyrig.core.plain_json import plain_number
from verifyrig.core.plain_text import plain_line
from verifyrig.metrology.verdict import Verdict, plain_word, shape
from verifyrig.qa.bench_check import BenchCheck, gauge_verdict
from verifyrig.qa.contract import BenchCheckObject, GaugeObject, GoldenObject
from verifyrig.qa.golden_charts import FALSE_ALARM, GoldenChart

__all__ = ["check_json", "check_lines"]


def check_json(found: BenchCheck) -> BenchCheckObject:
    """Return the object that `verifyrig rig-check --json` prints, without `schema`."""
    return {
        "golden": [_chart_json(chart) for chart in found.golden],
        "false_alarm": FALSE_ALARM,
        "gauge": {name: _study_json(study) for name, study in found.gauge.items()},
        "overdue": list(found.overdue),
        "matches": dict(found.matches),
        "left_out": [{"run": item.run, "unit": item.unit, "why": item.why} for item in found.left_out],
        "verdict": found.verdict,
        "notes": list(found.notes),
    }


def _chart_json(golden: GoldenChart) -> GoldenObject:
    chart = None if isinstance(golden.chart, Unanswered) else golden.chart
    trend = None if isinstance(golden.trend, Unanswered) else golden.trend
    return {
        "unit": golden.unit,
        "metric": golden.metric,
        "n": len(golden.runs),
        "centre": plain_number(chart.centre if chart else None),
        "low": plain_number(chart.low if chart else None),
        "high": plain_number(chart.high if chart else None),
        "last": plain_number(float(chart.points[-1]) if chart else None),
        "signals": [{"run": golden.runs[s.at], "rule": s.rule, "why": s.why} for s in (chart.signals if chart else ())],
        "trend_per_day": plain_number(trend.slope if trend else None),
        "trend_significant": golden.creeps if trend else None,
        "verdict": golden.verdict,
        "why": golden.why,
    }


def _study_json(study: GaugeStudy | Unanswered) -> GaugeObject:
    if isinstance(study, Unanswered):
        return {"fitness": None, "note": str(study.why)}
    return {
        "factor": study.factor,
        "repeat_sd": plain_number(study.repeat_sd),
        "factor_sd": plain_number(study.factor_sd),
        "gauge_sd": plain_number(study.gauge_sd),
        "unit_sd": plain_number(study.unit_sd),
        "study_share": plain_number(study.study_share),
        "tolerance_share": plain_number(study.tolerance_share),
        "distinct_categories": study.distinct_categories,
        "fitness": study.fitness,
    }


def check_lines(found: BenchCheck) -> list[str]:
    """Return the answer as lines for a terminal."""
    lines = ["The bench itself"]
    for chart in found.golden:
        lines.append(f"  {shape(chart.verdict)} golden {plain_line(chart.unit, 24)}, {chart.metric}: {chart.why}")
    for name, study in found.gauge.items():
        lines.append(f"  {shape(gauge_verdict(study))} gauge, {name}: {_study_words(study)}")
    lines += [f"  {shape(Verdict.CONDITIONAL_FAIL)} {plain_line(text)}" for text in found.overdue]
    lines += [f"  match {plain_line(name)}: {plain_line(text)}" for name, text in found.matches.items()]
    lines += [f"  left out {plain_line(item.unit, 24)} ({item.run}): {plain_line(item.why)}" for item in found.left_out]
    lines += [f"Note: {note}." for note in found.notes]
    return [*lines, "", f"{shape(found.verdict)} {plain_word(found.verdict).capitalize()}."]


def _study_words(study: GaugeStudy | Unanswered) -> str:
    if isinstance(study, Unanswered):
        return str(study.why)
    share = study.study_share if study.tolerance_share is None else study.tolerance_share
    whole = "of what the study saw" if study.tolerance_share is None else "of the tolerance"
    return (
        f"{share:.0%} {whole} comes from measuring ({study.fitness}); {study.factor} {study.factor_sd:.2g}, "
        f"repeats {study.repeat_sd:.2g}, units {study.unit_sd:.2g}; separates {study.distinct_categories} groups"
    )
