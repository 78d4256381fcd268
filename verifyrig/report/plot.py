"""The frame of a picture over time: two runs on the common time from the load step, each with dash, marker, word."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from verifyrig.core.load_changes import Span
from verifyrig.report import svg
from verifyrig.report.inputs import RunInput
from verifyrig.report.reduce import LinePiece, reduced, reduced_again
from verifyrig.report.timeline import load_spans, load_start_s
from verifyrig.report.wording import Words

FloatArray = npt.NDArray[np.float64]


class Size(NamedTuple):
    """Outer size and margins of a plot, in the picture's units; `columns` is how fine lines are drawn."""

    width: float
    height: float
    left: float
    right: float
    top: float
    bottom: float
    time_ticks: int
    columns: int
    css: str

    @property
    def inner_right(self) -> float:
        """Right edge of the plot area."""
        return self.width - self.right

    @property
    def inner_bottom(self) -> float:
        """Lower edge of the plot area."""
        return self.height - self.bottom


WIDE = Size(640, 205, 44, 18, 22, 40, 8, 340, "wide")
NARROW = Size(344, 300, 40, 10, 22, 40, 4, 160, "narrow")


class Side(NamedTuple):
    """How one of the two runs is drawn: never by colour alone."""

    name: str
    word: str
    stroke: str
    fill: str
    ink: str
    dash: str
    mark: str


BEFORE = Side("before", "before", svg.BEFORE_LINE, svg.BEFORE_FILL, svg.BEFORE_TEXT, "7 4", "square")
AFTER = Side("after", "after", svg.AFTER_LINE, svg.AFTER_FILL, svg.AFTER_TEXT, "none", "disc")
ALONE = Side("after", "as measured", svg.AFTER_LINE, svg.AFTER_FILL, svg.AFTER_TEXT, "none", "disc")


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """A run laid on the common time: `t_s` is 0 at the load step."""

    run: RunInput
    side: Side
    t_s: FloatArray
    loads: tuple[Span, ...]

    @property
    def from_s(self) -> float:
        """First sample."""
        return float(self.t_s[0])

    @property
    def to_s(self) -> float:
        """Last sample."""
        return float(self.t_s[-1])


def laid_out(before: RunInput | None, after: RunInput | None) -> list[Laid]:
    """Return the runs that have samples, on the common time; a single one is drawn as measured."""
    pairs = [(run, side) for run, side in ((before, BEFORE), (after, AFTER)) if run is not None and len(run.trace.t_s)]
    if len(pairs) == 1 and after is None:
        pairs = [(pairs[0][0], ALONE)]
    return [_laid(run, side) for run, side in pairs]


def _laid(run: RunInput, side: Side) -> Laid:
    step_s = load_start_s(run.trace)
    loads = tuple(Span(span.from_s - step_s, span.to_s - step_s) for span in load_spans(run.trace))
    return Laid(run=run, side=side, t_s=run.trace.t_s - step_s, loads=loads)


def values_of(laid: Laid, channel: str, words: Words) -> FloatArray:
    """Return the readings that can be believed, in the unit that the report speaks, shape (n,)."""
    values = laid.run.trace.usable(channel)
    if channel.endswith("_temp_c") and words.temperature_unit == "°F":
        return np.asarray(values * 1.8 + 32.0, dtype=np.float64)
    return values


def time_scale(laid: Sequence[Laid], size: Size) -> svg.Scale:
    """Return the common time axis, from the first sample of any run to the last of any."""
    low, high = min(run.from_s for run in laid), max(run.to_s for run in laid)
    return svg.Scale(low, max(high, low + 1.0), size.left, size.inner_right)


def time_words(seconds: float, words: Words) -> str:
    """Return a short time for an axis: seconds below two minutes, then minutes, then hours."""
    sign = "−" if seconds < 0 else ""
    size = abs(seconds)
    if size < 120 and size % 60:
        return f"{sign}{size:.0f} s"
    if size < 7200 and size % 3600:
        return f"{sign}{words.number(size / 60, 0 if size % 60 == 0 else 1)} min"
    return f"{sign}{words.number(size / 3600, 0 if size % 3600 == 0 else 1)} h" if size else "0"


def time_axis(x: svg.Scale, size: Size, top: float, words: Words, *, named: bool = True) -> str:
    """Return ticks, grid lines and, where nothing else says it, the axis' name."""
    parts = [svg.line(size.left, size.inner_bottom, size.inner_right, size.inner_bottom, stroke=svg.RULE)]
    for tick in svg.time_ticks(x.low, x.high, size.time_ticks):
        at = x(tick)
        stroke, dash = (svg.MUTED, "none") if tick == 0 else (svg.GRID, "none")
        parts.append(svg.line(at, top, at, size.inner_bottom + 4, stroke=stroke, stroke_dasharray=dash))
        anchor = "end" if at > size.inner_right - 18 else "start" if at < size.left + 12 else "middle"
        parts.append(svg.text(time_words(tick, words), at, size.inner_bottom + 18, text_anchor=anchor, fill=svg.MUTED))
    if named:
        name = words.t("time from the start of the load")
        parts.append(svg.text(name, size.inner_right, size.height - 5, text_anchor="end", fill=svg.MUTED))
    return "".join(parts)


def value_axis(y: svg.Scale, ticks: Sequence[float], size: Size, words: Words) -> str:
    """Return the rules across and their figures."""
    parts = []
    places = 0 if all(float(tick).is_integer() for tick in ticks) else 1
    for tick in ticks:
        parts.append(svg.line(size.left, y(tick), size.inner_right, y(tick), stroke=svg.GRID))
        parts.append(
            svg.text(words.number(tick, places), size.left - 6, y(tick) + 4.5, text_anchor="end", fill=svg.MUTED)
        )
    return "".join(parts)


def load_shading(laid: Sequence[Laid], x: svg.Scale, top: float, bottom: float) -> str:
    """Return the grounds behind the times under load; where both runs were under load it is darker."""
    parts = []
    for run in laid:
        for span in _merged(run.loads, 1.0 / abs(x(1.0) - x(0.0))):
            left, right = x(span.from_s), x(span.to_s)
            box = {"x": left, "y": float(top), "width": max(right - left, 0.8), "height": float(bottom - top)}
            parts.append(svg.tag("rect", **box, fill=svg.INK, fill_opacity="0.07", class_=f"load-{run.side.name}"))
    return "".join(parts)


def _merged(spans: Sequence[Span], least_gap_s: float) -> list[Span]:
    """Join spans that would touch in the picture."""
    merged: list[Span] = []
    for span in spans:
        if merged and span.from_s - merged[-1].to_s < least_gap_s:
            merged[-1] = Span(merged[-1].from_s, max(span.to_s, merged[-1].to_s))
        else:
            merged.append(span)
    return merged


def fine_pieces(laid: Laid, values: FloatArray, everyone: Sequence[Laid]) -> list[LinePiece]:
    """Return the line of one run, as fine as the wide picture of all of them can show."""
    return reduced(laid.t_s, values, max(8, round(WIDE.columns * _share(laid, time_scale(everyone, WIDE)))))


def fitted(laid: Laid, pieces: Sequence[LinePiece], x: svg.Scale, size: Size) -> list[LinePiece]:
    """Return fine pieces as a picture of this size needs them."""
    if size.columns >= WIDE.columns:
        return list(pieces)
    return reduced_again(pieces, max(8, round(size.columns * _share(laid, x))))


def _share(laid: Laid, x: svg.Scale) -> float:
    """How much of the common time the run takes."""
    return max((laid.to_s - laid.from_s) / (x.high - x.low), 0.02)


def drawn_line(laid: Laid, pieces: Sequence[LinePiece], x: svg.Scale, y: svg.Scale, marks: int = 7) -> str:
    """Return the line of one run with its dash and, at some places, its marker."""
    if not pieces:
        return ""
    side = laid.side
    d = svg.path_of(pieces, x, y)
    parts = [
        svg.tag("path", d=d, fill="none", stroke=side.stroke, stroke_width="2.2", stroke_dasharray=side.dash,
                stroke_linejoin="round", stroke_linecap="butt", class_=f"line-{side.name}")
    ]  # fmt: skip
    times = np.concatenate([piece.t_s for piece in pieces])
    heights = np.concatenate([piece.values for piece in pieces])
    count = max(1, round(marks * _share(laid, x)))
    for place in np.linspace(times[0], times[-1], count + 2)[1:-1]:
        at = int(np.argmin(np.abs(times - place)))
        parts.append(
            svg.marker(side.mark, x(float(times[at])), y(float(heights[at])), 3.6,
                       fill=svg.PAPER if side.mark == "square" else side.stroke, stroke=side.stroke, stroke_width="1.8")
        )  # fmt: skip
    return "".join(parts)


def last_point(laid: Laid, values: FloatArray) -> tuple[float, float] | None:
    """Return time and value of the last reading, or None."""
    known = np.flatnonzero(np.isfinite(values))
    return (float(laid.t_s[known[-1]]), float(values[known[-1]])) if len(known) else None
