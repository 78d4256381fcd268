"""Strips under one another on the common time: power, speeds, clock, rails."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from verifyrig.core.channels import CLOCKS, POWERS, RAILS, SPEEDS, base_name, number_of, unit_of
from verifyrig.report import plot, svg
from verifyrig.report.inputs import RunInput
from verifyrig.report.names import channel_label
from verifyrig.report.plot import NARROW, WIDE, Laid, Size
from verifyrig.report.reduce import LinePiece
from verifyrig.report.wording import Words

_STRIP_HEIGHT, _GAP = 62.0, 26.0
_MOST_STRIPS = 6
# A rail is allowed ±5 % (ATX12V design guide 2.0, 3.2.1); a swing of half of that is worth a look.
_RAIL_SWING = 0.025
_KINDS = (*(power for power in POWERS if power != "power_limit_w"), *SPEEDS, *CLOCKS, *RAILS)


def strip_channels(*runs: RunInput | None) -> list[str]:
    """Return the channels worth a strip that at least one run holds, in the order of their kind."""
    names = {name for run in runs if run is not None for name in run.trace.columns if run.trace.has(name)}
    fitting = [name for name in names if base_name(name) in _KINDS]
    return sorted(fitting, key=lambda name: (_KINDS.index(base_name(name)), number_of(name)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Strip:
    """One strip: the lines of the runs that hold the channel, and the words of those that do not."""

    channel: str
    lines: Sequence[tuple[Laid, list[LinePiece]]]
    absent: Sequence[str]

    @property
    def low(self) -> float:
        """Lowest reading drawn."""
        return min(float(piece.values.min()) for _, pieces in self.lines for piece in pieces)

    @property
    def high(self) -> float:
        """Highest reading drawn."""
        return max(float(piece.values.max()) for _, pieces in self.lines for piece in pieces)


def strips(before: RunInput | None, after: RunInput | None, words: Words, *, ident: str, title: str, desc: str) -> str:
    """Return the strips in a wide and a narrow form; empty where no run holds such a channel."""
    laid = plot.laid_out(before, after)
    found = [_strip(name, laid, words) for name in strip_channels(*(run.run for run in laid))] if laid else []
    drawn = _chosen([strip for strip in found if strip.lines])
    if not drawn:
        return ""
    height = len(drawn) * (_STRIP_HEIGHT + _GAP) + 46
    return "".join(
        svg.figure(
            _drawn(laid, drawn, size._replace(height=height), words),
            size.width,
            height,
            ident=f"{ident}-{size.css}",
            title=title,
            desc=desc,
            css=size.css,
        )
        for size in (WIDE, NARROW)
    )


def _strip(channel: str, laid: Sequence[Laid], words: Words) -> _Strip:
    lines = [
        (run, plot.fine_pieces(run, plot.values_of(run, channel, words), laid))
        for run in laid
        if run.run.trace.has(channel)
    ]
    holding = [(run, pieces) for run, pieces in lines if pieces]
    absent = [words.t(run.side.word) for run in laid if all(run is not other for other, _ in holding)]
    return _Strip(channel=channel, lines=holding, absent=absent)


def _chosen(found: Sequence[_Strip]) -> list[_Strip]:
    """Those that fit: the first of each kind before further ones, and rails only where they dip."""
    lively = [one for one in found if base_name(one.channel) not in RAILS or _swings(one)]
    first = [one for one in lively if number_of(one.channel) == 1]
    taken = [*first, *(one for one in lively if number_of(one.channel) > 1)][:_MOST_STRIPS]
    return [one for one in found if any(one is other for other in taken)]


def _swings(strip: _Strip) -> bool:
    return strip.high - strip.low > _RAIL_SWING * abs(strip.high)


def _drawn(laid: Sequence[Laid], drawn: Sequence[_Strip], size: Size, words: Words) -> str:
    x = plot.time_scale(laid, size)
    parts = [
        plot.load_shading(laid, x, size.top, size.inner_bottom),
        plot.time_axis(x, size, size.top, words),
    ]
    for index, strip in enumerate(drawn):
        top = size.top + index * (_STRIP_HEIGHT + _GAP) + 16
        parts.append(_drawn_strip(strip, x, size, top, words))
    return "".join(parts)


def _drawn_strip(strip: _Strip, x: svg.Scale, size: Size, top: float, words: Words) -> str:
    ticks = svg.nice_ticks(*_range_of(strip), 2)
    y = svg.Scale(ticks[0], ticks[-1], top + _STRIP_HEIGHT, top)
    unit = "1/min" if unit_of(strip.channel) == "rpm" else unit_of(strip.channel)
    parts = [plot.value_axis(y, ticks, size, words)]
    parts += [plot.drawn_line(run, plot.fitted(run, pieces, x, size), x, y, marks=5) for run, pieces in strip.lines]
    name = f"{channel_label(strip.channel, words)}, {unit}"
    parts.append(svg.halo(name, size.left, top - 5, fill=svg.INK, font_weight="bold"))
    if strip.absent:
        said = words.t("{run}: not measured", run=words.listed(list(strip.absent)))
        parts.append(svg.halo(said, size.inner_right, top - 5, fill=svg.MUTED, text_anchor="end", font_style="italic"))
    return "".join(parts)


def _range_of(strip: _Strip) -> tuple[float, float]:
    """Rails are drawn around their value; all else from zero, so that a stopped fan looks stopped."""
    if base_name(strip.channel) in RAILS:
        return strip.low - 0.02 * abs(strip.low), strip.high + 0.02 * abs(strip.high)
    return min(0.0, strip.low), max(strip.high, strip.low + 1.0) * 1.02
