"""Where a word stands in a picture: near its point, and where no line and no other word is in the way."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from verifyrig.core.trace import FloatArray
from verifyrig.report.reduce import LinePiece
from verifyrig.report.svg import Scale

# Width of a bold letter and height of a line at the pictures' 13 units, taken wide.
LETTER_WIDTH, LINE_HEIGHT = 7.4, 15.0
_OFFSETS = (*(-9.0 - 17.0 * n for n in range(9)), *(19.0 + 17.0 * n for n in range(9)))


class Box(NamedTuple):
    """A rectangle in the picture."""

    left: float
    top: float
    right: float
    bottom: float

    def overlaps(self, other: Box) -> bool:
        """Return whether both share ground."""
        return (
            self.left < other.right and other.left < self.right and self.top < other.bottom and other.top < self.bottom
        )


class LabelPlace(NamedTuple):
    """Where a text is anchored (foot of its letters), and the ground that it takes."""

    x: float
    y: float
    anchor: str
    box: Box


def line_points(pieces: Sequence[LinePiece], x: Scale, y: Scale) -> FloatArray:
    """Return points along a drawn line, no further apart than 3 units across, shape (n, 2)."""
    parts = []
    for piece in pieces:
        at = np.array([x(t) for t in piece.t_s.tolist()])
        height = np.array([y(v) for v in piece.values.tolist()])
        between = np.arange(at[0], at[-1], 3.0)
        parts += [np.column_stack((at, height)), np.column_stack((between, np.interp(between, at, height)))]
    return np.concatenate(parts) if parts else np.empty((0, 2))


def free_place(
    point: tuple[float, float], rows: Sequence[str], bounds: Box, lines: FloatArray, taken: Sequence[Box]
) -> LabelPlace:
    """Return the place near `point` that hides least of the lines, shape (n, 2), and of the boxes taken.

    The place is that of the first row; each further row stands one line height below.
    """
    width, further = LETTER_WIDTH * max(map(len, rows)), LINE_HEIGHT * (len(rows) - 1)
    offsets = (*_OFFSETS, *(offset - further for offset in _OFFSETS if offset < 0 < further))
    candidates = [
        _inside(_place(point, side, offset, width, further), bounds) for offset in offsets for side in ("start", "end")
    ]
    return min(candidates, key=lambda place: _cost(place, point, bounds, lines, taken))


def _inside(place: LabelPlace, bounds: Box) -> LabelPlace:
    """Push a place that is too near to the left or right edge inwards."""
    shift = min(0.0, bounds.right - place.box.right) or max(0.0, bounds.left - place.box.left)
    box = place.box
    moved = Box(box.left + shift, box.top, box.right + shift, box.bottom)
    return LabelPlace(place.x + shift, place.y, place.anchor, moved)


def _place(point: tuple[float, float], anchor: str, offset: float, width: float, further: float) -> LabelPlace:
    x, y = point[0] + (8.0 if anchor == "start" else -8.0), point[1] + offset
    left = x if anchor == "start" else x - width
    return LabelPlace(x, y, anchor, Box(left, y - LINE_HEIGHT + 3.0, left + width, y + further + 3.0))


def _cost(place: LabelPlace, point: tuple[float, float], bounds: Box, lines: FloatArray, taken: Sequence[Box]) -> float:
    box = place.box
    outside = max(0.0, bounds.left - box.left) + max(0.0, box.right - bounds.right)
    outside += max(0.0, bounds.top - box.top) + max(0.0, box.bottom - bounds.bottom)
    hidden = np.count_nonzero(
        (lines[:, 0] > box.left) & (lines[:, 0] < box.right) & (lines[:, 1] > box.top) & (lines[:, 1] < box.bottom)
    )
    covered = sum(box.overlaps(other) for other in taken)
    return 100.0 * outside + 2000.0 * covered + 4.0 * float(hidden) + 0.3 * abs(place.y - point[1])
