"""The findings as the object that `verifyrig qa --json` prints."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any

from verifyrig.qa.charting import BatchCharts
from verifyrig.qa.findings import MetricFinding, QaFinding
from verifyrig.qa.units import Attempt

__all__ = ["as_json"]


def as_json(found: QaFinding) -> dict[str, Any]:
    """Return the contract's object without `schema`; NaN never appears."""
    return {
        "profile": found.profile.name,
        "units": len(found.unit_verdicts),
        "metrics": {name: _metric(metric) for name, metric in found.metrics.items()},
        "left_out": [{"run": item.run, "unit": item.unit, "why": item.why} for item in found.sorted.left_out],
        "verdict": str(found.verdict),
        "attempts": [_attempt(attempt, found) for attempt in found.attempts],
        "shapes": [
            {"run": s.run, "unit": s.unit, "window": s.window, "ratio": plain(s.ratio), "what": s.what}
            for s in found.shapes
        ],
        "fingerprints": {run: [plain(step) for step in steps] for run, steps in found.fingerprints.items()},
        "usual_fingerprint": None if found.usual_fingerprint is None else [plain(s) for s in found.usual_fingerprint],
        "notes": list(found.notes),
        "simulated": any(attempt.run.simulated for attempt in found.attempts),
    }


def _metric(metric: MetricFinding) -> dict[str, Any]:
    data: dict[str, Any] = {
        "n": metric.n,
        "unit": metric.unit,
        "mean": plain(metric.mean),
        "sd": plain(metric.sd),
    }
    if metric.minimum is not None:
        data["min"] = metric.minimum
    if metric.maximum is not None:
        data["max"] = metric.maximum
    return data | {
        "tolerance_low": plain(metric.tolerance_low),
        "tolerance_high": plain(metric.tolerance_high),
        "cpk": plain(metric.cpk),
        "cpk_low": plain(metric.cpk_low),
        "outliers": list(metric.outliers),
        "verdict": str(metric.verdict),
        "notes": list(metric.notes),
        "signals": [{"run": s.run, "rule": s.rule, "why": s.why} for s in metric.signals],
        "batches": None if metric.batches is None else _batches(metric.batches),
    }


def _batches(batches: BatchCharts) -> dict[str, Any]:
    chart = batches.chart
    return {
        "by": batches.by,
        "size": batches.size,
        "means": {name: plain(float(mean)) for name, mean in zip(batches.names, chart.points, strict=True)},
        "low": plain(chart.low),
        "high": plain(chart.high),
        "signals": [{"batch": name, "rule": rule, "why": why} for name, rule, why in batches.signals],
    }


def _attempt(attempt: Attempt, found: QaFinding) -> dict[str, Any]:
    run = attempt.run
    return {
        "unit": run.unit,
        "run": run.run,
        "batch": run.batch,
        "attempt": attempt.number,
        "of": attempt.of,
        "counted": attempt.counted,
        "started": datetime.fromtimestamp(run.started_utc_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "outcome": run.outcome,
        "verdict": str(found.run_verdicts[run.run]),
    }


def plain(value: float | None) -> float | None:
    """Return a number as JSON can hold it, to seven digits; None for what is no finite number."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.7g}")
