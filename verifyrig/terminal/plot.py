"""A trace as rows of Braille dots, with a level drawn across. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

# Bit of each dot in a Braille cell, by row and column (Unicode block U+2800).
_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))


def trace_rows(values: Sequence[float], *, low: float, high: float, width: int, height: int) -> list[str]:
    """Return `height` rows of `width` cells; the highest and lowest value of each column of dots are kept.

    Args:
        values: Samples in order; NaN leaves a gap.
        low, high: Values at the lowest and highest row of dots.
    """
    cells = [[0] * width for _ in range(height)]
    columns = _columns(values, width * 2)
    for x, ends in enumerate(columns):
        if ends is None:
            continue
        top, bottom = (_row(v, low, high, height * 4) for v in (ends[1], ends[0]))
        for y in range(top, bottom + 1):
            cells[y // 4][x // 2] |= _DOTS[y % 4][x % 2]
    return ["".join(chr(0x2800 + cell) if cell else " " for cell in row) for row in cells]


def level_row(level: float, *, low: float, high: float, height: int) -> int | None:
    """Return the text row on which a level lies, None where it is out of the picture."""
    if not low <= level <= high:
        return None
    return _row(level, low, high, height * 4) // 4


def _columns(values: Sequence[float], n: int) -> list[tuple[float, float] | None]:
    columns: list[tuple[float, float] | None] = []
    for index in range(min(n, len(values)) if len(values) < n else n):
        start = index * len(values) // max(n, 1) if len(values) >= n else index
        end = max(start + 1, (index + 1) * len(values) // n) if len(values) >= n else index + 1
        finite = [v for v in values[start:end] if math.isfinite(v)]
        columns.append((min(finite), max(finite)) if finite else None)
    return columns


def _row(value: float, low: float, high: float, dots: int) -> int:
    share = (value - low) / (high - low) if high > low else 0.5
    return min(dots - 1, max(0, round((1.0 - share) * (dots - 1))))
