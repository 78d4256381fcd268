"""Who a unit is: by batch and name, checked against the board that the run was made on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from verifyrig.core.reason import Reason, reason
from verifyrig.qa.unit_run import UnitRun

__all__ = ["Question", "named_apart", "questions_of"]

# A serial under as many names is none: makers ship boards with one serial for all (common practice, no source).
_NAMES_OF_NO_SERIAL = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What a person must say about runs whose name and board do not agree."""

    why: Reason
    runs: tuple[str, ...]


def named_apart(runs: Sequence[UnitRun]) -> list[UnitRun]:
    """Return the runs, units of one name in several batches named `batch/unit`: they are different machines."""
    batches: dict[str, set[str | None]] = {}
    for run in runs:
        if not run.refused:
            batches.setdefault(run.unit, set()).add(run.batch)
    return [
        replace(run, unit=f"{run.batch or 'no batch'}/{run.unit}") if len(batches.get(run.unit, ())) > 1 else run
        for run in runs
    ]


def questions_of(runs: Sequence[UnitRun]) -> tuple[Question, ...]:
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
