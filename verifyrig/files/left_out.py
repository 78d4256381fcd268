"""Rows of a log that were not taken, and why."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum


class WhyLeftOut(StrEnum):
    """Why a row was not taken."""

    NO_TIME = "no time"
    TIME_REPEATED = "time repeated"
    ZERO_BYTES = "zero bytes"
    HALF_LINE = "half line"
    HEAD_REPEATED = "head repeated"
    TOO_MANY_CELLS = "too many cells"


_WORDS = {
    WhyLeftOut.NO_TIME: "no time in them",
    WhyLeftOut.TIME_REPEATED: "the time of the row before, again",
    WhyLeftOut.ZERO_BYTES: "zero bytes, as a power cut leaves them",
    WhyLeftOut.HALF_LINE: "the last line has no end, as a power cut leaves it",
    WhyLeftOut.HEAD_REPEATED: "the names of the columns once more",
    WhyLeftOut.TOO_MANY_CELLS: "more cells than the head has names",
}


@dataclass(frozen=True, slots=True)
class LeftOutRows:
    """How many rows were left out for one reason; `first_row` is the first of them as a spreadsheet numbers rows."""

    why: WhyLeftOut
    rows: int = 0
    first_row: int = 0

    def with_row(self, number: int) -> LeftOutRows:
        """Return it with one row more."""
        return replace(self, rows=self.rows + 1, first_row=self.first_row or number)

    @property
    def sentence(self) -> str:
        """One line for a person."""
        rows = f"row {self.first_row}" if self.rows == 1 else f"{self.rows} rows from row {self.first_row} on"
        return f"Left out: {rows} ({_WORDS[self.why]})."
