"""The one picture of the first page: a temperature before and after, with load, limits and end marks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from verifyrig.report import plot, svg
from verifyrig.report.inputs import RunInput
from verifyrig.report.limits import Limit, lines_of
from verifyrig.report.plot import NARROW, WIDE, Laid, Size
from verifyrig.report.standing import Story, story_of
from verifyrig.report.wording import Words

_LIMIT_WORDS = {"trip": "trip limit {value}", "accepted": "accepted up to {value}", "gate": "no load above {value}"}
_LIMIT_DASHES = {"trip": "none", "accepted": "2 3", "gate": "10 3 2 3"}
_END_WORDS = {
    Story.DARK: "went dark here",
    Story.TRIPPED: "load ended here",
    Story.GATE: "load refused here",
}


def before_after(
    before: RunInput | None, after: RunInput | None, channel: str, words: Words, *, ident: str, title: str, desc: str
) -> str:
    """Return the picture in a wide and a narrow form, of which the page shows one; empty without any sample."""
    laid = [run for run in plot.laid_out(before, after) if run.run.trace.has(channel)]
    if not laid:
        return ""
    limits = lines_of(before, after, channel)
    return "".join(
        svg.figure(
            _drawn(laid, limits, channel, size, words),
            size.width,
            size.height,
            ident=f"{ident}-{size.css}",
            title=title,
            desc=desc,
            css=size.css,
        )
        for size in (WIDE, NARROW)
    )


def _drawn(laid: Sequence[Laid], limits: Sequence[Limit], channel: str, size: Size, words: Words) -> str:
    values = [plot.values_of(run, channel, words) for run in laid]
    levels = [words.converted(limit.value_c, None, "°C")[0] for limit in limits]
    ticks = svg.nice_ticks(*_range_of(values, levels), 5)
    y = svg.Scale(ticks[0], ticks[-1], size.inner_bottom, size.top)
    x = plot.time_scale(laid, size)
    parts = [
        plot.load_shading(laid, x, size.top, size.inner_bottom),
        plot.value_axis(y, ticks, size, words),
        plot.time_axis(x, size, size.top, words),
        svg.text(words.temperature_unit, size.left - 6, size.top - 8, text_anchor="end", fill=svg.MUTED),
        _load_word(laid, x, size, words),
        _limit_lines(limits, levels, y, size, words),
    ]
    parts += [plot.drawn_line(run, line, x, y, size) for run, line in zip(laid, values, strict=True)]
    parts += [_peak_mark(run, line, x, y) for run, line in zip(laid, values, strict=True)]
    parts.append(_end_marks_and_words(laid, values, x, y, size, words))
    return "".join(parts)


def _range_of(values: Sequence[plot.FloatArray], levels: Sequence[float]) -> tuple[float, float]:
    lows = [float(np.nanmin(line)) for line in values]
    highs = [float(np.nanmax(line)) for line in values]
    low, high = min([*lows, *levels]), max([*highs, *levels])
    return low - 2.0, high + 3.0


def _load_word(laid: Sequence[Laid], x: svg.Scale, size: Size, words: Words) -> str:
    longest = max((span for run in laid for span in run.loads), key=lambda span: span.length_s, default=None)
    if longest is None:
        return ""
    middle = (x(longest.from_s) + x(longest.to_s)) / 2
    return svg.text(words.t("load"), middle, size.top - 8, text_anchor="middle", fill=svg.INK, font_style="italic")


def _limit_lines(limits: Sequence[Limit], levels: Sequence[float], y: svg.Scale, size: Size, words: Words) -> str:
    parts = []
    places = _beside_lines([y(level) for level in levels])
    for limit, level, place in zip(limits, levels, places, strict=True):
        parts.append(
            svg.line(size.left, y(level), size.inner_right, y(level), stroke=svg.INK, stroke_width="1.4",
                     stroke_dasharray=_LIMIT_DASHES[limit.kind], class_=f"limit-{limit.kind}")
        )  # fmt: skip
        said = words.t(_LIMIT_WORDS[limit.kind], value=words.temperature(limit.value_c, decimals=0))
        parts.append(svg.halo(said, size.left + 6, place, fill=svg.INK))
    return "".join(parts)


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


def _end_marks_and_words(
    laid: Sequence[Laid],
    values: Sequence[plot.FloatArray],
    x: svg.Scale,
    y: svg.Scale,
    size: Size,
    words: Words,
) -> str:
    parts, labels = [], []
    for run, line in zip(laid, values, strict=True):
        word = words.t(run.side.word)
        end = _end_point(run, line)
        story = story_of(run.run)
        if story in _END_WORDS:
            word = f"{word}: {words.t(_END_WORDS[story])}"
            parts.append(
                svg.marker("cross", x(end[0]), y(end[1]), 6, fill="none", stroke=run.side.ink, stroke_width="3")
            )
        labels.append((x(end[0]), y(end[1]), word, run.side.ink))
    places = svg.kept_apart([place - 9 for _, place, _, _ in labels], 16, size.top + 14, size.inner_bottom - 6)
    for (at, _, word, ink), place in zip(labels, places, strict=True):
        fits = at + 8 + 7.2 * len(word) < size.width
        here = at + 8 if fits else min(at - 8, size.width - 6)
        anchor = "start" if fits else "end"
        parts.append(svg.halo(word, here, place, fill=ink, font_weight="bold", text_anchor=anchor))
    return "".join(parts)


def _end_point(laid: Laid, values: plot.FloatArray) -> tuple[float, float]:
    """Where the run's word stands: at the moment that ended its load early, else at its last reading."""
    if story_of(laid.run) in (Story.TRIPPED, Story.GATE):
        edge = max((span.to_s for span in laid.loads), default=0.0)
        known = np.flatnonzero(np.isfinite(values))
        nearest = known[int(np.argmin(np.abs(laid.t_s[known] - edge)))]
        return float(laid.t_s[nearest]), float(values[nearest])
    return plot.last_point(laid, values) or (laid.to_s, 0.0)
