"""The thermal path as a chain of links, each with its K/W beside what sound machines show. One SVG, no script."""

from __future__ import annotations

import math
from collections.abc import Mapping
from html import escape
from typing import NamedTuple

from verifyrig.diagnosis.explain import normal_range
from verifyrig.diagnosis.quantities import RecordFigure

__all__ = ["thermal_path_svg"]

_WIDTH, _ROW = 640, 62
_LEFT, _SCALE_LEFT, _SCALE_RIGHT = 20, 250, 600
_INK, _SOFT, _BLUE, _ORANGE = "#222222", "#8a8a8a", "#0072B2", "#E69F00"  # Okabe–Ito; the link's word says it too


class Link(NamedTuple):
    """One link: from where to where, the figures that give its K/W (the first that is there), what it holds."""

    start: str
    end: str
    figures: tuple[str, ...]
    holds: str


_LINKS = {
    "liquid": (
        Link("die", "plate", ("die_over_plate", "window_5s"), "lid, paste, pressure"),
        Link("plate", "coolant", ("plate_over_coolant", "plate_over_radiator", "window_60s"), "block and flow"),
        Link("coolant", "room", ("coolant_over_room", "radiator_over_room", "window_600s"), "radiator, fans, case"),
        Link("die", "room", ("load_rise", "rest_rise"), "the whole way"),
    ),
    "air": (
        Link("die", "plate", ("die_over_plate", "window_5s"), "lid, paste, pressure"),
        Link("plate", "fins", ("window_60s",), "heat pipes"),
        Link("fins", "room", ("window_600s",), "fins, fan, case"),
        Link("die", "room", ("load_rise", "rest_rise"), "the whole way"),
    ),
}


def thermal_path_svg(figures: Mapping[str, RecordFigure], cooler: str) -> str:
    """Return the chain as SVG text: for each link the normal range as a bar, the figure as a dot with its ±, or a gap.

    Args:
        figures: By the names of `quantities`.
        cooler: `air`, `liquid`, or anything else, which is drawn as air.
    """
    links = _LINKS["liquid" if cooler == "liquid" else "air"]
    height = 54 + _ROW * len(links)
    rows = [_row(link, figures, cooler, 60 + _ROW * at) for at, link in enumerate(links)]
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {height}" font-family="sans-serif" '
        f'font-size="13" fill="{_INK}" role="img"><title>The path of the heat, link by link</title>'
        "<desc>Drawn by verifyrig</desc>"
        f'<text x="{_LEFT}" y="24">Link, K/W</text>'
        f'<text x="{_SCALE_LEFT}" y="24" fill="{_SOFT}">bar: nine of ten sound machines; dot: this machine</text>'
    )
    return head + "".join(rows) + "</svg>\n"


def _row(link: Link, figures: Mapping[str, RecordFigure], cooler: str, y: int) -> str:
    name = next((name for name in link.figures if name in figures), None)
    usual = normal_range(name or link.figures[0], "liquid" if cooler == "liquid" else "air")
    parts = [
        f'<text x="{_LEFT}" y="{y}" font-weight="bold">{escape(link.start)} → {escape(link.end)}</text>',
        f'<text x="{_LEFT}" y="{y + 17}" fill="{_SOFT}">{escape(link.holds)}</text>',
        f'<path d="M{_SCALE_LEFT} {y}H{_SCALE_RIGHT}" stroke="#dddddd"/>',
    ]
    if usual is not None:
        low, high = (_x(value, usual) for value in usual)
        parts.append(f'<rect x="{low:.1f}" y="{y - 7}" width="{high - low:.1f}" height="14" rx="3" fill="#cfe3f1"/>')
    if name is None or usual is None:
        parts.append(f'<text x="{_SCALE_LEFT}" y="{y + 22}" fill="{_SOFT}">not measured</text>')
    else:
        parts.append(_figure(figures[name], usual, y))
    return "".join(parts)


def _figure(figure: RecordFigure, usual: tuple[float, float], y: int) -> str:
    at = _x(figure.value, usual)
    low, high = _x(figure.value - 2 * figure.u, usual), _x(figure.value + 2 * figure.u, usual)
    is_high, is_low = figure.value > usual[1], figure.value < usual[0]
    colour = _ORANGE if is_high or is_low else _BLUE
    word = "above" if is_high else "below" if is_low else "within"
    text = f"{figure.value:.3f} ± {2 * figure.u:.3f}, {word} {usual[0]:.3f} to {usual[1]:.3f}"
    mark = (
        f'<path d="M{at - 6:.1f} {y}l6 -7 6 7 -6 7z" fill="{colour}" stroke="{_INK}"/>'
        if is_high or is_low
        else f'<circle cx="{at:.1f}" cy="{y}" r="6" fill="{colour}" stroke="{_INK}"/>'
    )
    line = f'<path d="M{low:.1f} {y}H{high:.1f}" stroke="{_INK}" stroke-width="1.5"/>'
    return f'{line}{mark}<text x="{_SCALE_LEFT}" y="{y + 22}">{escape(text)}</text>'


def _x(value: float, usual: tuple[float, float]) -> float:
    """Place a value on a logarithmic scale from a quarter of the usual middle to eight times of it."""
    middle = math.sqrt(max(usual[0], 1e-4) * max(usual[1], 1e-4))
    share = (math.log(max(value, 1e-6) / middle) + math.log(4.0)) / (math.log(8.0) + math.log(4.0))
    return _SCALE_LEFT + (_SCALE_RIGHT - _SCALE_LEFT) * min(1.0, max(0.0, share))
