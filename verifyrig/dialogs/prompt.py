"""Questions to the person at the terminal: one key where there are choices, one line where there are words.

Questions go to stderr; stdout is for results. Nothing is asked where stdin is no terminal.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from verifyrig.core.plain_text import plain_block, plain_line, plain_lines
from verifyrig.files.streams import tell

LONGEST_LINE = 2000
_NARROWEST = 20


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

    def line(self, question: str, default: str = "") -> str:
        """Return a line of text, the default for an empty one."""
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
        textwrap.fill(line, width(), initial_indent="", subsequent_indent=indent, break_on_hyphens=False)
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
            key = read_key().lower()
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

    def line(self, question: str, default: str = "") -> str:
        """Ask for one line."""
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


def read_key() -> str:
    """Return one key from the terminal, without Enter where the system can.

    Raises:
        NobodyThere: Ctrl-C, Ctrl-D, or the terminal is gone.
    """
    try:
        import termios
    except ImportError:
        return _windows_key()
    fd = sys.stdin.fileno()
    try:
        with _single_keys(fd):
            data = os.read(fd, 1)
            # A key outside ASCII comes as several bytes, an arrow as an escape and two more; none of them is a choice.
            data += _rest_of_key(fd, data)
    except (OSError, termios.error) as error:
        raise NobodyThere from error
    text = data.decode("utf-8", errors="replace")
    if text in ("", "\x03", "\x04"):
        raise NobodyThere
    return text


def _rest_of_key(fd: int, first: bytes) -> bytes:
    import select

    rest = b""
    while (first >= b"\x80" or first == b"\x1b") and select.select([fd], [], [], 0.02)[0] and len(rest) < 8:
        rest += os.read(fd, 1)
        if first >= b"\x80" and (first + rest).decode("utf-8", errors="ignore"):
            break
    return rest


@contextlib.contextmanager
def _single_keys(fd: int) -> Iterator[None]:
    import termios
    import tty

    before = termios.tcgetattr(fd)
    try:
        # TCSADRAIN keeps keys that were typed ahead.
        tty.setcbreak(fd, termios.TCSADRAIN)
        yield
    finally:
        with contextlib.suppress(termios.error):
            termios.tcsetattr(fd, termios.TCSADRAIN, before)


def _windows_key() -> str:
    import importlib

    key: str = importlib.import_module("msvcrt").getwch()
    if key in ("\x03", "\x04", "\x1a"):
        raise NobodyThere
    return key
