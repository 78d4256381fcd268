"""The one picture of the first page: a temperature before and after, with load, limits and end marks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from verifyrig.report import plot, svg
from verifyrig.report.early_end import EarlyEnd, EndKind, early_end
from verifyrig.report.inputs import RunInput
from verifyrig.report.labels import LETTER_WIDTH, LINE_HEIGHT, Box, free_place, line_points
from verifyrig.report.limits import Limit, lines_of
from verifyrig.report.plot import NARROW, WIDE, Laid, Size
from verifyrig.report.reduce import LinePiece
from verifyrig.report.timeline import load_start_s
from verifyrig.report.wording import Words

_LIMIT_WORDS = {"trip": "we stop at {value}", "accepted": "we accept up to {value}", "gate": "no load above {value}"}
_LIMIT_DASHES = {"trip": "none", "accepted": "2 3", "gate": "10 3 2 3"}
_END_WORDS = {
    EndKind.DARK: "went dark here",
    EndKind.TRIPPED: "load ended here",
    EndKind.GATE: "load refused here",
    EndKind.REFUSED: "full load refused here",
    EndKind.CLIMB: "went no further here",
    EndKind.STOPPED: "stopped early here",
    EndKind.INTERRUPTED: "interrupted here",
}
_AT_ONCE_S = 3.0
# How far above the highest limit a forecast is still drawn to scale, K: beyond it an arrow leaves the picture.
_FORECAST_ABOVE_K = 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawing:
    """What is drawn, on its scales: runs with their readings and reduced lines, limits with their levels.

    A run that ended early is drawn up to its end: what it cooled to afterwards is no measure of anything.
    """

    laid: Sequence[Laid]
    ends: Sequence[EarlyEnd | None]
    forecasts: Sequence[float | None]
    values: Sequence[plot.FloatArray]
    pieces: Sequence[list[LinePiece]]
    limits: Sequence[Limit]
    levels: Sequence[float]
    x: svg.Scale
    y: svg.Scale
    size: Size
    words: Words


def before_after(
    before: RunInput | None, after: RunInput | None, channel: str, words: Words, *, ident: str, title: str, desc: str
) -> str:
    """Return the picture in a wide and a narrow form, of which the page shows one; empty without any sample."""
    laid = [run for run in plot.laid_out(before, after) if run.run.trace.has(channel)]
    values = [plot.values_of(run, channel, words) for run in laid]
    shown = [(run, line) for run, line in zip(laid, values, strict=True) if np.isfinite(line).any()]
    if not shown:
        return ""
    limits = lines_of(before, after, channel)
    laid = [run for run, _ in shown]
    ends = [early_end(run.run) for run in laid]
    values = [_until(run, line, end) for (run, line), end in zip(shown, ends, strict=True)]
    forecasts = [_forecast(end, channel, words) for end in ends]
    fine = [plot.fine_pieces(run, line, laid) for run, line in zip(laid, values, strict=True)]
    return "".join(
        svg.figure(
            _drawn(_drawing(laid, ends, forecasts, values, fine, limits, size, words)),
            size.width,
            size.height,
            ident=f"{ident}-{size.css}",
            title=title,
            desc=desc,
            css=size.css,
        )
        for size in (_lower(WIDE), _lower(NARROW))
    )


def _lower(size: Size) -> Size:
    """Return the size without the place of the axis' name, which the caption says; the wide one is lower still."""
    less = 14 if size is NARROW else 29
    return size._replace(height=size.height - less, bottom=size.bottom - 14)


def _until(laid: Laid, values: plot.FloatArray, end: EarlyEnd | None) -> plot.FloatArray:
    """Return the readings up to the end of a run that ended early; a peak that came later still belongs to it."""
    if end is None:
        return values
    end_s, peak_s = end.at_s - load_start_s(laid.run.trace), float(laid.t_s[int(np.nanargmax(values))])
    # A trip acts at the peak, and a sample or two later the sensor has fallen already.
    at_peak = end.kind is EndKind.TRIPPED and peak_s >= end_s - _AT_ONCE_S
    last_s = peak_s if at_peak else max(end_s, peak_s)
    kept = laid.t_s <= last_s + 1e-9
    return np.where(kept, values, np.nan) if np.isfinite(values[kept]).any() else values


def _forecast(end: EarlyEnd | None, channel: str, words: Words) -> float | None:
    """Return where a full load that was not run would have settled, in the unit that the report speaks."""
    if end is None or end.full_c is None or end.channel not in ("", channel):
        return None
    return words.converted(end.full_c, None, "°C")[0]


def _drawing(
    laid: Sequence[Laid],
    ends: Sequence[EarlyEnd | None],
    forecasts: Sequence[float | None],
    values: Sequence[plot.FloatArray],
    fine: Sequence[list[LinePiece]],
    limits: Sequence[Limit],
    size: Size,
    words: Words,
) -> _Drawing:
    levels = [words.converted(limit.value_c, None, "°C")[0] for limit in limits]
    ticks = _ticks(values, levels, forecasts)
    x = plot.time_scale(laid, size)
    return _Drawing(
        laid=laid,
        ends=ends,
        forecasts=forecasts,
        values=values,
        pieces=[plot.fitted(run, line, x, size) for run, line in zip(laid, fine, strict=True)],
        limits=limits,
        levels=levels,
        x=x,
        y=svg.Scale(ticks[0], ticks[-1], size.inner_bottom, size.top),
        size=size,
        words=words,
    )


def _ticks(
    values: Sequence[plot.FloatArray], levels: Sequence[float], forecasts: Sequence[float | None]
) -> list[float]:
    low = min([*(float(np.nanmin(line)) for line in values), *levels])
    high = max([*(float(np.nanmax(line)) for line in values), *levels])
    above = [min(forecast, high + _FORECAST_ABOVE_K) for forecast in forecasts if forecast is not None]
    high = max([high, *above])
    return svg.nice_ticks(low - 2.0, high + 3.0, 5)


def _drawn(drawing: _Drawing) -> str:
    x, y, size, words = drawing.x, drawing.y, drawing.size, drawing.words
    limit_lines, taken = _limit_lines(drawing)
    parts = [
        plot.load_shading(drawing.laid, x, size.top, size.inner_bottom),
        plot.value_axis(y, _ticks(drawing.values, drawing.levels, drawing.forecasts), size, words),
        plot.time_axis(x, size, size.top, words, named=False),
        svg.text(words.temperature_unit, size.left - 6, size.top - 8, text_anchor="end", fill=svg.MUTED),
        _load_word(drawing),
        limit_lines,
    ]
    # The dashed line lies on the solid one, so that both are seen where they agree.
    drawn = [plot.drawn_line(run, pieces, x, y) for run, pieces in zip(drawing.laid, drawing.pieces, strict=True)]
    parts += reversed(drawn)
    parts += [_peak_mark(run, line, x, y) for run, line in zip(drawing.laid, drawing.values, strict=True)]
    parts.append(_end_marks_and_words(drawing, taken))
    return "".join(parts)


def _load_word(drawing: _Drawing) -> str:
    spans = [span for run in drawing.laid for span in run.loads]
    longest = max(spans, key=lambda span: span.length_s, default=None)
    if longest is None:
        return ""
    middle = (drawing.x(longest.from_s) + drawing.x(longest.to_s)) / 2
    place = min(max(middle, drawing.size.left + 16), drawing.size.inner_right - 16)
    said = drawing.words.t("load")
    return svg.text(said, place, drawing.size.top - 8, text_anchor="middle", fill=svg.INK, font_style="italic")


def _limit_lines(drawing: _Drawing) -> tuple[str, list[Box]]:
    """The limits with their words, and the ground that the words take."""
    parts: list[str] = []
    taken: list[Box] = []
    size, heights = drawing.size, [drawing.y(level) for level in drawing.levels]
    drawn = np.concatenate([line_points(pieces, drawing.x, drawing.y) for pieces in drawing.pieces])
    for limit, height, place in zip(drawing.limits, heights, _beside_lines(heights), strict=True):
        parts.append(
            svg.line(size.left, height, size.inner_right, height, stroke=svg.INK, stroke_width="1.4",
                     stroke_dasharray=_LIMIT_DASHES[limit.kind], class_=f"limit-{limit.kind}")
        )  # fmt: skip
        value = drawing.words.temperature(limit.value_c, decimals=0)
        said = drawing.words.t(_LIMIT_WORDS[limit.kind], value=value)
        wanted = Box(0.0, place - LINE_HEIGHT + 3, LETTER_WIDTH * len(said), place + 3)
        box = _free_of(taken, wanted, size, drawn)
        parts.append(svg.halo(said, box.left, place, fill=svg.INK))
        taken.append(box)
    return "".join(parts), taken


def _free_of(taken: Sequence[Box], box: Box, size: Size, drawn: plot.FloatArray) -> Box:
    """Move the ground of a line's words along it: where no other words stand, and least of the runs' lines is hidden.

    Args:
        drawn: Points along those lines, shape (n, 2).
    """
    width = box.right - box.left
    right_end = size.inner_right - width - 4
    lefts = [size.left + 6, right_end, *(other.right + 8 for other in taken), (size.left + right_end) / 2]
    places = [Box(left, box.top, left + width, box.bottom) for left in lefts if left + width <= size.inner_right]
    places = places or [Box(size.left + 6, box.top, size.left + 6 + width, box.bottom)]

    def cost(place: Box) -> float:
        return 1000.0 * sum(place.overlaps(other) for other in taken) + float(np.count_nonzero(_within(drawn, place)))

    return min(places, key=cost)


def _within(points: plot.FloatArray, box: Box) -> npt.NDArray[np.bool_]:
    x, y = points[:, 0], points[:, 1]
    return (x > box.left) & (x < box.right) & (y > box.top) & (y < box.bottom)


def _beside_lines(heights: Sequence[float]) -> list[float]:
    """Where the words of each line stand: above it, or below where another line lies close above."""
    return [height + 15 if any(0 < height - other < 20 for other in heights) else height - 5 for height in heights]


def _peak_mark(laid: Laid, values: plot.FloatArray, x: svg.Scale, y: svg.Scale) -> str:
    """A small ring on the highest reading, which carries the figure itself."""
    at = int(np.nanargmax(values))
    return svg.marker(
        "ring", x(float(laid.t_s[at])), y(float(values[at])), 5.2, fill="none", stroke=laid.side.ink,
        stroke_width="1.2", class_=f"peak-{laid.side.name}", data_peak=repr(float(values[at])),
    )  # fmt: skip


def _end_marks_and_words(drawing: _Drawing, taken: list[Box]) -> str:
    size = drawing.size
    bounds = Box(size.left, size.top, size.width, size.inner_bottom)
    lines = np.concatenate([line_points(pieces, drawing.x, drawing.y) for pieces in drawing.pieces])
    across = np.arange(size.left, size.inner_right, 12.0)
    lines = np.concatenate(
        [lines, *(np.column_stack((across, np.full_like(across, drawing.y(level)))) for level in drawing.levels)]
    )
    parts = []
    ended = zip(drawing.laid, drawing.values, drawing.ends, drawing.forecasts, strict=True)
    for run, line, end, forecast in sorted(ended, key=lambda one: one[2] is None):
        rows = [drawing.words.t(run.side.word)]
        at = plot.last_point(run, line) or (run.to_s, 0.0)
        point = (drawing.x(at[0]), drawing.y(at[1]))
        if end is not None:
            rows = [f"{rows[0]}: {drawing.words.t(_END_WORDS[end.kind])}"]
            parts.append(svg.marker("cross", *point, 6, fill="none", stroke=run.side.ink, stroke_width="3"))
            taken = [*taken, Box(point[0] - 7, point[1] - 7, point[0] + 7, point[1] + 7)]
        if end is not None and forecast is not None:
            top = drawing.y(min(forecast, drawing.y.high))
            parts.append(_forecast_arrow(point, top, run, beyond=forecast > drawing.y.high))
            lines = np.concatenate([lines, _upright(point, top)])
            rows.append(_forecast_words(end, drawing.words))
        place = free_place(point, rows, bounds, lines, taken)
        taken = [*taken, place.box]
        style = {"fill": run.side.ink, "font_weight": "bold", "text_anchor": place.anchor}
        parts += [svg.halo(row, place.x, place.y + LINE_HEIGHT * n, **style) for n, row in enumerate(rows)]
    return "".join(parts)


def _forecast_words(end: EarlyEnd, words: Words) -> str:
    if end.is_vague:
        return words.t("forecast at full load: too hot")
    value = words.temperature(end.full_c or 0.0, end.full_u95_k, decimals=0)
    return words.t("forecast at full load: {value}", value=value)


def _upright(foot: tuple[float, float], top: float) -> plot.FloatArray:
    heights = np.arange(min(foot[1], top), max(foot[1], top) + 3.0, 3.0)
    return np.column_stack((np.full_like(heights, foot[0]), heights))


def _forecast_arrow(foot: tuple[float, float], top: float, run: Laid, *, beyond: bool) -> str:
    """A dotted line from the last reading to where the load would have gone; an arrow where that is off the scale."""
    x, y = foot
    line = svg.line(
        x, y, x, top, stroke=run.side.stroke, stroke_width="2.4", stroke_dasharray="2 4",
        class_=f"forecast-{run.side.name}",
    )  # fmt: skip
    if beyond:
        left, middle, right, low, tip = map(svg.number, (x - 5, x, x + 5, top + 9, top))
        head = f"M{left} {low}L{middle} {tip}L{right} {low}"
        return line + svg.tag("path", d=head, fill="none", stroke=run.side.stroke, stroke_width="2.4")
    return line + svg.marker("diamond", x, top, 5, fill=svg.PAPER, stroke=run.side.stroke, stroke_width="2")
