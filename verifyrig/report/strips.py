"""Strips under one another on the common time: power, speeds, clock, rails."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from verifyrig.channels import CLOCKS, POWERS, RAILS, SPEEDS, base_name, number_of, unit_of
from verifyrig.report import plot, svg
from verifyrig.report.inputs import RunInput
from verifyrig.report.names import channel_label
from verifyrig.report.plot import NARROW, WIDE, Laid, Size
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


def _drawn_channels(channels: Sequence[str], laid: Sequence[Laid], words: Words) -> list[str]:
    """Those that fit: the first of each kind before further ones, and rails only where they dip."""
    lively = [name for name in channels if base_name(name) not in RAILS or _swings(name, laid, words)]
    first = [name for name in lively if number_of(name) == 1]
    taken = [*first, *(name for name in lively if name not in first)][:_MOST_STRIPS]
    return [name for name in channels if name in taken]


def _swings(channel: str, laid: Sequence[Laid], words: Words) -> bool:
    lines = [plot.values_of(run, channel, words) for run in laid if run.run.trace.has(channel)]
    low, high = min(float(np.nanmin(line)) for line in lines), max(float(np.nanmax(line)) for line in lines)
    return high - low > _RAIL_SWING * abs(high)


def strips(before: RunInput | None, after: RunInput | None, words: Words, *, ident: str, title: str, desc: str) -> str:
    """Return the strips in a wide and a narrow form; empty where no run holds such a channel."""
    laid = plot.laid_out(before, after)
    channels = _drawn_channels(strip_channels(before, after), laid, words)
    if not laid or not channels:
        return ""
    height = len(channels) * (_STRIP_HEIGHT + _GAP) + 46
    return "".join(
        svg.figure(
            _drawn(laid, channels, size._replace(height=height), words),
            size.width,
            height,
            ident=f"{ident}-{size.css}",
            title=title,
            desc=desc,
            css=size.css,
        )
        for size in (WIDE, NARROW)
    )


def _drawn(laid: Sequence[Laid], channels: Sequence[str], size: Size, words: Words) -> str:
    x = plot.time_scale(laid, size)
    parts = [
        plot.load_shading(laid, x, size.top, size.inner_bottom),
        plot.time_axis(x, size, size.top, words),
    ]
    for index, channel in enumerate(channels):
        top = size.top + index * (_STRIP_HEIGHT + _GAP) + 16
        parts.append(_strip(laid, channel, x, size, top, words))
    return "".join(parts)


def _strip(laid: Sequence[Laid], channel: str, x: svg.Scale, size: Size, top: float, words: Words) -> str:
    holding = [run for run in laid if run.run.trace.has(channel)]
    values = [plot.values_of(run, channel, words) for run in holding]
    known = [line for line in values if np.isfinite(line).any()]
    if not known:
        return ""
    low, high = _strip_range(channel, known)
    ticks = svg.nice_ticks(low, high, 2)
    y = svg.Scale(ticks[0], ticks[-1], top + _STRIP_HEIGHT, top)
    unit = "1/min" if unit_of(channel) == "rpm" else unit_of(channel)
    name = f"{channel_label(channel, words)}, {unit}"
    parts = [plot.value_axis(y, ticks, size, words)]
    parts += [
        plot.drawn_line(run, plot.pieces_of(run, line, x, size), x, y, marks=5)
        for run, line in zip(holding, values, strict=True)
    ]
    parts.append(svg.halo(name, size.left, top - 5, fill=svg.INK, font_weight="bold"))
    absent = [words.t(run.side.word) for run in laid if run not in holding]
    if absent:
        said = words.t("{run}: not measured", run=words.listed(absent))
        parts.append(svg.halo(said, size.inner_right, top - 5, fill=svg.MUTED, text_anchor="end", font_style="italic"))
    return "".join(parts)


def _strip_range(channel: str, lines: Sequence[plot.FloatArray]) -> tuple[float, float]:
    """Rails are drawn around their value; all else from zero, so that a stopped fan looks stopped."""
    low, high = min(float(np.nanmin(line)) for line in lines), max(float(np.nanmax(line)) for line in lines)
    if base_name(channel) in RAILS:
        return low - 0.02 * abs(low), high + 0.02 * abs(high)
    return min(0.0, low), max(high, low + 1.0) * 1.02
