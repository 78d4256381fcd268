"""What a run has measured so far: one append-only buffer, read by all who judge the run while it lasts.

A row is one sample: its time, the value of each channel (NaN where the reading is not to be believed), the share that
the load was commanded, the share of each heated part that this means, and the ambient temperature. Rows are numbered
from 0 on and keep their numbers; a row number such as `end` marks a moment, and "since" it means from that row on.
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Mapping

import numpy as np

from verifyrig.core.heat_sources import CARD, DIE
from verifyrig.core.interfaces import Reading
from verifyrig.core.trace import BoolArray, FloatArray

__all__ = ["MOST_ROWS", "BufferRows", "RunBuffer"]

# A day of samples a second apart; of 30 channels 21 MB. The oldest go in blocks: moving the others costs time.
MOST_ROWS = 86_400
_BLOCK = 3_600
_HAIR_S = 1e-6


class RunBuffer:
    """Samples of one run in order.

    Args:
        most_rows: How many rows are kept at least; older ones are dropped.

    Attributes:
        newest: The last sample's readings, empty before the first.
        ambient_c: The ambient temperature at the last sample, None where it is unknown.
        first: The number of the oldest row that is kept.
    """

    def __init__(self, most_rows: int = MOST_ROWS) -> None:
        self._most_rows = most_rows
        self.first = 0
        self._t_s = array("d")
        self._columns: dict[str, array[float]] = {}
        self._share, self._ambient = array("d"), array("d")
        self._heating = {DIE.temp: array("d"), CARD.temp: array("d")}
        self._left_out = array("b")
        self.newest: Mapping[str, Reading] = {}
        self.ambient_c: float | None = None

    # ---- writing

    def add(
        self,
        t_s: float,
        readings: Mapping[str, Reading],
        *,
        share: float = 0.0,
        heating: Mapping[str, float] | None = None,
        ambient_c: float | None = None,
        left_out: bool = False,
    ) -> None:
        """Append one sample.

        Args:
            t_s: Since the run began, s; later than the last one.
            readings: By channel.
            share: What the load was commanded when the sample was taken, 0 to 1.
            heating: The share of a part's full load that this means, by the part's temperature; none where None.
            ambient_c: Measured or typed, °C.
            left_out: Whether the sample shows a dip of the load, and counts in no forecast.
        """
        self._t_s.append(t_s)
        self._share.append(share)
        self._ambient.append(math.nan if ambient_c is None else ambient_c)
        self._left_out.append(left_out)
        for part, column in self._heating.items():
            column.append(heating.get(part, 0.0) if heating else 0.0)
        for channel in readings.keys() - self._columns.keys():
            self._columns[channel] = array("d", [math.nan]) * (len(self._t_s) - 1)
        for channel, column in self._columns.items():
            reading = readings.get(channel)
            value = reading.value if reading is not None and reading.ok else None
            column.append(math.nan if value is None else value)
        self.newest, self.ambient_c = readings, ambient_c
        if len(self._t_s) >= self._most_rows + _BLOCK:
            self._drop_oldest()

    def _drop_oldest(self) -> None:
        own = (self._t_s, self._share, self._ambient)
        for column in (*own, *self._heating.values(), *self._columns.values()):
            del column[:_BLOCK]
        del self._left_out[:_BLOCK]
        self.first += _BLOCK

    # ---- reading

    @property
    def end(self) -> int:
        """The number of the next row: how many samples there were so far."""
        return self.first + len(self._t_s)

    @property
    def t_s(self) -> float:
        """When the last sample was taken, s."""
        return self._t_s[-1]

    def rows(self, since: int = 0, *, with_left_out: bool = True) -> BufferRows:
        """Return the rows since a moment as arrays."""
        start = max(0, since - self.first)
        kept = None if with_left_out else np.frombuffer(self._left_out[start:], dtype=np.int8) == 0
        return BufferRows(self, start, kept)

    def window(self, channel: str, last_s: float, since: int = 0) -> list[tuple[float, float]]:
        """Return times, s, and values of a channel over the last seconds, oldest first."""
        column = self._columns.get(channel, ())
        start = max(bisect_left(self._t_s, self.t_s - last_s), since - self.first) if column else 0
        pairs = zip(self._t_s[start:], column[start:], strict=True) if column else ()
        return [(t_s, value) for t_s, value in pairs if not math.isnan(value)]

    def last_values(self, channel: str, count: int, since: int, until: int) -> list[float]:
        """Return the last values of a channel before the row `until`, oldest first."""
        found: list[float] = []
        for row in range(until - 1, max(since, self.first) - 1, -1):
            value = self.value(channel, row)
            if not math.isnan(value):
                found.append(value)
                if len(found) == count:
                    break
        return found[::-1]

    def highest(self, channel: str, since: int) -> float | None:
        """Return the highest value of a channel since a moment, None where there is none."""
        column = self._columns.get(channel, array("d"))
        return max((value for value in column[max(0, since - self.first) :] if not math.isnan(value)), default=None)

    def row_at(self, t_s: float) -> int:
        """Return the number of the last row at or before a time."""
        return self.first + bisect_right(self._t_s, t_s + _HAIR_S) - 1

    def time_s(self, row: int) -> float:
        """Return when a row was taken, s."""
        return self._t_s[row - self.first]

    def value(self, channel: str, row: int) -> float:
        """Return what a channel showed in a row, NaN where that is not to be believed."""
        column = self._columns.get(channel)
        return math.nan if column is None else column[row - self.first]


class BufferRows:
    """Rows of a buffer as arrays of one length.

    Attributes:
        t_s: Times, s.
        share: What the load was commanded, 0 to 1.
        ambient_c: °C, NaN where it was unknown.
        left_out: Whether the row shows a dip of the load.
    """

    def __init__(self, buffer: RunBuffer, start: int, kept: BoolArray | None) -> None:
        """Take the buffer, where its columns are to begin, and which of the rows count (all where None)."""
        self._buffer, self._start, self._kept = buffer, start, kept
        self.t_s = self._array(buffer._t_s)
        self.share = self._array(buffer._share)
        self.ambient_c = self._array(buffer._ambient)
        left_out = np.frombuffer(buffer._left_out[start:], dtype=np.int8) != 0
        self.left_out: BoolArray = left_out if kept is None else left_out[kept]

    def column(self, channel: str | None) -> FloatArray:
        """Return a channel's values, NaN where it gave no reading to be believed."""
        column = None if channel is None else self._buffer._columns.get(channel)
        return np.full(len(self.t_s), math.nan) if column is None else self._array(column)

    def heating(self, part: str) -> FloatArray:
        """Return the share of a part's full load, by the part's temperature."""
        return self._array(self._buffer._heating[part])

    def _array(self, column: array[float]) -> FloatArray:
        # A copy: an array that lends its memory cannot grow.
        whole = np.array(column[self._start :], dtype=np.float64)
        return whole if self._kept is None else whole[self._kept]
