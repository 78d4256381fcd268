"""What must be said before a unit is measured: whether name, board and earlier runs agree, by what is recorded here."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import StrEnum

from verifyrig.line.show import STUDIED
from verifyrig.runs.units_seen import SeenUnit

__all__ = ["UnitQuestion", "UnitToMeasure", "question_of"]

# As in `line.show`: a serial under so many names is none.
_NAMES_OF_NO_SERIAL = 3


class UnitQuestion(StrEnum):
    """What is asked of a person."""

    OTHER_BOARD = "other-board"
    OTHER_NAME = "other-name"
    AGAIN = "again"


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitToMeasure:
    """The unit that is about to be measured.

    Attributes:
        board: Keyed digest of its board's serial, None where it tells none.
        states: Keys of what is noted by hand of this run.
    """

    unit: str
    batch: str | None
    board: str | None
    recipe: str
    rework: str | None
    states: Collection[str] = ()


def question_of(
    unit: UnitToMeasure, seen: Sequence[SeenUnit], golden: Collection[str]
) -> tuple[UnitQuestion, SeenUnit] | None:
    """Return what must be asked, and the earlier run that it is about; None where all agrees, or a rework says why.

    Args:
        seen: Earlier runs of units, in order of time.
        golden: Kept machines, which are measured again and again.
    """
    if unit.rework:
        return None
    own = [one for one in seen if (one.unit, one.batch) == (unit.unit, unit.batch)]
    if unit.board is not None:
        told = [one for one in own if one.board is not None]
        if told and told[-1].board != unit.board:
            return UnitQuestion.OTHER_BOARD, told[-1]
        same = [one for one in seen if one.board == unit.board]
        names = {(one.unit, one.batch) for one in same}
        others = [one for one in same if (one.unit, one.batch) != (unit.unit, unit.batch)]
        if others and unit.unit not in golden and len(names) < _NAMES_OF_NO_SERIAL and same[-1] is others[-1]:
            return UnitQuestion.OTHER_NAME, others[-1]
    ended = [one for one in own if one.completed and one.recipe == unit.recipe]
    if ended and unit.unit not in golden and not set(STUDIED) & set(unit.states):
        return UnitQuestion.AGAIN, ended[-1]
    return None
