"""Makes `docs/climb.svg` anew: a climb on a sound machine and one on a machine with a blocked radiator, both simulated.

`python -m tests.climb_picture` (half a minute).
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from tests.silent import Silent
from verifyrig.bench.find_profile import find_profile
from verifyrig.bench.folder import Bench
from verifyrig.core.event_kind import EventKind
from verifyrig.core.trace import Event, Trace
from verifyrig.record import read_trace
from verifyrig.report.svg import (
    AFTER_FILL,
    AFTER_LINE,
    BEFORE_LINE,
    INK,
    MUTED,
    PAPER,
    RULE,
    Scale,
    figure,
    line,
    number,
    tag,
    text,
)
from verifyrig.rig.assemble import run
from verifyrig.rig.request import RunRequest

PICTURE = Path(__file__).resolve().parent.parent / "docs" / "climb.svg"
MACHINES = (("healthy-liquid", 5, "a sound machine"), ("radiator-blocked", 23, "its radiator blocked"))
WIDTH, HEIGHT, LEFT, TOP, BOTTOM, GAP = 960.0, 440.0, 56.0, 56.0, 330.0, 48.0
LONGEST_S = 400.0
HIGHEST_C = 120.0
LINES_C = (40.0, 60.0, 80.0, 100.0)
LEGEND = (
    "blue: die, and below it the share of the load · orange: where full share would settle, with u95; ▲ above 120 °C · "
    "simulated"
)
DESCRIPTION = (
    "After two short pulses the share goes up in four steps. On a sound machine full share is kept until it is known "
    "where it settles. With a blocked radiator the load ends, the die far below its trip limit, as soon as it is sure "
    "enough that full share would go beyond it."
)


def climbed(case: str, seed: int) -> Trace:
    """Return the record of one climb."""
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(root=Path(folder))
        request = RunRequest(profile=find_profile("desktop-air", bench), purpose="check", mock=(case, seed))
        return read_trace(run(request, bench, Silent()).record)


def panel(trace: Trace, words: str, left: float, width: float) -> list[str]:
    """Return one run: die, trip limit, the share below it, and what full share was forecast to come to."""
    stage = trace.stage("load")
    assert stage is not None and stage.end_s is not None
    start_s, end_s = stage.start_s - 60.0, min(stage.end_s + 60.0, stage.start_s + LONGEST_S)
    x = Scale(start_s, end_s, left, left + width)
    y = Scale(20.0, HIGHEST_C, BOTTOM, TOP)
    inside = (trace.t_s >= start_s) & (trace.t_s <= end_s)
    t_s, die_c, share = trace.t_s[inside], trace.usable("die_temp_c")[inside], trace.columns["load_share"][inside]
    base, high = BOTTOM + 50.0, BOTTOM + 14.0
    steps = [f"{number(x(float(t_s[0])))},{number(base)}"]
    for k, t in enumerate(t_s.tolist()):
        level = base + (high - base) * float(share[k])
        before = base + (high - base) * float(share[max(0, k - 1)])
        steps += [f"{number(x(t))},{number(before)}", f"{number(x(t))},{number(level)}"]
    steps.append(f"{number(x(float(t_s[-1])))},{number(base)}")
    seen = np.isfinite(die_c)
    course = " ".join(
        f"{number(x(float(t)))},{number(y(float(c)))}" for t, c in zip(t_s[seen], die_c[seen], strict=True)
    )
    limit_c = min(95.0, float(trace.recorded.channels["die_temp_c"]["limit"] or 98.0) - 3.0)
    found = [
        text(words, left, TOP - 18.0, fill=INK, font_size=17),
        *(line(left, y(c), left + width, y(c), stroke=RULE, stroke_width=0.5) for c in LINES_C),
        *(text(f"{c:.0f}", left - 8.0, y(c) + 5.0, fill=MUTED, font_size=14, text_anchor="end") for c in LINES_C),
        tag("polygon", points=" ".join(steps), fill=AFTER_FILL, opacity=0.6),
        line(left, y(limit_c), left + width, y(limit_c), stroke=INK, stroke_dasharray="6 4"),
        text(f"trip limit {limit_c:.0f} °C", left + width, y(limit_c) - 6.0, fill=INK, font_size=14, text_anchor="end"),
        *(mark for event in trace.events if event.kind == EventKind.CLIMB for mark in forecast(event, x, y)),
        tag("polyline", points=course, fill="none", stroke=AFTER_LINE, stroke_width=2.2),
    ]
    for t in range(0, int(end_s - stage.start_s) + 1, 60):
        found.append(
            text(f"{t // 60} min", x(stage.start_s + t), base + 20.0, fill=MUTED, font_size=14, text_anchor="middle")
        )
    return found


def forecast(event: Event, x: Scale, y: Scale) -> list[str]:
    """Return the forecast for full share of one look, with its u95 as far as the picture goes."""
    full_c, u95_k = event.detail.get("full_c"), event.detail.get("full_u95_k")
    if not isinstance(full_c, float) or not isinstance(u95_k, float) or full_c <= 20.0 or event.t_s > x.high:
        return []
    at, low, high = x(event.t_s), y(min(HIGHEST_C, max(20.0, full_c - u95_k))), y(min(HIGHEST_C, full_c + u95_k))
    bar = line(at, low, at, high, stroke=BEFORE_LINE, stroke_width=1.4)
    if full_c > HIGHEST_C:
        points = (
            f"{number(at - 5)},{number(high + 8)} {number(at)},{number(high - 1)} {number(at + 5)},{number(high + 8)}"
        )
        return [bar, tag("polygon", points=points, fill=BEFORE_LINE)]
    return [
        bar,
        tag("circle", cx=at, cy=y(full_c), r=3.5, fill=BEFORE_LINE),
    ]


def picture() -> str:
    """Return the picture as SVG."""
    width = (WIDTH - 2 * LEFT - GAP) / 2
    parts: list[str] = [tag("rect", x=0, y=0, width=WIDTH, height=HEIGHT, fill=PAPER)]
    for place, (case, seed, words) in enumerate(MACHINES):
        parts += panel(climbed(case, seed), words, LEFT + place * (width + GAP), width)
    parts.append(text("°C", 12.0, TOP - 18.0, fill=MUTED, font_size=14))
    parts.append(text(LEGEND, LEFT, HEIGHT - 8.0, fill=MUTED, font_size=14))
    drawn = figure("".join(parts), WIDTH, HEIGHT, ident="climb", title="A load that climbs", desc=DESCRIPTION, css="")
    return drawn.replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg" font-family="sans-serif"', 1) + "\n"


if __name__ == "__main__":
    PICTURE.write_text(picture(), encoding="utf-8")
    print(PICTURE)
