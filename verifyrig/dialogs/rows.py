"""A list on the terminal with one row marked: arrow keys move the mark, Enter takes its row, a number any row.

Nothing is marked at first: Enter on a list that just came up, meant for something else, takes no row.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from verifyrig.core.plain_text import plain_line
from verifyrig.files.streams import steer, tell

UP, DOWN = ("\x1b[A", "\x1bOA"), ("\x1b[B", "\x1bOB")  # cursor keys, normal and application mode (ECMA-48, VT100)
_NO_ROW = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class RowMark:
    """Where the choice among `count` rows stands.

    Attributes:
        at: Index of the row marked, -1 for none.
        typed: Digits typed so far.
        taken: Index of the row taken, -1 while none is.
    """

    count: int
    at: int = _NO_ROW
    typed: str = ""
    taken: int = _NO_ROW

    def pressed(self, key: str) -> RowMark:
        """Return where it stands after a key. A number is taken as soon as no longer one is possible."""
        if key in UP:
            return replace(self, at=self.at - 1 if self.at > 0 else self.count - 1, typed="")
        if key in DOWN:
            return replace(self, at=(self.at + 1) % self.count, typed="")
        if key in ("\r", "\n"):
            return replace(self, taken=self.at)
        if key in ("\x7f", "\b"):
            return replace(self, typed="", at=_NO_ROW)
        return self._digit(key) if key.isascii() and key.isdigit() else self

    def _digit(self, key: str) -> RowMark:
        number = int(self.typed + key)
        if not 1 <= number <= self.count:
            return replace(self, typed="")
        at = number - 1
        return replace(self, at=at, typed=str(number), taken=at if number * 10 > self.count else _NO_ROW)


def choose_row(question: str, rows: Sequence[str], ask_key: Callable[[], str], width: int) -> int:
    """Show the rows and return the index of the one that a person takes.

    Args:
        ask_key: Waits for one key; whatever it raises where somebody leaves goes on.
        width: Columns that a row may take.
    """
    mark = RowMark(count=len(rows))
    tell(f"{question} (arrow keys and Enter, or the number)")
    movable = os.environ.get("TERM", "dumb") not in ("dumb", "")
    tell(_drawn(rows, mark, width))
    while mark.taken == _NO_ROW:
        before, mark = mark, mark.pressed(ask_key())
        if mark.at != before.at:
            _redraw(rows, mark, width, movable=movable)
    return mark.taken


def _drawn(rows: Sequence[str], mark: RowMark, width: int) -> str:
    digits = len(str(len(rows)))
    lines = (
        f"{'>' if n == mark.at else ' '} {n + 1:>{digits}} {row}" for n, row in enumerate(rows)
    )  # one line each: what is redrawn must be as high as it was
    return "\n".join(_fitted(line, width) for line in lines)


def _fitted(line: str, width: int) -> str:
    """Return a line that fits the terminal, its own blanks at the start kept."""
    start = line[: len(line) - len(line.lstrip())]
    return start + plain_line(line, width - len(start))


def _redraw(rows: Sequence[str], mark: RowMark, width: int, *, movable: bool) -> None:
    if movable:
        # Up to the first row, then clear to the end of the screen (ECMA-48: CUU, ED).
        steer(f"\x1b[{len(rows)}A\r\x1b[J")
        tell(_drawn(rows, mark, width))
    elif mark.at >= 0:
        tell(_fitted(f"> {mark.at + 1} {rows[mark.at]}", width))
