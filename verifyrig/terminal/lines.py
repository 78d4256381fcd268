"""A run as plain lines, where the terminal cannot be drawn on."""

from __future__ import annotations

import contextlib
import math
import shutil
import sys
import textwrap
from collections.abc import Mapping
from typing import TextIO

from verifyrig.core.interfaces import ChannelInfo
from verifyrig.core.pattern import longest_s_of
from verifyrig.core.plain_text import plain_line, plain_lines
from verifyrig.core.profile import Profile, Stage
from verifyrig.rig.observer import Attention, TickView
from verifyrig.terminal.letters import large_word, word_of
from verifyrig.terminal.words import (
    clock,
    forecast_sentence,
    hottest_of,
    main_channel,
    margin_sentence,
    part_word,
    question_words,
    temp_word,
)

EVERY_S = 30.0
ORDER_EVERY_S = 5.0


class PlainLines:
    """Writes a line at each stage, every half minute or as set, and whenever something must be said; to stderr."""

    def __init__(self, out: TextIO | None = None, *, every_s: float = EVERY_S, title: str = "") -> None:
        self._out = out or sys.stderr
        self._every_s = every_s
        self._title = title
        self._next_s = 0.0
        self._order_s = 0.0
        self._channel = ""

    def begin(self, profile: Profile, infos: Mapping[str, ChannelInfo], notes: list[str]) -> None:
        """Name the job, the profile, its cautions, and what cannot be guarded."""
        self._channel = main_channel(profile, infos)
        if self._title:
            self._line(self._title)
        self._line(f"{profile.title or profile.name} ({profile.name})")
        for text in (*profile.cautions, *notes):
            self._line(f"  {plain_line(text, 400)}")
        longest_s = sum(map(longest_s_of, profile.stages))
        if math.isfinite(longest_s):
            self._line(f"  At most {clock(longest_s)} until the end.{question_words(profile)}")

    def stage(self, stage: Stage, index: int, t_s: float) -> None:
        """Name the stage."""
        self._next_s = t_s + min(10.0, self._every_s)
        self._line(f"{clock(t_s)}  stage {stage.name} ({stage.kind.value})")

    def tick(self, view: TickView) -> None:
        """Write a line now and then, and repeat what a person must do until it is done."""
        if view.order and view.t_s >= self._order_s:
            self._order_s = view.t_s + ORDER_EVERY_S
            self._line(f"*** {view.order}")
            self._ring()
        if view.t_s < self._next_s:
            return
        self._next_s = view.t_s + self._every_s
        shown = hottest_of(self._channel, view.readings) if self._channel in view.readings else ""
        parts = [f"{part_word(shown)} {temp_word(view.readings[shown])}" if shown else "no temperature"]
        parts += [
            margin_sentence(view.margin_k, view.margin_channel),
            forecast_sentence(view.forecast, view.forecast_channel),
        ]
        self._line(f"{clock(view.t_s)}  {view.stage.name}: " + ", ".join(part for part in parts if part))

    def say(self, text: str, *, loud: bool = False) -> None:
        """Write it, set apart where it is loud."""
        said = plain_line(text, 400)
        self._line(f"*** {said}" if loud else f"      {said}")

    def attend(self, what: Attention | None) -> None:
        """Set the word apart, in large letters where a terminal has room for them; the sound is `Alerting`'s."""
        if what is None:
            return
        if self._out.isatty():
            size = shutil.get_terminal_size((80, 24))
            for line in large_word(what, size.columns - 1, size.lines):
                self._line(line)
        else:
            self._line(f"*** {word_of(what)} ***")

    def end(self) -> None:
        """Nothing to give back."""

    def _ring(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            if self._out.isatty():
                self._out.write("\a")
                self._out.flush()

    def _line(self, text: str) -> None:
        text = plain_lines([text])
        try:
            print(_broken(text) if self._out.isatty() else text, file=self._out, flush=True)
        except (OSError, ValueError):
            # A closed terminal must not keep the run from ending in order.
            return


def _broken(text: str) -> str:
    """Return the text broken at words to the terminal's width; what goes on stands a little further in."""
    columns = shutil.get_terminal_size((80, 24)).columns
    inner = len(text) - len(text.lstrip(" ")) + 4
    return textwrap.fill(
        text, max(24, columns - 1), subsequent_indent=" " * inner, break_on_hyphens=False, drop_whitespace=True
    )
