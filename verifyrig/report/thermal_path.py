"""The thermal path, drawn: room, inlet, fins or radiator, coolant, plate, die, with the kelvin between them."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from verifyrig.analysis.ambient import ambient_of_run
from verifyrig.core.channels import THERMAL_PATH
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import StageKind
from verifyrig.core.trace import StageSpan
from verifyrig.report import svg
from verifyrig.report.inputs import RunInput
from verifyrig.report.plot import AFTER, ALONE, BEFORE, NARROW, WIDE, Side, Size
from verifyrig.report.timeline import main_load
from verifyrig.report.wording import Words

_LAST_S = 30.0
_WIDE = WIDE._replace(height=250, bottom=52, right=40)
# Where there is little room, every other place stands lower.
_LOWER = 30.0
_NARROW = NARROW._replace(height=280, bottom=82, right=14)


class Station(NamedTuple):
    """A place on the path: its name, the channel it was read from (empty where none), temperature or None, °C."""

    place: str
    channel: str
    temp_c: float | None


class Path(NamedTuple):
    """The path of one run in one stage."""

    side: Side
    stage: str
    stations: list[Station]


def stage_for_path(before: RunInput | None, after: RunInput | None) -> str | None:
    """Return the most informative stage: the longest load where every run was loaded, else the last both hold."""
    runs = [run for run in (before, after) if run is not None]
    if not runs:
        return None
    common = [stage for stage in runs[-1].trace.stages if all(_ran(run, stage.name) for run in runs)]
    if not common:
        return None
    loaded = [stage for stage in common if stage.kind == StageKind.LOAD and all(main_load(run.trace) for run in runs)]
    longest = max(loaded, key=lambda stage: (stage.end_s or stage.start_s) - stage.start_s, default=None)
    if longest is not None:
        return longest.name
    idle = [stage for stage in common if stage.kind == StageKind.IDLE]
    return (idle or common)[-1].name


def _ran(run: RunInput, name: str) -> bool:
    stage = run.trace.stage(name)
    return (
        stage is not None and stage.ended != StageEnd.SKIPPED and (stage.end_s is None or stage.end_s > stage.start_s)
    )


def path_of_run(run: RunInput, stage_name: str, side: Side) -> Path:
    """Return the temperatures along the path as the stage left them."""
    stage = run.trace.stage(stage_name)
    stations = []
    for place, channels in THERMAL_PATH:
        found = [(name, _temp_c(run, stage, name)) for name in channels] if stage is not None else []
        known = next(((name, value) for name, value in found if value is not None), None)
        if known is None and place == "room":
            # The inlet is a station of its own here: it stands for the room only where nothing else does.
            ambient = run.trace.recorded.ambient or ambient_of_run(run.trace)
            known = ("", ambient.value_c) if ambient is not None else None
        stations.append(Station(place, *(known or ("", None))))
    return Path(side, stage_name, stations)


def _temp_c(run: RunInput, stage: StageSpan, channel: str) -> float | None:
    """Settled value where it did settle, else the mean of the stage's last half minute."""
    metric = run.metrics.get(f"{stage.name}.{channel}.settled")
    if metric is not None and metric.number is not None and metric.settled is not False:
        return metric.number
    if not run.trace.has(channel):
        return None
    trace = run.trace.without_dips()
    part = trace.within(stage)
    times, values = trace.t_s[part], trace.usable(channel)[part]
    recent = values[times >= times[-1] - _LAST_S] if len(times) else values
    known = recent[np.isfinite(recent)]
    return float(known.mean()) if len(known) else None


def paths(before: RunInput | None, after: RunInput | None) -> list[Path]:
    """Return the paths of both runs in the most informative stage; empty where nothing can be shown."""
    stage = stage_for_path(before, after)
    if stage is None:
        return []
    pairs = [(run, side) for run, side in ((before, BEFORE), (after, AFTER)) if run is not None]
    if len(pairs) == 1:
        pairs = [(pairs[0][0], ALONE)]
    found = [path_of_run(run, stage, side) for run, side in pairs]
    return [path for path in found if sum(s.temp_c is not None for s in path.stations) >= 2]


def thermal_path(found: Sequence[Path], words: Words, *, ident: str, title: str, desc: str) -> str:
    """Return the picture in a wide and a narrow form; empty where there is no path."""
    if not found:
        return ""
    return "".join(
        svg.figure(
            _drawn(found, one, words),
            one.width,
            one.height,
            ident=f"{ident}-{size.css}",
            title=title,
            desc=desc,
            css=size.css,
        )
        for size, one in ((WIDE, _WIDE), (NARROW, _NARROW))
    )


def _drawn(found: Sequence[Path], size: Size, words: Words) -> str:
    shown = [[_shown(station.temp_c, words) for station in path.stations] for path in found]
    known = [value for line in shown for value in line if value is not None]
    ticks = svg.nice_ticks(min(known) - 2, max(known) + 4, 4)
    y = svg.Scale(ticks[0], ticks[-1], size.inner_bottom, size.top)
    places = len(found[0].stations)
    x = svg.Scale(0, places - 1, size.left + 34, size.inner_right - 26)
    parts = [_ground(found, shown, x, y, ticks, size, words)]
    parts += [_line(path, values, x, y) for path, values in zip(found, shown, strict=True)]
    parts.append(_steps(shown, [path.side for path in found], x, y, words))
    parts.append(_line_words(found, shown, x, y, size, words))
    return "".join(parts)


def _shown(temp_c: float | None, words: Words) -> float | None:
    return None if temp_c is None else words.converted(temp_c, None, "°C")[0]


def _ground(
    found: Sequence[Path],
    shown: Sequence[Sequence[float | None]],
    x: svg.Scale,
    y: svg.Scale,
    ticks: Sequence[float],
    size: Size,
    words: Words,
) -> str:
    from verifyrig.report.plot import value_axis

    parts = [value_axis(y, ticks, size, words)]
    parts.append(svg.text(words.temperature_unit, size.left - 6, size.top - 8, text_anchor="end", fill=svg.MUTED))
    for index, station in enumerate(found[0].stations):
        measured = any(line[index] is not None for line in shown)
        at = x(float(index))
        parts.append(svg.line(at, size.top, at, size.inner_bottom + 4, stroke=svg.GRID if measured else "none"))
        top = size.inner_bottom + 18 + (_LOWER if size is _NARROW and index % 2 else 0.0)
        for row, word in enumerate(_broken(words.t(station.place))):
            parts.append(
                svg.text(word, at, top + 14 * row, text_anchor="middle",
                         fill=svg.INK if measured else svg.MUTED, font_style="normal" if measured else "italic")
            )  # fmt: skip
        if not measured:
            parts.append(svg.text("–", at, size.top + 12, text_anchor="middle", fill=svg.MUTED))
    return "".join(parts)


def _broken(word: str) -> list[str]:
    """At most two rows under the axis."""
    parts = word.split(" ")
    return [word] if len(word) <= 9 or len(parts) == 1 else [" ".join(parts[:-1]), parts[-1]]


def _points(values: Sequence[float | None]) -> list[tuple[int, float]]:
    return [(index, value) for index, value in enumerate(values) if value is not None]


def _line(path: Path, values: Sequence[float | None], x: svg.Scale, y: svg.Scale) -> str:
    points = _points(values)
    d = "M" + "L".join(f"{svg.number(x(index))} {svg.number(y(value))}" for index, value in points)
    parts = [
        svg.tag("path", d=d, fill="none", stroke=path.side.stroke, stroke_width="2.4", stroke_dasharray=path.side.dash)
    ]
    hollow = path.side.mark == "square"
    parts += [
        svg.marker(path.side.mark, x(index), y(value), 4.6, fill=svg.PAPER if hollow else path.side.stroke,
                   stroke=path.side.stroke, stroke_width="2")
        for index, value in points
    ]  # fmt: skip
    return "".join(parts)


def _steps(
    shown: Sequence[Sequence[float | None]], sides: Sequence[Side], x: svg.Scale, y: svg.Scale, words: Words
) -> str:
    """The kelvin between neighbours: above the line that lies higher there, below the other."""
    found = [(side, step) for side, values in zip(sides, shown, strict=True) for step in pairwise(_points(values))]
    unit = "K" if words.temperature_unit == "°C" else "°F"
    parts = []
    for side, ((left, low), (right, high)) in found:
        middle = (low + high) / 2
        rivals = [(a[1] + b[1]) / 2 for other, (a, b) in found if other is not side and (a[0], b[0]) == (left, right)]
        lower = any(rival > middle or (rival == middle and side is not BEFORE) for rival in rivals)
        sign = "+" if round(high - low) > 0 else ""
        said = f"{sign}{words.number(high - low)}\u202f{unit}"
        place = min(y(middle) + (20 if lower else -10), y.at_low - 6)
        parts.append(svg.halo(said, (x(left) + x(right)) / 2, place, text_anchor="middle", fill=side.ink))
    return "".join(parts)


def _line_words(
    found: Sequence[Path],
    shown: Sequence[Sequence[float | None]],
    x: svg.Scale,
    y: svg.Scale,
    size: Size,
    words: Words,
) -> str:
    ends = [_points(values)[-1] for values in shown]
    places = svg.kept_apart([y(value) - 10 for _, value in ends], 16, size.top + 10, size.inner_bottom - 6)
    return "".join(
        svg.halo(words.t(path.side.word), min(x(index) + 24, size.width - 4), place, text_anchor="end",
                 fill=path.side.ink, font_weight="bold")
        for path, (index, _), place in zip(found, ends, places, strict=True)
    )  # fmt: skip
