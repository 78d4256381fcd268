"""Several works on one core, by turns, each with its share of the time."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

from verifyrig.loads.works import BlockResult, Work


@dataclass(slots=True)
class _Part:
    work: Work
    weight: float
    busy_s: float = 0.0


class Rotation(Work):
    """A work made of works; the one that is furthest behind its share of the time comes next."""

    def __init__(self, parts: Sequence[tuple[Work, float]]) -> None:
        """Take works with their weights, above 0."""
        self._parts = [_Part(work, weight) for work, weight in parts]
        self.block_s = min(part.work.block_s for part in self._parts)
        self.notes = tuple(note for part in self._parts for note in part.work.notes)

    def block(self, budget_s: float) -> BlockResult:
        """Let the neediest part work whose block fits into the budget."""
        fitting = [part for part in self._parts if part.work.block_s <= max(budget_s, self.block_s)]
        part = min(fitting, key=lambda part: part.busy_s / part.weight)
        began_s = time.perf_counter()
        result = part.work.block(budget_s)
        part.busy_s += time.perf_counter() - began_s
        return result

    def close(self) -> None:
        """Close all parts."""
        for part in self._parts:
            part.work.close()
