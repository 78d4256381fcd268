"""Small pieces of SVG: scales, ticks, lines, marks, labels that keep apart. Pure: text in, text out."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import NamedTuple

from verifyrig.core.plain_text import plain_block
from verifyrig.report.reduce import LinePiece

# Okabe–Ito orange and blue. The line's orange is the same hue, darker: #E69F00 has 2.1:1 on this paper,
# #B87400 has 3.6:1 (WCAG 2.2, 1.4.11 asks 3:1); words are darker again (1.4.3 asks 4.5:1).
BEFORE_FILL, BEFORE_LINE, BEFORE_TEXT = "#E69F00", "#B87400", "#8F5500"
AFTER_FILL, AFTER_LINE, AFTER_TEXT = "#56B4E9", "#0072B2", "#005E93"
INK, MUTED, RULE, PAPER, GRID = "#1F1D1A", "#5C564C", "#8A8375", "#FBF9F3", "#DDD7CA"
# The same on a dark screen: the style sheet exchanges them, since a picture also stands alone and on paper.
DARK: Mapping[str, str] = {
    INK: "#EFEADF", MUTED: "#BDB4A4", RULE: "#8A8375", PAPER: "#1D1B18", GRID: "#3A362F",
    BEFORE_FILL: "#B87400", BEFORE_LINE: "#E69F00", BEFORE_TEXT: "#F0B440",
    AFTER_FILL: "#0072B2", AFTER_LINE: "#56B4E9", AFTER_TEXT: "#83C8F3",
}  # fmt: skip


class Scale(NamedTuple):
    """A straight map from values to the picture's units."""

    low: float
    high: float
    at_low: float
    at_high: float

    def __call__(self, value: float) -> float:
        """Return where the value lies in the picture."""
        return self.at_low + (value - self.low) / (self.high - self.low) * (self.at_high - self.at_low)


def number(value: float) -> str:
    """Return a coordinate with at most two decimals, without needless zeros."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def nice_ticks(low: float, high: float, about: int) -> list[float]:
    """Return round values from at or below `low` to at or above `high`, steps of 1, 2 or 5 times a power of ten."""
    raw = max((high - low) / max(about, 1), 1e-9)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1, 2, 5, 10) if factor * power >= raw * (1 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(n * step, 10) for n in range(first, max(last, first + 1) + 1)]


_TIME_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)


def time_ticks(low_s: float, high_s: float, about: int) -> list[float]:
    """Return times within the span at steps that a clock has."""
    raw = (high_s - low_s) / max(about, 1)
    step = next((step for step in _TIME_STEPS_S if step >= raw), math.ceil(raw / 86400) * 86400)
    return [n * float(step) for n in range(math.ceil(low_s / step), math.floor(high_s / step) + 1)]


def tag(name: str, content: str = "", /, **attributes: str | float) -> str:
    """Return one element; attribute names have `_` for `-`; `content` is markup already, values are escaped."""
    parts = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(number(value) if isinstance(value, float) else str(value))}"'
        for key, value in attributes.items()
    )
    return f"<{name}{parts}>{content}</{name}>" if content else f"<{name}{parts}/>"


def text(words: str, x: float, y: float, /, **attributes: str | float) -> str:
    """Return a text element; the words are made visible and escaped here."""
    return tag("text", escape(plain_block(words)), x=float(x), y=float(y), **attributes)


def halo(words: str, x: float, y: float, /, **attributes: str | float) -> str:
    """Return text with an edge of paper around it, readable where it crosses lines."""
    return text(words, x, y, paint_order="stroke", stroke=PAPER, stroke_width=4, stroke_linejoin="round", **attributes)


def path_of(pieces: Iterable[LinePiece], x: Scale, y: Scale) -> str:
    """Return the `d` of a path through all pieces; a gap stays a gap, a lone point becomes a dot."""
    parts = []
    for piece in pieces:
        points = [
            f"{number(x(t))} {number(y(v))}" for t, v in zip(piece.t_s.tolist(), piece.values.tolist(), strict=True)
        ]
        parts.append("M" + "L".join(points) + ("h0" if len(points) == 1 else ""))
    return "".join(parts)


def line(x1: float, y1: float, x2: float, y2: float, /, **attributes: str | float) -> str:
    """Return a straight line."""
    return tag("line", x1=float(x1), y1=float(y1), x2=float(x2), y2=float(y2), **attributes)


def marker(shape: str, x: float, y: float, size: float, /, **attributes: str | float) -> str:
    """Return a mark centred on a point: `square`, `disc`, `ring`, `triangle`, `hollow-triangle`, `diamond`, `cross`."""
    if shape in ("disc", "ring"):
        return tag("circle", cx=float(x), cy=float(y), r=float(size), **attributes)
    if shape == "square":
        return tag(
            "rect", x=float(x - size), y=float(y - size), width=float(2 * size), height=float(2 * size), **attributes
        )
    if shape == "cross":
        left, right, top, foot = (number(at) for at in (x - size, x + size, y - size, y + size))
        d = f"M{left} {top}L{right} {foot}M{left} {foot}L{right} {top}"
        return tag("path", d=d, **attributes)
    corners = {
        "triangle": ((0, -1.15), (1.1, 0.85), (-1.1, 0.85)),
        "hollow-triangle": ((0, -1.15), (1.1, 0.85), (-1.1, 0.85)),
        "diamond": ((0, -1.2), (1.2, 0), (0, 1.2), (-1.2, 0)),
    }[shape]
    points = " ".join(f"{number(x + dx * size)},{number(y + dy * size)}" for dx, dy in corners)
    return tag("polygon", points=points, **attributes)


def kept_apart(places: Sequence[float], least: float, low: float, high: float) -> list[float]:
    """Return the places moved as little as needed to lie at least `least` apart, within low to high where they fit."""
    order = sorted(range(len(places)), key=lambda index: places[index])
    moved = [min(max(places[index], low), high) for index in order]
    for index in range(1, len(moved)):
        moved[index] = max(moved[index], moved[index - 1] + least)
    for index in range(len(moved) - 1, -1, -1):
        ceiling = high if index == len(moved) - 1 else moved[index + 1] - least
        moved[index] = min(moved[index], ceiling)
    result = [0.0] * len(places)
    for index, place in zip(order, moved, strict=True):
        result[index] = place
    return result


def figure(content: str, width: float, height: float, /, *, ident: str, title: str, desc: str, css: str) -> str:
    """Return the whole picture, named by its title and described by the finding."""
    head = tag("title", escape(plain_block(title)) or " ", id=f"{ident}-title") + tag(
        "desc", escape(plain_block(desc)) or " ", id=f"{ident}-desc"
    )
    return tag(
        "svg",
        head + content,
        viewBox=f"0 0 {number(width)} {number(height)}",
        role="img",
        class_=css,
        aria_labelledby=f"{ident}-title",
        aria_describedby=f"{ident}-desc",
        font_size="13",
    )
