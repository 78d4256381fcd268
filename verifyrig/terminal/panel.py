"""The live panel of a run: where it stands, the thermal path, one trace with its trip line, what to beware of."""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Mapping, Sequence
from typing import Any

from verifyrig.core.channels import number_of, of_role
from verifyrig.core.interfaces import ChannelInfo
from verifyrig.core.plain_text import plain_line
from verifyrig.core.profile import Profile, Stage
from verifyrig.rig.note_keys import RUN_KEYS
from verifyrig.rig.observer import Attention, TickView
from verifyrig.terminal.letters import large_word
from verifyrig.terminal.plot import level_row, trace_rows
from verifyrig.terminal.words import (
    clock,
    forecast_sentence,
    main_channel,
    margin_sentence,
    part_word,
    thermal_path,
    until_words,
)

NARROW = 60
_SHOWN = 4000  # samples at most
_REDRAW_S = 0.2
RING_EVERY_S = 5.0
_PLOT_ROWS = 8
_PLACES = {"fins or radiator": "fins", "coolant": "coolant"}


class LivePanel:
    """Draws on stderr with rich; `say` stays on the screen above the panel."""

    def __init__(self, title: str = "") -> None:
        from rich.console import Console
        from rich.live import Live

        self._console = Console(stderr=True, highlight=False, markup=False)
        self._live = Live(console=self._console, auto_refresh=False, transient=True)
        self._title = title
        self._profile: Profile | None = None
        self._notes: list[str] = []
        self._index = 0
        self._channel = ""
        self._warning = ""
        self._drawn_s = 0.0
        self._rung_s = -RING_EVERY_S
        self._order = ""
        self._word: Attention | None = None

    def begin(self, profile: Profile, infos: Mapping[str, ChannelInfo], notes: list[str]) -> None:
        """Open the panel."""
        self._profile = profile
        self._notes = [plain_line(text, 300) for text in (*profile.cautions, *notes)]
        self._channel = main_channel(profile, infos)
        self._live.start()

    def stage(self, stage: Stage, index: int, t_s: float) -> None:
        """Mark the stage."""
        self._index = index

    def tick(self, view: TickView) -> None:
        """Draw a few times a second."""
        if self._warning == self._order and not view.order:
            self._warning = ""  # it has been done
        self._order = view.order
        if view.order and time.monotonic() - self._rung_s >= RING_EVERY_S:
            self._rung_s = time.monotonic()
            with contextlib.suppress(OSError, ValueError):
                self._console.bell()
        if time.monotonic() - self._drawn_s >= _REDRAW_S and self._profile is not None:
            self._drawn_s = time.monotonic()
            with contextlib.suppress(OSError, ValueError):
                self._live.update(self._draw(view), refresh=True)

    def say(self, text: str, *, loud: bool = False) -> None:
        """Print it above the panel; what is loud stays in the panel too."""
        from rich.text import Text

        if loud:
            self._warning = plain_line(text, 300)
        with contextlib.suppress(OSError, ValueError):
            self._console.print(Text(plain_line(text, 400), style="bold reverse" if loud else ""))

    def attend(self, what: Attention | None) -> None:
        """Keep the word at the top in large letters, a question until it is answered; the sound is `Alerting`'s."""
        self._word = what if what is not None or self._word is Attention.QUESTION else self._word

    def end(self) -> None:
        """Close the panel."""
        with contextlib.suppress(OSError, ValueError):
            self._live.stop()

    def _draw(self, view: TickView) -> Any:
        from rich.text import Text

        assert self._profile is not None
        width = max(20, self._console.width - 1)
        block = Text(no_wrap=False)
        rows = view.buffer.rows(view.buffer.end - _SHOWN)
        traces = {channel: rows.column(channel).tolist() for channel in of_role(self._channel, view.readings)}
        drawn = nearest_to_limit(traces, view.limits_c) or self._channel
        trace = traces.get(drawn, [])
        drawn_lines = panel_lines(
            self._profile, view, self._index, trace, drawn, self._notes, self._warning, width, self._title
        )
        if self._word is not None:
            rows_left = max(0, self._console.height - len(drawn_lines))
            drawn_lines = [(line, "bold") for line in large_word(self._word, width, rows_left)] + drawn_lines
        for line, style in drawn_lines:
            block.append(line + "\n", style=style)
        return block


def key_line(keys: Sequence[tuple[str, str]]) -> str:
    """Return the keys that have an effect now, on one line of 60 columns. Pure."""
    return ", ".join(f"{key}: {does}" for key, does in keys)


def nearest_to_limit(traces: Mapping[str, list[float]], limits_c: Mapping[str, float]) -> str:
    """Return the channel whose last value is nearest to its limit, empty where there is no value. Pure."""
    last = {channel: trace[-1] for channel, trace in traces.items() if trace and math.isfinite(trace[-1])}
    return min(last, key=lambda channel: limits_c.get(channel, 0.0) - last[channel], default="")


def panel_lines(
    profile: Profile,
    view: TickView,
    index: int,
    trace: list[float],
    channel: str,
    notes: list[str],
    warning: str,
    width: int,
    title: str = "",
) -> list[tuple[str, str]]:
    """Return the panel as lines with their style, none wider than `width`; `title` says whose machine it is. Pure."""
    lines: list[tuple[str, str]] = [(part, "bold") for part in _wrapped(title, width) if part]
    lines += [(_fit(plain_line(f"{profile.name}: {profile.title}"), width), "bold")]
    lines.append((_stages(profile, index, width), ""))
    lines.append((_fit(_progress(view), width), ""))
    if warning and warning != view.order:
        lines += [(part, "bold reverse") for part in _wrapped(warning, width)]
    lines += [(part, "bold reverse blink") for part in _wrapped(view.order, width) if view.order]
    lines.append(("", ""))
    lines += [(line, "") for line in _path_lines(view, width)]
    lines += [(part, "bold") for part in _wrapped(margin_sentence(view.margin_k, view.margin_channel), width)]
    lines.append(("", ""))
    if number_of(channel) > 1:
        lines.append((_fit(f"{part_word(channel)}:", width), ""))
    lines += _plot(trace, view.limits_c.get(channel), width)
    sentence = forecast_sentence(view.forecast, view.forecast_channel)
    lines.append((_fit(sentence[:1].upper() + sentence[1:] if sentence else "No forecast yet.", width), "bold"))
    lines.append(("", ""))
    for note in notes[:4]:
        lines += [(part, "dim") for part in _wrapped("! " + note, width)]
    lines.append((_fit(key_line(view.keys), width), ""))
    keys = ", ".join(f"{key.upper()} {finding.replace('=', ' ')}" for key, finding in RUN_KEYS.items())
    lines += [(part, "") for part in _wrapped(f"Note: {keys}.", width)]
    return lines


def _stages(profile: Profile, index: int, width: int) -> str:
    names = [plain_line(stage.name) for stage in profile.stages]
    words = [f"[{name}]" if i == index else name for i, name in enumerate(names)]
    whole = " > ".join(words)
    return whole if len(whole) <= width else _fit(f"{words[index]} ({index + 1} of {len(words)})", width)


def _progress(view: TickView) -> str:
    remaining = "" if view.remaining_s is None else f", at most {clock(view.remaining_s)} more"
    until = until_words(view.until_end_s, view.until_question_s)
    return f"{clock(view.stage_s)} in this stage{remaining}, load {view.share:.0%}" + (f"; {until}" if until else "")


def _path_lines(view: TickView, width: int) -> list[str]:
    path = thermal_path(view.readings)
    if not path:
        return ["No temperature on the thermal path is measured."]
    joined = ""
    before: float | None = None
    for place, temp_c, word in path:
        step = f" -- {temp_c - before:+.0f} K -- " if joined and temp_c is not None and before is not None else ""
        joined += (step or (" -- " if joined else "")) + f"{_PLACES.get(place, place)} {word}"
        before = temp_c if temp_c is not None else before
    if len(joined) <= width:
        return [joined]
    lines, before = [], None
    for place, temp_c, word in path:
        gap = f"  {temp_c - before:+.0f} K" if temp_c is not None and before is not None else ""
        lines.append(_fit(f"{_PLACES.get(place, place):<8} {word}{gap}", width))
        before = temp_c if temp_c is not None else before
    return lines


def _plot(trace: list[float], limit_c: float | None, width: int) -> list[tuple[str, str]]:
    finite = [value for value in trace if math.isfinite(value)]
    if not finite:
        return [(_fit("No temperature to draw.", width), "")]
    low = min(finite) - 2
    high = max(max(finite) + 2, limit_c + 2 if limit_c is not None else -math.inf)
    cells = max(8, width - 8)
    rows = trace_rows(trace[-cells * 2 * 8 :], low=low, high=high, width=cells, height=_PLOT_ROWS)
    limit_row = level_row(limit_c, low=low, high=high, height=_PLOT_ROWS) if limit_c is not None else None
    lines = []
    for y, row in enumerate(rows):
        label = f"{high - (high - low) * y / (_PLOT_ROWS - 1):5.0f} " if y in (0, _PLOT_ROWS - 1) else " " * 6
        if y == limit_row:
            label = f"{limit_c:5.0f} "
            row = "".join(c if c != " " else "╌" for c in row[:-6]) + " trip "
        lines.append((label + row, ""))
    return lines


def _fit(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"


def _wrapped(text: str, width: int) -> list[str]:
    import textwrap

    return textwrap.wrap(text, width) or [""]
