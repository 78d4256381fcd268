"""The findings as plain lines for a terminal: units against limits, what they prove, what stands out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from verifyrig.core.outcome import Outcome
from verifyrig.core.plain_text import plain_line
from verifyrig.metrology.verdict import Verdict, plain_word, shape
from verifyrig.qa.findings import QaFinding
from verifyrig.qa.metric_finding import MetricFinding
from verifyrig.qa.shapes import Fingerprint
from verifyrig.qa.units import Attempt, UnitFigure, judge_figure
from verifyrig.qa.yields import Yield

__all__ = [
    "bench_words",
    "limit_words",
    "lines_of",
    "metric_lines",
    "standing_out",
    "table",
    "verdict_words",
    "yield_words",
]

_LONGEST_NAME = 24


def lines_of(found: QaFinding) -> list[str]:
    """Return the whole answer, one string a line."""
    simulated = ", simulated hardware" if any(attempt.run.simulated for attempt in found.attempts) else ""
    n = len(found.unit_verdicts)
    lines = [f"QA of {found.profile.name}: {n} {'unit' if n == 1 else 'units'}{simulated}", ""]
    lines += [*_changed(found), *_units(found), *metric_lines(found.metrics), *_outliers(found), *_batches(found)]
    lines += _left_out(found)
    lines += [f"Note: {note}." for note in found.notes]
    if any(attempt.number > 1 for attempt in found.attempts):
        lines.append(f"First pass {yield_words(found.first_pass)}, in the end {yield_words(found.final)}.")
    return [*lines, "", verdict_words(found), f"{shape(found.verdict)} {plain_word(found.verdict).capitalize()}."]


_SAID = {
    Verdict.CONDITIONAL_PASS: "No unit fails, but not everything is proven.",
    Verdict.CONDITIONAL_FAIL: "A figure lies over its limit, but within its uncertainty.",
    Verdict.FAIL: "At least one unit fails.",
    Verdict.NOT_MEASURED: "Something that has a limit was not measured.",
}


def yield_words(share: Yield) -> str:
    """Return a yield in words, with its interval."""
    return f"{share.passed} of {share.of} ({share.low:.0%} to {share.high:.0%} of all such units)"


def verdict_words(found: QaFinding) -> str:
    """Return what the verdict on the batch means: no more than its metrics prove."""
    if found.verdict is Verdict.CONDITIONAL_PASS and found.steady is False:
        return "No unit fails, but the units changed while they were measured, so nothing is claimed of others."
    if found.verdict is not Verdict.PASS:
        return _SAID[found.verdict]
    if found.proven_share is None:
        return "Every unit passes."
    return (
        f"Every unit passes, and the figures prove each limit of at least {math.floor(100 * found.proven_share)} % of "
        "all units like these, at 95 % confidence."
    )


def _changed(found: QaFinding) -> list[str]:
    lines = [f"  {name}: {words}." for name, words in found.changed]
    return ["Changed while the batch was measured", *lines, ""] if lines else []


def _units(found: QaFinding) -> list[str]:
    """One line for each attempt, one column for each limit."""
    limited = [metric for metric in found.metrics.values() if metric.has_limit]
    if not found.attempts:
        return []
    heads = ["unit", "attempt", *(f"[{at + 1}]" for at in range(len(limited))), "outcome", "unit's verdict"]
    rows = [_unit_row(attempt, limited, found) for attempt in found.attempts]
    legend = [f"[{at + 1}] {limit_words(metric)}" for at, metric in enumerate(limited)]
    return [*table([heads, *rows]), "", *legend, ""]


def _unit_row(attempt: Attempt, limited: Sequence[MetricFinding], found: QaFinding) -> list[str]:
    run = attempt.run
    verdict = found.run_verdicts[run.run]
    cells = [_cell(run.metrics.get(metric.metric), metric) for metric in limited]
    number = f"{attempt.number} of {attempt.of}" if attempt.of > 1 else ""
    return [
        plain_line(run.unit, _LONGEST_NAME),
        number,
        *cells,
        run.outcome if run.outcome != Outcome.COMPLETED else "",
        f"{shape(verdict)} {plain_word(verdict)}",
    ]


def _cell(figure: UnitFigure | None, metric: MetricFinding) -> str:
    mark = shape(judge_figure(figure, metric.minimum, metric.maximum))
    value = "none" if figure is None or figure.value is None else f"{figure.value:.4g}"
    return f"{mark} {value}"


def limit_words(metric: MetricFinding) -> str:
    """Return the metric with its limits in words."""
    limits = [] if metric.minimum is None else [f"at least {metric.minimum:g}"]
    limits += [] if metric.maximum is None else [f"at most {metric.maximum:g}"]
    unit = "" if metric.unit in ("", "1") else f" {metric.unit}"
    return f"{metric.metric}, {' and '.join(limits)}{unit}"


def metric_lines(metrics: Mapping[str, MetricFinding]) -> list[str]:
    """Return one line for each metric, and below them what a reader must know."""
    if not metrics:
        return []
    heads = ["metric", "n", "mean", "sd", "95 % of all units", "Ppk", "at least", "Cpk", ""]
    rows = [heads]
    notes = []
    for name, metric in metrics.items():
        mark = f"{shape(metric.verdict)} {plain_word(metric.verdict)}" if metric.has_limit else ""
        rows.append(
            [
                name,
                str(metric.n),
                _number(metric.mean),
                _number(metric.sd),
                _interval(metric),
                _number(metric.ppk, 3),
                _number(metric.ppk_low, 3),
                _number(metric.cpk, 3),
                mark,
            ]
        )
        above = {str(change.why) for change in metric.order}  # said once, at the head
        notes += [f"  {name}: {note}." for note in metric.notes_beside_limits if note not in above]
        notes += [f"  {name}: {words}." for words in bench_words(metric)]
    return [*table(rows), *notes, ""]


def bench_words(metric: MetricFinding) -> list[str]:
    """Return which benches lie apart from the others, and where the spread comes from, one clause each."""
    unit = "" if metric.unit in ("", "1") else f" {metric.unit}"
    words = [
        f"bench {plain_line(place.bench, _LONGEST_NAME)} lies {place.difference:+.3g}{unit} from the others "
        f"({place.low:+.3g} to {place.high:+.3g})"
        for place in metric.places
        if place.apart
    ]
    if metric.components:
        shares = ", ".join(f"{one.name} {one.sd:.2g}{unit} ({one.share:.0%})" for one in metric.components)
        words.append(f"spread by source: {shares}")
    return words


def _interval(metric: MetricFinding) -> str:
    low, high = metric.tolerance_low, metric.tolerance_high
    if low is None and high is None:
        return "not known"
    if low is None:
        return f"up to {high:.4g}"
    return f"from {low:.4g}" if high is None else f"{low:.4g} to {high:.4g}"


def _number(value: float | None, digits: int = 4) -> str:
    return "" if value is None else f"{value:.{digits}g}"


def standing_out(found: QaFinding) -> list[tuple[str, str, str]]:
    """Return unit, run and words for every run that stands out, in order of time; the fingerprint first."""
    oddities: dict[str, list[str]] = {}
    for one in found.shapes:
        oddities.setdefault(one.run, []).append(one.what)
    for run in dict.fromkeys(run for metric in found.metrics.values() for run in metric.outliers):
        names = [name for name, metric in found.metrics.items() if run in metric.outliers]
        oddities.setdefault(run, []).append("unlike the others in " + ", ".join(names))
    runs = [attempt.run for attempt in found.attempts if attempt.run.run in oddities]
    runs.sort(key=lambda run: (run.started_utc_s, run.run))
    return [(run.unit, run.run, "; ".join([*oddities[run.run], *_fingerprint(found, run.run)])) for run in runs]


def _fingerprint(found: QaFinding, run: str) -> list[str]:
    own, usual = found.fingerprints.get(run), found.usual_fingerprint
    if own is None or usual is None or math.isnan(own[0]):
        return []
    return [f"fingerprint {_steps(own)}, usual {_steps(usual)} K/W"]


def _steps(steps: Fingerprint) -> str:
    return " + ".join("?" if math.isnan(step) else f"{step:.3f}" for step in steps)


def _batches(found: QaFinding) -> list[str]:
    """One line for each batch that breaks a rule of the chart of batches."""
    lines = [
        f"  {plain_line(batch, _LONGEST_NAME)}: {name}, mean of {metric.batches.size} units: {why}"
        for name, metric in found.metrics.items()
        if metric.batches is not None
        for batch, _, why in metric.batches.signals
    ]
    return ["Batches that moved", *lines, ""] if lines else []


def _outliers(found: QaFinding) -> list[str]:
    lines = [f"  {plain_line(unit, _LONGEST_NAME)} ({run}): {what}" for unit, run, what in standing_out(found)]
    return ["Stands out", *lines, ""] if lines else []


def _left_out(found: QaFinding) -> list[str]:
    lines = [
        f"  {plain_line(item.unit, _LONGEST_NAME)} ({item.run}): {plain_line(item.why)}"
        for item in found.sorted.left_out
    ]
    return ["Left out", *lines, ""] if lines else []


def table(rows: Sequence[Sequence[str]]) -> list[str]:
    """Return rows as lines with aligned columns; columns that are empty in every row but the first are dropped."""
    columns = [at for at in range(len(rows[0])) if any(row[at] for row in rows[1:]) or len(rows) == 1]
    widths = [max(len(row[at]) for row in rows) for at in columns]
    return ["  ".join(row[at].ljust(width) for at, width in zip(columns, widths, strict=True)).rstrip() for row in rows]
