"""One strip for each chart of a golden unit: a point for each run in order of time, the centre and the limits."""

from __future__ import annotations

from verifyrig.capability import Chart
from verifyrig.qa.golden_charts import GoldenChart
from verifyrig.report import svg

__all__ = ["golden_strip"]

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _FOOT = 720.0, 132.0, 64.0, 16.0, 14.0, 108.0


def golden_strip(golden: GoldenChart, ident: str) -> str:
    """Return the picture as SVG; empty where there are too few runs for a chart."""
    chart = golden.chart
    if not isinstance(chart, Chart):
        return ""
    points = chart.points.tolist()
    ends = [*points, chart.low, chart.high]
    padding = 0.08 * (max(ends) - min(ends)) or max(abs(ends[0]), 1.0) * 0.05
    y = svg.Scale(min(ends) - padding, max(ends) + padding, _FOOT, _TOP)
    x = svg.Scale(0.0, max(1.0, len(points) - 1.0), _LEFT + 8, _WIDTH - _RIGHT - 8)
    parts = []
    for value, dash, anchor in ((chart.low, "8 3", "at least"), (chart.centre, "", ""), (chart.high, "8 3", "at most")):
        look: dict[str, str | float] = {"stroke": svg.MUTED if anchor else svg.RULE}
        parts.append(svg.line(_LEFT, y(value), _WIDTH - _RIGHT, y(value), **look, **_dashed(dash)))
        parts.append(svg.text(f"{value:.4g}", _LEFT - 6, y(value) + 4, text_anchor="end", fill=svg.MUTED))
    places = [(x(float(at)), y(value)) for at, value in enumerate(points)]
    way = " ".join(f"{svg.number(left)},{svg.number(top)}" for left, top in places)
    parts.append(svg.tag("polyline", points=way, fill="none", stroke=svg.AFTER_LINE, stroke_width="1.2"))
    recent = golden.recent.runs if golden.recent is not None else 0
    for at, (left, top) in enumerate(places):
        apart = at >= len(places) - recent
        look = {"fill": svg.INK, "stroke": svg.INK} if apart else {"fill": svg.PAPER, "stroke": svg.AFTER_LINE}
        parts.append(svg.marker("triangle" if apart else "ring", left, top, 4.0, **look))
    parts.append(svg.text(f"run 1 to {len(points)}", _WIDTH - _RIGHT, _HEIGHT - 4, text_anchor="end", fill=svg.MUTED))
    title = f"{golden.unit}: {golden.metric}"
    return svg.figure("".join(parts), _WIDTH, _HEIGHT, ident=ident, title=title, desc=golden.why, css="strip")


def _dashed(dash: str) -> dict[str, str | float]:
    return {"stroke_dasharray": dash} if dash else {}
