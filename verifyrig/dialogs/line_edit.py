"""A line on the terminal that holds something already, to be put right: what was typed wrong need not be typed anew."""

from __future__ import annotations

from collections.abc import Callable

from verifyrig.core.plain_text import is_hidden, plain_line
from verifyrig.files.streams import steer

_ENTER, _RUB_OUT, _CLEAR = ("\r", "\n"), ("\x7f", "\b"), "\x15"  # Ctrl-U empties the line, as it does in a shell
_MARK = "> "


def after_key(text: str, key: str) -> str:
    """Return the line after a key: a character joins its end, the backspace takes the last one, Ctrl-U all."""
    if key in _RUB_OUT:
        return text[:-1]
    if key == _CLEAR:
        return ""
    return text + key if len(key) == 1 and not is_hidden(key) else text


def edit_line(text: str, ask_key: Callable[[], str], width: int) -> str:
    """Show the text as a line that can be changed at its end; return it at Enter.

    Args:
        ask_key: Waits for one key; whatever it raises where somebody leaves goes on.
        width: Columns; of a longer text the end is shown.
    """
    while True:
        _draw(text, width)
        key = ask_key()
        if key in _ENTER:
            steer("\n")
            return text
        text = after_key(text, key)


def _draw(text: str, width: int) -> None:
    # Back to the first column and clear to the end of the line (ECMA-48: EL).
    steer(f"\r\x1b[K{_MARK}{plain_line(text)[-max(8, width - len(_MARK)) :]}")
