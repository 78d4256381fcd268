"""A build line without a keyboard: bare `verifyrig` starts the run that bench.toml names.

    [autostart]
    profile = "build"
    batch = "week 14"           # all but the profile may be left out
    unit = "unit-07"
    ambient = "22±1"
    attest = "attest.toml"      # a person's answers; without them a load above quarter-share pulses is refused
    wait_s = 10                 # on a terminal any key within this time opens the menu instead

It never answers for a person: the file of answers is one that somebody wrote.
"""

from __future__ import annotations

import contextlib
import os
import select
import sys
from typing import Any

from verifyrig.bench.folder import Bench
from verifyrig.files.streams import tell

__all__ = ["autostart_words", "somebody_wants_the_menu"]

_DEFAULT_WAIT_S = 10.0
_OPTIONS = ("batch", "unit", "ambient", "attest")


def autostart_words(bench: Bench) -> list[str] | None:
    """Return the words of the run to start, or None where bench.toml asks for none.

    A relative path of a file of answers counts from the bench folder.
    """
    table = bench.config.get("autostart")
    if table is None:
        return None
    words = ["run", table["profile"], "--as", "build"]
    for key in _OPTIONS:
        if key in table:
            words += [f"--{key}", str(bench.root / table[key]) if key == "attest" else table[key]]
    return words


def somebody_wants_the_menu(bench: Bench) -> bool:
    """Wait for a key where there is a terminal; return whether one came. Without a terminal nobody is there."""
    seconds: float = bench.config.get("autostart", {}).get("wait_s", _DEFAULT_WAIT_S)
    if not (sys.stdin.isatty() and sys.stderr.isatty()) or os.name == "nt":
        return False
    with _keys_at_once(sys.stdin.fileno()):
        tell(f"Starting in {seconds:.0f} s. Any key opens the menu.")
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
