"""The picture of a run so far: its nearest temperature, the limit, and the band in which it will settle. Pure."""

from __future__ import annotations

from html import escape

from verifyrig.core.run_view import RunView
from verifyrig.report.svg import AFTER_LINE, BEFORE_TEXT, INK, MUTED, PAPER, RULE, Scale, nice_ticks, number, time_ticks
from verifyrig.serve.series import Series

WIDTH, HEIGHT = 560.0, 190.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 62.0, 70.0, 12.0, 26.0
_AHEAD = 0.18  # the share of the width kept for what is still to come


def channel_of(series: Series, view: RunView) -> str:
    """Return the channel that is shown: the one with the least left to its limit, else the first that there is."""
    forecast = view.get("forecast")
    for name in (view.get("margin_channel"), forecast["channel"] if forecast else None, "die_temp_c"):
        if name is not None and name in series.values:
            return name
    return next(iter(series.values), "")


def picture(series: Series, view: RunView, words: str, ident: str) -> str:
    """Return the picture as SVG; `words` says the same to somebody who does not see it."""
    channel = channel_of(series, view)
    points = [(t, v) for t, v in zip(series.t_s, series.values.get(channel, ()), strict=False) if v is not None]
    head = (
        f'<svg viewBox="0 0 {number(WIDTH)} {number(HEIGHT)}" role="img" aria-label="{escape(words)}" '
        f'preserveAspectRatio="xMidYMid meet">'
    )
    if len(points) < 2:
        return f'{head}<text x="{_LEFT}" y="{HEIGHT / 2}" fill="{MUTED}" font-size="15">No picture yet.</text></svg>'
    limit = (view.get("limits_c") or {}).get(channel)
    forecast = view.get("forecast") or None
    band = None
    if forecast is not None and forecast["channel"] == channel:
        band = (forecast["value_c"] - forecast["u95_k"], forecast["value_c"] + forecast["u95_k"])
    values = [value for _, value in points] + ([limit] if limit is not None else []) + list(band or ())
    ticks = nice_ticks(min(values) - 1, max(values) + 1, 4)
    first_s, last_s = points[0][0], points[-1][0]
    span_s = max(last_s - first_s, 10.0)
    x = Scale(first_s, first_s + span_s / (1 - _AHEAD), _LEFT, WIDTH - _RIGHT)
    y = Scale(ticks[0], ticks[-1], HEIGHT - _BOTTOM, _TOP)
    parts = [head, _grid(x, y, ticks, first_s, first_s + span_s)]
    if band is not None:
        parts.append(_band(x(last_s), WIDTH - _RIGHT, y(band[1]), y(band[0]), ident))
    if limit is not None:
        at = number(y(limit))
        parts.append(
            f'<path d="M{number(_LEFT)} {at}H{number(WIDTH - _RIGHT)}" stroke="{INK}" stroke-width="2.5" '
            f'stroke-dasharray="2 4"/>'
            f'<text x="{number(WIDTH - _RIGHT + 5)}" y="{number(y(limit) + 5)}" font-size="14" fill="{INK}">'
            f"limit {limit:.0f}</text>"
        )
    line = "M" + "L".join(f"{number(x(t))} {number(y(v))}" for t, v in points)
    last = points[-1][1]
    parts.append(
        f'<path d="{line}" fill="none" stroke="{AFTER_LINE}" stroke-width="3" stroke-linejoin="round"/>'
        f'<circle cx="{number(x(last_s))}" cy="{number(y(last))}" r="5" fill="{AFTER_LINE}"/></svg>'
    )
    return "".join(parts)


def _band(x0: float, x1: float, y0: float, y1: float, ident: str) -> str:
    """Return the band of the forecast, hatched: it is no reading."""
    high = max(y1 - y0, 3.0)
    return (
        f'<defs><pattern id="hatch-{ident}" width="7" height="7" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><rect width="3" height="7" fill="{BEFORE_TEXT}"/></pattern></defs>'
        f'<rect x="{number(x0)}" y="{number(y0)}" width="{number(x1 - x0)}" height="{number(high)}" '
        f'fill="url(#hatch-{ident})" opacity="0.55" stroke="{BEFORE_TEXT}"/>'
    )


def _grid(x: Scale, y: Scale, ticks: list[float], first_s: float, last_s: float) -> str:
    parts = [f'<rect width="{number(WIDTH)}" height="{number(HEIGHT)}" fill="{PAPER}"/>']
    for tick in ticks:
        at = number(y(tick))
        parts.append(
            f'<path d="M{number(_LEFT)} {at}H{number(WIDTH - _RIGHT)}" stroke="{RULE}" stroke-width="0.6"/>'
            f'<text x="{number(_LEFT - 6)}" y="{number(y(tick) + 5)}" text-anchor="end" font-size="14" '
            f'fill="{MUTED}">{tick:.0f}{" °C" if tick == ticks[-1] else ""}</text>'
        )
    for t_s in time_ticks(first_s, last_s, 5):
        parts.append(
            f'<text x="{number(x(t_s))}" y="{number(HEIGHT - 6)}" text-anchor="middle" font-size="14" '
            f'fill="{MUTED}">{_clock(t_s)}</text>'
        )
    return "".join(parts)


def _clock(t_s: float) -> str:
    whole = round(t_s)
    if whole >= 3600:
        return f"{whole // 3600}:{whole // 60 % 60:02d} h"
    return f"{whole // 60}:{whole % 60:02d}"
