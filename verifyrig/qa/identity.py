"""Who a unit is: by batch and name, checked against the board that the run was made on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import numpy as np

from verifyrig.core.reason import Reason, reason
from verifyrig.core.run_columns import BoolArray, Coded

__all__ = ["NamedRun", "Question", "named_apart", "questions_of"]

# A serial under as many names is none: makers ship boards with one serial for all (common practice, no source).
_NAMES_OF_NO_SERIAL = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What a person must say about runs whose name and board do not agree."""

    why: Reason
    runs: tuple[str, ...]


class NamedRun(Protocol):
    """What is looked at of a run; `UnitRun` is one."""

    @property
    def run(self) -> str: ...
    @property
    def unit(self) -> str: ...
    @property
    def board(self) -> str | None: ...
    @property
    def rework(self) -> str: ...


def named_apart(units: Coded, batches: Coded, unusable: BoolArray) -> Coded:
    """Return the units' names, those of one name in several batches as `batch/unit`: they are different machines.

    Args:
        unusable: Runs whose records cannot be used; they make no second batch.
    """
    if not units.codes.size or np.bincount(units.codes).max() < 2:
        return units
    width = len(batches.words)
    pairs = units.codes * width + batches.codes
    several = np.bincount(np.unique(pairs[~unusable]) // width, minlength=len(units.words)) > 1
    apart = several[units.codes]
    if not apart.any():
        return units
    keys, own = np.unique(pairs[apart], return_inverse=True)
    words = [f"{batches.words[key % width] or 'no batch'}/{units.words[key // width]}" for key in keys.tolist()]
    codes = units.codes.copy()
    codes[apart] = len(units.words) + own
    return Coded.joined([Coded(codes, (*units.words, *words))])


def questions_of(runs: Sequence[NamedRun]) -> tuple[Question, ...]:
    """Return where one name stands for several boards, or one board for several names; a rework code answers both.

    Args:
        runs: In order of time, units already named apart.
    """
    names: dict[str, set[str]] = {}
    for run in runs:
        if run.board is not None:
            names.setdefault(run.board, set()).add(run.unit)
    boards = {board for board, own in names.items() if len(own) < _NAMES_OF_NO_SERIAL}
    known = [run for run in runs if run.board in boards]
    questions = []
    for unit in dict.fromkeys(run.unit for run in known):
        own = [run for run in known if run.unit == unit]
        changed = [b for a, b in pairwise(own) if b.board != a.board and not b.rework]
        if changed:
            runs_asked = tuple(run.run for run in own)
            questions.append(Question(why=reason("unit-on-two-boards", unit=unit), runs=runs_asked))
    for board in dict.fromkeys(run.board for run in known):
        own = [run for run in known if run.board == board]
        renamed = [b for a, b in pairwise(own) if b.unit != a.unit and not b.rework]
        if renamed:
            units = ", ".join(dict.fromkeys(run.unit for run in own))
            asked = tuple(run.run for run in own)
            questions.append(Question(why=reason("board-under-two-names", units=units), runs=asked))
    return tuple(questions)
