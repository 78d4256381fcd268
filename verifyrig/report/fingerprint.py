"""The fingerprint drawn: resistance to heat that shows in the first 5 s, up to a minute, up to ten minutes."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import NamedTuple

from verifyrig.analysis.results import Metric
from verifyrig.core.profile import StageKind
from verifyrig.report import svg
from verifyrig.report.inputs import RunInput
from verifyrig.report.plot import AFTER, ALONE, BEFORE, NARROW, WIDE, Side, Size
from verifyrig.report.wording import Words

# Where sound machines lie, K/W: 90 % of machines drawn at random from the trade's ranges of their parts, with both
# kinds of cooler (own simulation), widened to take in the trade's worked healthy examples. Common practice, no source.
NORMAL_K_PER_W = ((0.10, 0.23), (0.04, 0.15), (0.03, 0.18))
WINDOWS = (
    ("first 5 s", "chip to cooler plate: paste, contact"),
    ("5 s to 1 min", "plate to coolant or heat pipes: flow"),
    ("1 to 10 min", "fins to air: fan, radiator, case"),
)
_HEIGHT = 262.0
# Below this a third decimal is shown: a card of hundreds of watts rises by hundredths of a kelvin for each.
_SMALL_K_PER_W = 0.03


# Before the first window: no time, no rise.
_NOTHING = Metric(value=0.0, unit="K/W", u95=0.0)


class Window(NamedTuple):
    """What one window of the fingerprint shows in one run; None where it was not measured."""

    value_k_per_w: float | None
    u95_k_per_w: float | None


class Print(NamedTuple):
    """The fingerprint of one run: the stage that it comes from, three windows, whether it is the graphics card's."""

    side: Side
    stage: str
    windows: tuple[Window, Window, Window]
    on_card: bool = False


def prints(before: RunInput | None, after: RunInput | None) -> list[Print]:
    """Return the fingerprints of the runs; one without any figure is kept, to say so; empty where none has one.

    They are the processor's; the graphics card's where no run has one of the processor.
    """
    pairs = [(run, side) for run, side in ((before, BEFORE), (after, AFTER)) if run is not None]
    if len(pairs) == 1:
        pairs = [(pairs[0][0], ALONE)]
    for prefix in ("", "gpu_"):
        found = [_print_of(run, side, prefix) for run, side in pairs]
        if any(w.value_k_per_w is not None for p in found for w in p.windows):
            return found
    return []


def _print_of(run: RunInput, side: Side, prefix: str) -> Print:
    """Of the stages that have a fingerprint, the one with most windows; load before others."""
    stages = sorted(run.trace.stages, key=lambda stage: stage.kind != StageKind.LOAD)
    best = max(stages, key=lambda stage: len(_known(run, stage.name, prefix)), default=None)
    if best is None or not _known(run, best.name, prefix):
        return Print(side, "", (Window(None, None), Window(None, None), Window(None, None)), bool(prefix))
    points = [_NOTHING, *(run.metrics.get(name) for name in _names(best.name, prefix))]
    first, second, third = (_step(low, high) for low, high in itertools.pairwise(points))
    return Print(side, best.name, (first, second, third), bool(prefix))


def _names(stage: str, prefix: str) -> list[str]:
    return [f"{stage}.{prefix}thermal_impedance_{s}s" for s in (5, 60, 600)]


def _known(run: RunInput, stage: str, prefix: str) -> list[str]:
    return [name for name in _names(stage, prefix) if run.number(name) is not None]


def _step(low: Metric | None, high: Metric | None) -> Window:
    """The part that lies between two windows; both uncertainties count as if independent, which is the wider."""
    if low is None or high is None or low.number is None or high.number is None:
        return Window(None, None)
    u95 = math.hypot(low.u95, high.u95) if low.u95 is not None and high.u95 is not None else None
    return Window(high.number - low.number, u95)


def fingerprint(found: Sequence[Print], words: Words, *, ident: str, title: str, desc: str) -> str:
    """Return the bars in a wide and a narrow form; empty where there is nothing to draw."""
    if not found:
        return ""
    return "".join(
        svg.figure(
            _drawn(found, size._replace(height=_HEIGHT, bottom=46), words),
            size.width,
            _HEIGHT,
            ident=f"{ident}-{size.css}",
            title=title,
            desc=desc,
            css=size.css,
        )
        for size in (WIDE, NARROW)
    )


def _drawn(found: Sequence[Print], size: Size, words: Words) -> str:
    tops = [w.value_k_per_w + (w.u95_k_per_w or 0) for p in found for w in p.windows if w.value_k_per_w is not None]
    usual = () if found[0].on_card else NORMAL_K_PER_W
    ticks = svg.nice_ticks(0, max([*tops, *(high for _, high in usual)]) * 1.12, 4)
    y = svg.Scale(ticks[0], ticks[-1], size.inner_bottom, size.top)
    places = max(0, -math.floor(math.log10(ticks[1] - ticks[0])))
    parts = []
    for tick in ticks:
        parts.append(svg.line(size.left, y(tick), size.inner_right, y(tick), stroke=svg.GRID))
        parts.append(
            svg.text(words.number(tick, places), size.left - 6, y(tick) + 4.5, text_anchor="end", fill=svg.MUTED)
        )
    parts.append(svg.text("K/W", size.left - 6, size.top - 8, text_anchor="end", fill=svg.MUTED))
    pitch = (size.inner_right - size.left) / len(WINDOWS)
    parts += [_window(found, index, size.left + pitch * index, pitch, y, size, words) for index in range(len(WINDOWS))]
    return "".join(parts)


def _window(
    found: Sequence[Print], index: int, left: float, pitch: float, y: svg.Scale, size: Size, words: Words
) -> str:
    parts = [] if found[0].on_card else _usual_band(index, left, pitch, y, words)
    parts.append(
        svg.text(words.t(WINDOWS[index][0]), left + pitch / 2, size.inner_bottom + 18, text_anchor="middle",
                 fill=svg.INK)
    )  # fmt: skip
    width = min(46.0, (pitch - 24) / len(found))
    for place, one in enumerate(found):
        at = left + pitch / 2 + (place - len(found) / 2) * (width + 4) + 2
        parts.append(_bar(one.side, one.windows[index], at, width, y, words))
    return "".join(parts)


def _usual_band(index: int, left: float, pitch: float, y: svg.Scale, words: Words) -> list[str]:
    low, high = NORMAL_K_PER_W[index]
    band = svg.tag(
        "rect", x=left + 4, y=y(high), width=pitch - 8, height=y(low) - y(high), fill=svg.INK,
        fill_opacity="0.08", stroke=svg.RULE, stroke_dasharray="2 2", class_="normal",
    )  # fmt: skip
    if index > 0:
        return [band]
    return [band, svg.halo(words.t("usual"), left + 8, y(high) - 5, fill=svg.MUTED, font_style="italic")]


def _bar(side: Side, window: Window, left: float, width: float, y: svg.Scale, words: Words) -> str:
    middle, floor = left + width / 2, y(0)
    if window.value_k_per_w is None:
        return svg.halo("–", middle, floor - 6, text_anchor="middle", fill=side.ink) + svg.line(
            left, floor, left + width, floor, stroke=side.stroke, stroke_width="3", stroke_dasharray="3 3"
        )
    top = y(max(window.value_k_per_w, 0.0))
    parts = [
        svg.tag("rect", x=left, y=top, width=width, height=max(floor - top, 1.0), fill=side.fill, stroke=side.ink,
                stroke_width="1.6", stroke_dasharray=side.dash)
    ]  # fmt: skip
    crest = top
    if window.u95_k_per_w:
        crest = y(window.value_k_per_w + window.u95_k_per_w)
        foot = y(max(window.value_k_per_w - window.u95_k_per_w, 0.0))
        parts.append(svg.line(middle, crest, middle, foot, stroke=svg.INK, stroke_width="1.4"))
        parts += [svg.line(middle - 4, at, middle + 4, at, stroke=svg.INK, stroke_width="1.4") for at in (crest, foot)]
    parts.append(
        svg.halo(
            words.number(window.value_k_per_w, 2 if window.value_k_per_w >= _SMALL_K_PER_W else 3),
            middle,
            crest - 6,
            text_anchor="middle",
            fill=side.ink,
            font_weight="bold",
        )
    )
    return "".join(parts)
