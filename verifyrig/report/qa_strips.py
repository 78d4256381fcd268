"""One strip for each metric of QA: a mark for each unit along the value, limits, and where 95 % of all units lie."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from verifyrig.core.plain_text import plain_line
from verifyrig.qa import MetricFinding, QaFinding
from verifyrig.qa.findings import values_of
from verifyrig.qa.units import UnitRun
from verifyrig.report import svg

__all__ = ["bench_marks", "metric_strip"]

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _FOOT = 720.0, 118.0, 16.0, 16.0, 30.0, 84.0
# Beyond this the marks lie on one another, and bars show more.
_MOST_MARKS = 400
_BINS = 60
_MOST_NAMES = 6
_BENCH_MARKS = ("ring", "square", "diamond", "hollow-triangle")


class _Point(NamedTuple):
    run: UnitRun
    value: float


def metric_strip(found: QaFinding, metric: MetricFinding, ident: str) -> str:
    """Return the picture as SVG; empty where nobody was measured."""
    runs = found.sorted.counted
    values, _ = values_of(runs, metric.metric, found.profile)
    points = [_Point(run, value) for run, value in zip(runs, values, strict=True) if value is not None]
    if not points:
        return ""
    x = _scale(metric, points)
    parts = [_axis(x, metric), _interval(x, metric), *_limits(x, metric)]
    parts += [_bars(x, points)] if len(points) > _MOST_MARKS else [_marks(x, points, metric)]
    parts += _names(x, points, metric)
    title = f"{metric.metric}, {len(points)} units"
    return svg.figure("".join(parts), _WIDTH, _HEIGHT, ident=ident, title=title, desc=_described(metric), css="strip")


def bench_marks(runs: Sequence[UnitRun]) -> dict[str, str]:
    """Return the mark of each bench, where there are several and a mark for each."""
    benches = sorted({run.bench for run in runs if run.bench is not None})
    return dict(zip(benches, _BENCH_MARKS, strict=False)) if 1 < len(benches) <= len(_BENCH_MARKS) else {}


def _scale(metric: MetricFinding, points: Sequence[_Point]) -> svg.Scale:
    ends = [point.value for point in points]
    extra = (metric.minimum, metric.maximum, metric.tolerance_low, metric.tolerance_high)
    ends += [value for value in extra if value is not None]
    low, high = min(ends), max(ends)
    padding = 0.04 * (high - low) or max(abs(high), 1.0) * 0.05
    return svg.Scale(low - padding, high + padding, _LEFT, _WIDTH - _RIGHT)


def _axis(x: svg.Scale, metric: MetricFinding) -> str:
    ticks = [tick for tick in svg.nice_ticks(x.low, x.high, 8) if x.low <= tick <= x.high]
    parts = [svg.line(_LEFT, _FOOT, _WIDTH - _RIGHT, _FOOT, stroke=svg.RULE)]
    for tick in ticks:
        parts.append(svg.line(x(tick), _FOOT, x(tick), _FOOT + 5, stroke=svg.RULE))
        parts.append(svg.text(f"{tick:g}", x(tick), _FOOT + 19, text_anchor="middle", fill=svg.MUTED))
    unit = "" if metric.unit in ("", "1") else metric.unit
    parts.append(svg.text(unit, _WIDTH - _RIGHT, _FOOT + 33, text_anchor="end", fill=svg.MUTED))
    return "".join(parts)


def _interval(x: svg.Scale, metric: MetricFinding) -> str:
    """The band in which 95 % of all units lie, open where it has one end only."""
    if metric.tolerance_low is None and metric.tolerance_high is None:
        return ""
    left = x.at_low if metric.tolerance_low is None else x(metric.tolerance_low)
    right = x.at_high if metric.tolerance_high is None else x(metric.tolerance_high)
    width, height = max(right - left, 1.0), _FOOT - _TOP
    return svg.tag("rect", x=left, y=_TOP, width=width, height=height, fill=svg.AFTER_FILL, fill_opacity="0.22")


def _limits(x: svg.Scale, metric: MetricFinding) -> list[str]:
    parts = []
    for value, word, anchor in ((metric.minimum, "at least", "start"), (metric.maximum, "at most", "end")):
        if value is not None:
            at = x(value)
            parts.append(svg.line(at, _TOP - 8, at, _FOOT, stroke=svg.INK, stroke_width=2, stroke_dasharray="8 3"))
            nudge = 5 if anchor == "start" else -5
            parts.append(svg.halo(f"{word} {value:g}", at + nudge, _TOP - 14, text_anchor=anchor, fill=svg.INK))
    return parts


def _marks(x: svg.Scale, points: Sequence[_Point], metric: MetricFinding) -> str:
    """A ring for each unit, or its bench's mark, in order of time from top to bottom; a triangle stands out."""
    parts = []
    shapes = bench_marks([point.run for point in points])
    step = (_FOOT - _TOP - 16) / max(len(points) - 1, 1)
    for at, point in enumerate(points):
        odd = point.run.run in metric.outliers
        look: dict[str, str | float] = {"stroke": svg.AFTER_LINE, "fill": svg.PAPER, "stroke_width": 1.5}
        if odd:
            look = {"stroke": svg.INK, "fill": svg.INK}
        mark = "triangle" if odd else shapes.get(point.run.bench or "", "ring")
        parts.append(svg.marker(mark, x(point.value), _TOP + 8 + at * step, 4.0, **look))
    return "".join(parts)


def _bars(x: svg.Scale, points: Sequence[_Point]) -> str:
    counts, bounds = np.histogram([point.value for point in points], bins=_BINS, range=(x.low, x.high))
    highest = max(int(counts.max()), 1)
    parts = []
    for count, low, high in zip(counts.tolist(), bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
        if count:
            height = (_FOOT - _TOP) * count / highest
            parts.append(
                svg.tag("rect", x=x(low), y=_FOOT - height, width=x(high) - x(low), height=height, fill=svg.AFTER_LINE)
            )
    return "".join(parts)


def _names(x: svg.Scale, points: Sequence[_Point], metric: MetricFinding) -> list[str]:
    """Names of the units that stand out, kept from lying on one another."""
    odd = [point for point in points if point.run.run in metric.outliers][:_MOST_NAMES]
    places = svg.kept_apart([x(point.value) for point in odd], 90.0, _LEFT + 40, _WIDTH - _RIGHT - 40)
    return [
        svg.halo(
            plain_line(point.run.unit, 14), place, _TOP - 1, text_anchor="middle", fill=svg.INK, font_style="italic"
        )
        for point, place in zip(odd, places, strict=True)
    ]


def _described(metric: MetricFinding) -> str:
    if metric.mean is None:
        return f"{metric.n} units"
    spread = "" if metric.sd is None else f", standard deviation {metric.sd:.3g}"
    return f"{metric.n} units, mean {metric.mean:.4g}{spread}, {len(metric.outliers)} stand out"
