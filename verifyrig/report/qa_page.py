"""The page of QA: units against limits, a strip for each metric, what stands out, what was left out. In English."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from verifyrig.core.outcome import Outcome
from verifyrig.metrology.verdict import Verdict, plain_word
from verifyrig.qa import Attempt, MetricFinding, QaFinding, judge_figure
from verifyrig.qa.comparing import BuildsCompared, interval_words
from verifyrig.qa.golden_charts import GoldenChart
from verifyrig.qa.text import bench_words, limit_words, standing_out, verdict_words, yield_words
from verifyrig.report.golden_strips import golden_strip
from verifyrig.report.inputs import Settings, Shop
from verifyrig.report.names import SHAPES
from verifyrig.report.qa_strips import bench_marks, metric_strip
from verifyrig.report.render import rendered
from verifyrig.report.wording import words_for

__all__ = ["qa_page"]

# A page that lists more is read by nobody; the CSV holds them all.
_MOST_UNITS = 200
# A bench is held against itself, and not against a limit.
_BENCH_WORDS = {
    Verdict.PASS: "unchanged",
    Verdict.CONDITIONAL_PASS: "unchanged so far",
    Verdict.CONDITIONAL_FAIL: "in doubt",
    Verdict.FAIL: "changed",
    Verdict.NOT_MEASURED: "not known",
}
_TONES = {Verdict.PASS: "proven", Verdict.FAIL: "fault"}


class FigureCell(NamedTuple):
    """A figure with the mark of its verdict."""

    shape: str
    word: str


class AttemptLine(NamedTuple):
    """One attempt as the table shows it."""

    unit: str
    attempt: str
    figures: list[FigureCell]
    outcome: str
    verdict: FigureCell


def qa_page(
    found: QaFinding,
    shop: Shop,
    settings: Settings,
    now_utc: float,
    compared: BuildsCompared | None = None,
    golden: Sequence[GoldenChart] = (),
) -> str:
    """Return the page as HTML text; the same findings and time give the same bytes.

    Args:
        golden: What the benches show of their golden units.
    """
    words = words_for("en", "°C")
    limited = [metric for metric in found.metrics.values() if metric.has_limit]
    attempts = _listed(found)
    values = {
        "title": f"QA of {found.profile.title or found.profile.name}",
        "issued": words.date(now_utc),
        "shop": shop,
        "simulated": any(attempt.run.simulated for attempt in found.attempts),
        "count": len(found.unit_verdicts),
        "profile": found.profile.name,
        "finding": {
            "word": plain_word(found.verdict).capitalize(),
            "shape": SHAPES[str(found.verdict)],
            "tone": _TONES.get(found.verdict, "open"),
            "text": verdict_words(found),
        },
        "limits": [limit_words(metric) for metric in limited],
        "lines": [_line(attempt, limited, found) for attempt in attempts],
        "unlisted": len(found.attempts) - len(attempts),
        "metrics": [_metric(found, metric, at) for at, metric in enumerate(found.metrics.values())],
        "changed": found.changed,
        "bench_marks": bench_marks(found.sorted.counted),
        "golden": [_golden(one, at) for at, one in enumerate(_by_metric(golden))],
        "yields": (yield_words(found.first_pass), yield_words(found.final)),
        "odd": standing_out(found),
        "left_out": [(item.unit, item.run, item.why) for item in found.sorted.left_out],
        "notes": found.notes,
        "compared": compared,
        "interval_words": interval_words,
    }
    return rendered("qa.html.j2", values, words, settings.paper, settings.templates_dir)


def _listed(found: QaFinding) -> Sequence[Attempt]:
    """Return the attempts to list: all, or of very many those that do not pass and some others."""
    if len(found.attempts) <= _MOST_UNITS:
        return found.attempts
    failing = [a for a in found.attempts if found.run_verdicts[a.run.run] is not Verdict.PASS]
    chosen = {a.run.run for a in [*failing, *found.attempts][:_MOST_UNITS]}
    return [attempt for attempt in found.attempts if attempt.run.run in chosen]


def _line(attempt: Attempt, limited: Sequence[MetricFinding], found: QaFinding) -> AttemptLine:
    run = attempt.run
    return AttemptLine(
        unit=run.unit,
        attempt=f"{attempt.number} of {attempt.of}" if attempt.of > 1 else "",
        figures=[_cell(attempt, metric) for metric in limited],
        outcome="" if run.outcome == Outcome.COMPLETED else run.outcome,
        verdict=_verdict(found.run_verdicts[run.run]),
    )


def _cell(attempt: Attempt, metric: MetricFinding) -> FigureCell:
    figure = attempt.run.metrics.get(metric.metric)
    verdict = judge_figure(figure, metric.minimum, metric.maximum)
    if figure is None or figure.value is None:
        return FigureCell(SHAPES[str(verdict)], "not measured")
    spread = "" if not figure.u95 else f" ± {figure.u95:.2g}"
    return FigureCell(SHAPES[str(verdict)], f"{figure.value:.4g}{spread}")


def _verdict(verdict: Verdict) -> FigureCell:
    return FigureCell(SHAPES[str(verdict)], plain_word(verdict))


def _metric(found: QaFinding, metric: MetricFinding, at: int) -> Mapping[str, Any]:
    from markupsafe import Markup

    return {
        "name": metric.metric,
        "verdict": _verdict(metric.verdict) if metric.has_limit else None,
        "picture": Markup(metric_strip(found, metric, f"strip-{at}")),
        "said": _said(metric),
        "notes": [note[0].upper() + note[1:] for note in (*metric.notes_beside_limits, *bench_words(metric))],
    }


def _by_metric(golden: Sequence[GoldenChart]) -> list[GoldenChart]:
    """Return the charts with all benches of one metric below one another."""
    metrics = list(dict.fromkeys(one.metric for one in golden))
    return sorted(golden, key=lambda one: metrics.index(one.metric))


def _golden(one: GoldenChart, at: int) -> Mapping[str, Any]:
    from markupsafe import Markup

    return {
        "name": f"{one.unit}: {one.metric}",
        "verdict": FigureCell(SHAPES[str(one.verdict)], _BENCH_WORDS[one.verdict]),
        "picture": Markup(golden_strip(one, f"golden-{at}")),
        "said": f"{one.why[0].upper()}{one.why[1:]}.",
    }


def _said(metric: MetricFinding) -> str:
    if metric.mean is None:
        return "No unit was measured."
    unit = "" if metric.unit in ("", "1") else f" {metric.unit}"
    parts = [f"{metric.n} units, mean {metric.mean:.4g}{unit}"]
    parts += [] if metric.sd is None else [f"standard deviation {metric.sd:.3g}{unit}"]
    low, high = metric.tolerance_low, metric.tolerance_high
    if low is not None and high is not None:
        parts.append(f"95 % of all units from {low:.4g} to {high:.4g}{unit}")
    elif low is not None or high is not None:
        parts.append(f"95 % of all units {'above' if high is None else 'below'} {(high or low):.4g}{unit}")
    if metric.ppk is not None and metric.ppk_low is not None:
        parts.append(f"Ppk {metric.ppk:.2f}, at least {metric.ppk_low:.2f}")
    if metric.cpk is not None:
        parts.append(f"Cpk {metric.cpk:.2f}")
    return ", ".join(parts) + "."
