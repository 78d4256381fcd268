"""The one picture of the first page: a temperature before and after, with load, limits and end marks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from verifyrig.report import plot, svg
from verifyrig.report.inputs import RunInput
from verifyrig.report.labels import LETTER_WIDTH, LINE_HEIGHT, Box, free_place, line_points
from verifyrig.report.limits import Limit, lines_of
from verifyrig.report.plot import NARROW, WIDE, Laid, Size
from verifyrig.report.reduce import LinePiece
from verifyrig.report.story import RunStory, story_of
from verifyrig.report.timeline import load_end_s, load_start_s
from verifyrig.report.wording import Words

_LIMIT_WORDS = {"trip": "trip limit {value}", "accepted": "accepted up to {value}", "gate": "no load above {value}"}
_LIMIT_DASHES = {"trip": "none", "accepted": "2 3", "gate": "10 3 2 3"}
_END_WORDS = {
    RunStory.DARK: "went dark here",
    RunStory.TRIPPED: "load ended here",
    RunStory.GATE: "load refused here",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawing:
    """What is drawn, on its scales: runs with their readings and reduced lines, limits with their levels."""

    laid: Sequence[Laid]
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
    laid, values = [run for run, _ in shown], [line for _, line in shown]
    fine = [plot.fine_pieces(run, line, laid) for run, line in shown]
    return "".join(
        svg.figure(
            _drawn(_drawing(laid, values, fine, limits, size, words)),
            size.width,
            size.height,
            ident=f"{ident}-{size.css}",
            title=title,
            desc=desc,
            css=size.css,
        )
        for size in (WIDE, NARROW)
    )


def _drawing(
    laid: Sequence[Laid],
    values: Sequence[plot.FloatArray],
    fine: Sequence[list[LinePiece]],
    limits: Sequence[Limit],
    size: Size,
    words: Words,
) -> _Drawing:
    levels = [words.converted(limit.value_c, None, "°C")[0] for limit in limits]
    ticks = _ticks(values, levels)
    x = plot.time_scale(laid, size)
    return _Drawing(
        laid=laid,
        values=values,
        pieces=[plot.fitted(run, line, x, size) for run, line in zip(laid, fine, strict=True)],
        limits=limits,
        levels=levels,
        x=x,
        y=svg.Scale(ticks[0], ticks[-1], size.inner_bottom, size.top),
        size=size,
        words=words,
    )


def _ticks(values: Sequence[plot.FloatArray], levels: Sequence[float]) -> list[float]:
    low = min([*(float(np.nanmin(line)) for line in values), *levels])
    high = max([*(float(np.nanmax(line)) for line in values), *levels])
    return svg.nice_ticks(low - 2.0, high + 3.0, 5)


def _drawn(drawing: _Drawing) -> str:
    x, y, size, words = drawing.x, drawing.y, drawing.size, drawing.words
    limit_lines, taken = _limit_lines(drawing)
    parts = [
        plot.load_shading(drawing.laid, x, size.top, size.inner_bottom),
        plot.value_axis(y, _ticks(drawing.values, drawing.levels), size, words),
        plot.time_axis(x, size, size.top, words),
        svg.text(words.temperature_unit, size.left - 6, size.top - 8, text_anchor="end", fill=svg.MUTED),
        _load_word(drawing),
        limit_lines,
    ]
    parts += [plot.drawn_line(run, pieces, x, y) for run, pieces in zip(drawing.laid, drawing.pieces, strict=True)]
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
    for limit, height, place in zip(drawing.limits, heights, _beside_lines(heights), strict=True):
        parts.append(
            svg.line(size.left, height, size.inner_right, height, stroke=svg.INK, stroke_width="1.4",
                     stroke_dasharray=_LIMIT_DASHES[limit.kind], class_=f"limit-{limit.kind}")
        )  # fmt: skip
        value = drawing.words.temperature(limit.value_c, decimals=0)
        said = drawing.words.t(_LIMIT_WORDS[limit.kind], value=value)
        box = _free_of(taken, Box(0.0, place - LINE_HEIGHT + 3, LETTER_WIDTH * len(said), place + 3), size)
        parts.append(svg.halo(said, box.left, place, fill=svg.INK))
        taken.append(box)
    return "".join(parts), taken


def _free_of(taken: Sequence[Box], box: Box, size: Size) -> Box:
    """Move the ground of a line's words to the left end of its line, or beside other words that stand there."""
    moved = box
    for left in [size.left + 6, *sorted(other.right + 8 for other in taken)]:
        moved = Box(left, box.top, left + box.right - box.left, box.bottom)
        if moved.right <= size.inner_right and not any(moved.overlaps(other) for other in taken):
            break
    return moved


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
    parts = []
    for run, line in zip(drawing.laid, drawing.values, strict=True):
        word, story = drawing.words.t(run.side.word), story_of(run.run)
        end = _end_point(run, line)
        point = (drawing.x(end[0]), drawing.y(end[1]))
        if story in _END_WORDS:
            word = f"{word}: {drawing.words.t(_END_WORDS[story])}"
            parts.append(svg.marker("cross", *point, 6, fill="none", stroke=run.side.ink, stroke_width="3"))
            taken = [*taken, Box(point[0] - 7, point[1] - 7, point[0] + 7, point[1] + 7)]
        place = free_place(point, word, bounds, lines, taken)
        taken = [*taken, place.box]
        parts.append(svg.halo(word, place.x, place.y, fill=run.side.ink, font_weight="bold", text_anchor=place.anchor))
    return "".join(parts)


def _end_point(laid: Laid, values: plot.FloatArray) -> tuple[float, float]:
    """Where the run's word stands: at the moment that ended its load early, else at its last reading."""
    if story_of(laid.run) in (RunStory.TRIPPED, RunStory.GATE):
        end_s = load_end_s(laid.run.trace) - load_start_s(laid.run.trace)
        known = np.flatnonzero(np.isfinite(values))
        nearest = known[int(np.argmin(np.abs(laid.t_s[known] - end_s)))]
        return float(laid.t_s[nearest]), float(values[nearest])
    return plot.last_point(laid, values) or (laid.to_s, 0.0)
