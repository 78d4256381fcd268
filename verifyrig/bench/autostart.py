"""A build line without a keyboard: bare `verifyrig` starts the run that bench.toml names.

    [autostart]
    profile = "build"
    batch = "week 14"           # all but the profile may be left out
    unit = "unit-07"
    ambient = "22±1"
    attest = "attest.toml"      # a person's answers; without them no load above quarter-share pulses starts
    wait_s = 10                 # on a terminal any key within this time opens the menu instead

It never answers for a person: the file of answers is one that somebody wrote.
"""

from __future__ import annotations

import contextlib
import os
import select
import sys
from pathlib import Path
from typing import Any

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import BenchError

__all__ = ["autostart_words", "somebody_wants_the_menu"]

_DEFAULT_WAIT_S = 10.0
_OPTIONS = ("batch", "unit", "ambient", "attest")


def autostart_words(bench: Bench) -> list[str] | None:
    """Return the words of the run to start, or None where bench.toml asks for none.

    Raises:
        BenchError: The table holds something else than texts, or names no profile.
    """
    table = bench.config.get("autostart")
    if table is None:
        return None
    if not isinstance(table, dict) or not isinstance(table.get("profile"), str):
        raise BenchError(
            "no profile is named", where="bench.toml, autostart.profile", mend='Write profile = "build", for example.'
        )
    words = ["run", table["profile"], "--as", "build"]
    for key in _OPTIONS:
        if key in table:
            words += [f"--{key}", _path(bench, table[key]) if key == "attest" else _text(table[key], key)]
    return words


def _text(value: Any, key: str) -> str:
    if isinstance(value, str) and value and not value.startswith("-"):
        return value
    raise BenchError("this is no text that can be used", where=f"bench.toml, autostart.{key}", mend='Write "...".')


def _path(bench: Bench, value: Any) -> str:
    """Return the file of answers; a relative path counts from the bench folder."""
    return str(bench.root / Path(_text(value, "attest")))


def wait_s(bench: Bench) -> float:
    """Return how long a key is waited for, s; raise `BenchError` for anything but 0 to 600."""
    value = bench.config.get("autostart", {}).get("wait_s", _DEFAULT_WAIT_S)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 600:
        raise BenchError(
            "this is no waiting time", where="bench.toml, autostart.wait_s", mend="Write 0 to 600 seconds."
        )
    return float(value)


def somebody_wants_the_menu(bench: Bench) -> bool:
    """Wait for a key where there is a terminal; return whether one came. Without a terminal nobody is there."""
    seconds = wait_s(bench)
    if not (sys.stdin.isatty() and sys.stderr.isatty()) or os.name == "nt":
        return False
    with _keys_at_once(sys.stdin.fileno()):
        print(f"Starting in {seconds:.0f} s. Any key opens the menu.", file=sys.stderr, flush=True)
        pressed, _, _ = select.select([sys.stdin], [], [], seconds)
        if pressed:
            os.read(sys.stdin.fileno(), 1)
    return bool(pressed)


@contextlib.contextmanager
def _keys_at_once(terminal: int) -> Any:
    """Let single keys through without Enter while the block lasts."""
    import termios
    import tty

    before = termios.tcgetattr(terminal)
    try:
        # A key that was pressed already counts too, so what waits is not flushed.
        tty.setcbreak(terminal, termios.TCSADRAIN)
        yield
    finally:
        termios.tcsetattr(terminal, termios.TCSADRAIN, before)
