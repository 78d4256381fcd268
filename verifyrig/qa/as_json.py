"""The findings as the object that `verifyrig qa --json` prints."""

from __future__ import annotations

from datetime import UTC, datetime

from verifyrig.core.plain_json import plain_number
from verifyrig.qa.benches import BenchPlace
from verifyrig.qa.charting import BatchCharts
from verifyrig.qa.contract import (
    AttemptObject,
    BatchesObject,
    BenchPlaceObject,
    OrderObject,
    QaObject,
    TableMetric,
    UnitsMetric,
    YieldObject,
)
from verifyrig.qa.findings import QaFinding
from verifyrig.qa.metric_finding import MetricFinding
from verifyrig.qa.order import FALSE_ALARM, OrderChange
from verifyrig.qa.units import Attempt
from verifyrig.qa.yields import Yield
from verifyrig.runs.contract import Bounds

__all__ = ["as_json", "metric_json", "yield_json"]


def as_json(found: QaFinding) -> QaObject:
    """Return the contract's object without `schema`; NaN never appears."""
    return {
        "profile": found.profile.name,
        "units": len(found.unit_verdicts),
        "metrics": {name: _metric(metric) for name, metric in found.metrics.items()},
        "left_out": [{"run": item.run, "unit": item.unit, "why": item.why} for item in found.sorted.left_out],
        "verdict": found.verdict,
        "steady": found.steady,
        "false_alarm": FALSE_ALARM,
        "first_pass": yield_json(found.first_pass),
        "final": yield_json(found.final),
        "questions": [
            {"code": question.why.code, "runs": list(question.runs), "text": str(question.why)}
            for question in found.sorted.questions
        ],
        "attempts": [_attempt(attempt, found) for attempt in found.attempts],
        "shapes": [
            {"run": s.run, "unit": s.unit, "window": s.window, "ratio": plain_number(s.ratio), "what": s.what}
            for s in found.shapes
        ],
        "fingerprints": {run: [plain_number(step) for step in steps] for run, steps in found.fingerprints.items()},
        "usual_fingerprint": None
        if found.usual_fingerprint is None
        else [plain_number(s) for s in found.usual_fingerprint],
        "notes": list(found.notes),
        "simulated": any(attempt.run.simulated for attempt in found.attempts),
    }


def metric_json(metric: MetricFinding) -> TableMetric:
    """Return what is said of all units together; single units are in `UnitsMetric`."""
    bounds: Bounds = {}
    if metric.minimum is not None:
        bounds["min"] = metric.minimum
    if metric.maximum is not None:
        bounds["max"] = metric.maximum
    return {
        "n": metric.n,
        "unit": metric.unit,
        "mean": plain_number(metric.mean),
        "sd": plain_number(metric.sd),
        **bounds,
        "tolerance_low": plain_number(metric.tolerance_low),
        "tolerance_high": plain_number(metric.tolerance_high),
        "cpk": plain_number(metric.cpk),
        "cpk_low": plain_number(metric.cpk_low),
        "ppk": plain_number(metric.ppk),
        "ppk_low": plain_number(metric.ppk_low),
        "steady": metric.steady,
        "order": [_order(change) for change in metric.order],
        "verdict": metric.verdict,
        "notes": list(metric.notes),
    }


def _metric(metric: MetricFinding) -> UnitsMetric:
    return {
        **metric_json(metric),
        "benches": {place.bench: _place(place) for place in metric.places},
        "components": [
            {"name": c.name, "sd": plain_number(c.sd), "share": plain_number(c.share), "dof": c.dof}
            for c in metric.components
        ],
        "outliers": list(metric.outliers),
        "signals": [{"run": s.run, "rule": s.rule, "why": s.why} for s in metric.signals],
        "batches": None if metric.batches is None else _batches(metric.batches),
    }


def _place(place: BenchPlace) -> BenchPlaceObject:
    return {
        "n": place.n,
        "mean": plain_number(place.mean),
        "difference": plain_number(place.difference),
        "low": plain_number(place.low),
        "high": plain_number(place.high),
        "apart": place.apart,
    }


def yield_json(share: Yield) -> YieldObject:
    """Return a yield with its interval."""
    return {
        "passed": share.passed,
        "of": share.of,
        "share": plain_number(share.share),
        "low": plain_number(share.low),
        "high": plain_number(share.high),
    }


def _order(change: OrderChange) -> OrderObject:
    return {
        "pattern": change.pattern,
        "p": plain_number(change.p_value),
        "change": plain_number(change.change),
        "run": change.run,
        "batch": change.batch,
        "text": str(change.why),
    }


def _batches(batches: BatchCharts) -> BatchesObject:
    chart = batches.chart
    return {
        "by": batches.by,
        "size": batches.size,
        "means": {name: plain_number(float(mean)) for name, mean in zip(batches.names, chart.points, strict=True)},
        "low": plain_number(chart.low),
        "high": plain_number(chart.high),
        "signals": [{"batch": name, "rule": rule, "why": why} for name, rule, why in batches.signals],
    }


def _attempt(attempt: Attempt, found: QaFinding) -> AttemptObject:
    run = attempt.run
    return {
        "unit": run.unit,
        "run": run.run,
        "batch": run.batch,
        "bench": run.bench,
        "operator": run.operator,
        "rework": run.rework,
        "attempt": attempt.number,
        "of": attempt.of,
        "counted": attempt.counted,
        "started": datetime.fromtimestamp(run.started_utc_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "outcome": run.outcome,
        "verdict": found.run_verdicts[run.run],
    }
