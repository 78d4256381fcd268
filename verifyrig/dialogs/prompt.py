"""Questions to the person at the terminal: one key where there are choices, one line where there are words.

Questions go to stderr; stdout is for results. Nothing is asked where stdin is no terminal.
"""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from verifyrig.core.plain_text import plain_block, plain_line, plain_lines
from verifyrig.dialogs.line_edit import edit_line
from verifyrig.dialogs.raw_keys import key_waits, read_key, read_windows_key, single_keys
from verifyrig.dialogs.rows import choose_row
from verifyrig.files.streams import tell

LONGEST_LINE = 2000
_NARROWEST = 20
# The terminal is closed; Ctrl-C, Ctrl-D; Ctrl-Z, which ends the input on Windows.
_NOBODY = ("", "\x03", "\x04", "\x1a")


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """One answer to choose: the key to press, and what it means."""

    key: str
    label: str


class Asker(Protocol):
    """Somebody who can be asked."""

    def say(self, text: str = "") -> None:
        """Show a text."""
        ...

    def choose(self, question: str, options: Sequence[Option], default: str = "") -> str:
        """Return the key of the option chosen; Enter chooses the default where there is one."""
        ...

    def row(self, question: str, rows: Sequence[str]) -> int:
        """Return the index of the row that is chosen of a list, by arrow keys or its number."""
        ...

    def line(self, question: str, default: str = "", typed: str = "") -> str:
        """Return a line of text, the default for an empty one; `typed` stands in it already, to be put right."""
        ...


class NobodyThere(KeyboardInterrupt):
    """The terminal was closed, or Ctrl-C or Ctrl-D ended the questions: nothing was answered."""


def can_ask(*, json: bool = False) -> bool:
    """Return whether somebody at a terminal can be asked."""
    return not json and sys.stdin.isatty() and sys.stderr.isatty()


def width() -> int:
    """Return how many columns a text may take."""
    return max(_NARROWEST, shutil.get_terminal_size((80, 24)).columns - 1)


def wrapped(text: str, indent: str = "") -> str:
    """Return the text broken to the terminal's width, its own line breaks kept."""
    lines = (
        textwrap.fill(
            line, width(), initial_indent="", subsequent_indent=indent, break_on_hyphens=False, break_long_words=False
        )
        for line in text.split("\n")
    )
    return "\n".join(lines)


class TerminalAsker:
    """Asks on the terminal; single keys need no Enter where the system can read them so."""

    def say(self, text: str = "") -> None:
        """Show a text, broken to the terminal's width."""
        tell(wrapped(plain_block(text)))

    def choose(self, question: str, options: Sequence[Option], default: str = "") -> str:
        """Show question and options, wait for one of the keys; others are not heard."""
        self._show(question, options, default)
        by_key = {option.key: option for option in options}
        while True:
            key = ask_key().lower()
            if key in ("\r", "\n") and default:
                key = default
            if key in by_key:
                self.say(f"  {by_key[key].label}")
                return key

    def _show(self, question: str, options: Sequence[Option], default: str) -> None:
        if len(options) <= 3 and not any("," in option.label for option in options):
            self.say(f"{question} {_in_brackets(options, default)}")
            return
        if question:
            self.say(question)
        for option in options:
            mark = " (Enter)" if option.key == default else ""
            tell(wrapped(plain_lines([f"  {option.key} {option.label}{mark}"]), indent="    "))

    def row(self, question: str, rows: Sequence[str]) -> int:
        """Show a list with a mark that the arrow keys move; Enter takes the row marked, a number its row."""
        row = choose_row(question, rows, ask_key, width())
        self.say(f"  {rows[row]}")
        return row

    def line(self, question: str, default: str = "", typed: str = "") -> str:
        """Ask for one line."""
        if typed:
            self.say(question)
            return plain_line(edit_line(typed, ask_key, width()))[:LONGEST_LINE]
        shown = f" [{default}]" if default else ""
        tell(wrapped(plain_block(f"{question}{shown}")) + " ", end="")
        try:
            text = sys.stdin.readline()
        except (OSError, UnicodeDecodeError) as error:
            raise NobodyThere from error
        if not text:
            raise NobodyThere
        return plain_line(text)[:LONGEST_LINE] or default


def _in_brackets(options: Sequence[Option], default: str) -> str:
    """Return few options in one bracket, `(y/n)` where the keys speak for themselves; the default is marked."""
    keys = [_default_key(option.key) if option.key == default else option.key for option in options]
    if [option.label for option in options] == ["yes", "no"]:
        return f"({'/'.join(keys)})"
    # A blank that does not break keeps each key beside its meaning.
    named = [f"{key}\u00a0{option.label}" for key, option in zip(keys, options, strict=True)]
    return f"({', '.join(named)})"


def _default_key(key: str) -> str:
    return key.upper() if key.isalpha() else f"{key}/Enter"


def ask_key() -> str:
    """Return one key from the terminal, without Enter where the system can.

    Raises:
        NobodyThere: Ctrl-C, Ctrl-D, or the terminal is gone.
    """
    try:
        key = _key()
    except OSError as error:
        raise NobodyThere from error
    if key in _NOBODY:
        raise NobodyThere
    return key


def _key() -> str:
    if os.name == "nt":
        return read_windows_key()
    fd = sys.stdin.fileno()
    with single_keys(fd):
        return read_key(fd)


def is_key_pressed(within_s: float, said: str) -> bool:
    """Say what is coming; return whether a key came within the time. Without a terminal nobody is there."""
    if not can_ask() or os.name == "nt":
        return False
    fd = sys.stdin.fileno()
    with single_keys(fd):
        tell(said)
        pressed = key_waits(fd, within_s)
        if pressed:
            read_key(fd)
    return pressed
