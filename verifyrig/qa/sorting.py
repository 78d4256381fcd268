"""Which runs count, decided on columns: the one rule, for a batch of twelve and for a million runs.

Steps follow one another, each looking only at what those before it have left; `Why` is in their order.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.profile import Profile
from verifyrig.core.run_columns import BoolArray, Coded, RowArray, RunColumns
from verifyrig.qa.identity import Question, named_apart, questions_of

__all__ = ["AMBIENT_RANGE_K", "AttemptRows", "SortedColumns", "Why", "sort_columns"]

# A room this far from the others' middle changes fan speed and leakage, so that not even the rise is the same any
# more (common practice, no source: nearer than 3 K is called equal, and benches of one shop lie within 18 to 27 °C).
AMBIENT_RANGE_K = 6.0
# States that a gauge study changes from run to run; they make no run unlike the others.
_REPEATED_ON_PURPOSE = ("remount", "repeat", "person")
_ENDED_BY_PEOPLE: dict[str, str] = {
    CauseClass.OPERATOR: "the operator ended the run",
    CauseClass.TERMINATED: "the run was ended from outside",
    CauseClass.KILLED: "the program was killed",
    CauseClass.SUSPEND: "the machine was suspended",
    CauseClass.LOAD_FAILED: "the load did not come up",
    CauseClass.HANG: "the run hung",
    CauseClass.UNKNOWN: "the run was interrupted, and nobody knows why",
}


class Why(IntEnum):
    """Why a run does not count; `KEPT` counts."""

    KEPT = 0
    RECIPE_UNKNOWN = 1
    RECIPE_OTHER = 2
    NOT_OVER = 3
    REFUSED = 4
    ENDED_BY_PEOPLE = 5
    LATER_BROKEN = 6
    VERSION = 7
    STATES = 8
    AMBIENT = 9
    NO_REASON = 10


class _Named(NamedTuple):
    """What questions about names and boards look at."""

    run: str
    unit: str
    board: str | None
    rework: str


class AttemptRows(NamedTuple):
    """Comparable runs, by unit and then by time; each field has shape (m,).

    Attributes:
        rows: Rows of `SortedColumns.columns`.
        number, of: Which attempt, from 1, and how many there are.
        counted: Whether the statistics take this one (the first that went to its end).
        last: Whether this one decides on the unit.
    """

    rows: RowArray
    number: RowArray
    of: RowArray
    counted: BoolArray
    last: BoolArray

    @property
    def counted_rows(self) -> RowArray:
        """One row for each unit, for the statistics, in order of time."""
        return np.sort(self.rows[self.counted])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SortedColumns:
    """All runs, sorted out; rows are those of `columns`, which are in order of time.

    Attributes:
        columns: Without figures, which stay in the columns as given.
        order: Which row of the columns as given each one was.
        units: Who each run is of, units of one name in several batches named apart.
        why: A `Why` for each row, shape (n,).
        questions: Where names and boards do not agree.
        without_run: Units that were to be measured, and of which no run is comparable.
    """

    columns: RunColumns
    order: RowArray
    units: Coded
    why: NDArray[np.int8]
    attempts: AttemptRows
    questions: tuple[Question, ...]
    without_run: tuple[str, ...]
    newest: str
    usual: Mapping[str, str]
    middle_c: float
    later: Mapping[int, int]

    def is_foreign(self, row: int) -> bool:
        """Return whether a run is no attempt at the profile, or none yet."""
        return bool(Why.RECIPE_UNKNOWN <= self.why[row] <= Why.NOT_OVER)

    def words(self, row: int, profile: Profile) -> str:
        """Return why a run does not count, in words."""
        own = self.columns
        why = Why(self.why[row])
        if why is Why.REFUSED:
            return str(own.refused[row])
        if why is Why.RECIPE_UNKNOWN:
            return "its recipe is unknown"
        if why is Why.RECIPE_OTHER:
            return f"its recipe is not that of {profile.name}"
        if why is Why.NOT_OVER:
            return "the run is not over"
        if why is Why.ENDED_BY_PEOPLE:
            return _ENDED_BY_PEOPLE[own.cause[row]]
        if why is Why.LATER_BROKEN:
            return f"a later attempt, {own.run[self.later[int(self.units.codes[row])]]}, is altered or damaged"
        if why is Why.VERSION:
            return f"computed with analysis version {own.version[row] or 'unknown'}, the others with {self.newest}"
        if why is Why.STATES:
            differing = [item for item in own.states[row] if _differs(item, self.usual)]
            return "; ".join(f"{key} is {value}, of the others {self.usual[key]}" for key, value in differing)
        if why is Why.AMBIENT:
            ambient_c = float(own.ambient_c[row])
            away_k = abs(ambient_c - self.middle_c)
            return f"its room was {ambient_c:.1f} °C, {away_k:.1f} K from the others' {self.middle_c:.1f} °C"
        return "measured again without a reason: `run --rework CODE` says one"


def sort_columns(columns: RunColumns, profile: Profile, *, repeats: bool = False) -> SortedColumns:
    """Separate comparable runs from others.

    Args:
        columns: In any order.
        repeats: Whether units are measured again and again on purpose, as golden ones are.
    """
    order = _by_time(columns)
    own = replace(columns, figures={}).take(order)
    units = named_apart(own.unit, own.batch, own.refused.where(bool))
    why = _own_reasons(own, profile)
    later = _broken_rows(own, units)
    for unit, row in later.items():
        since = own.started_utc_s[row]
        earlier = (units.codes == unit) & ~((since > 0.0) & (since < own.started_utc_s))
        why[earlier & (why == Why.KEPT)] = Why.LATER_BROKEN
    newest = max((own.version.words[code] for code in own.version.take(why == Why.KEPT).present().tolist()), default="")
    why[(why == Why.KEPT) & own.version.where(lambda word: word != newest)] = Why.VERSION
    usual = _usual_states(own.states.take(why == Why.KEPT))
    unlike = own.states.where(lambda items: any(_differs(item, usual) for item in items))
    why[(why == Why.KEPT) & unlike] = Why.STATES
    known = own.ambient_c[(why == Why.KEPT) & np.isfinite(own.ambient_c)]
    middle_c = float(np.median(known)) if known.size else np.nan
    with np.errstate(invalid="ignore"):
        why[(why == Why.KEPT) & (np.abs(own.ambient_c - middle_c) > AMBIENT_RANGE_K)] = Why.AMBIENT
    questions = _questions(own, units, np.flatnonzero(why == Why.KEPT))
    if not repeats:
        why[_without_reason(own, units, np.flatnonzero(why == Why.KEPT))] = Why.NO_REASON
    return SortedColumns(
        columns=own,
        order=order,
        units=units,
        why=why,
        questions=questions,
        without_run=_without_run(units, why),
        newest=newest,
        usual=usual,
        middle_c=middle_c,
        later=later,
        attempts=_attempts(own, units, np.flatnonzero(why == Why.KEPT)),
    )


def _by_time(columns: RunColumns) -> RowArray:
    """Return the rows in order of start, those of one moment in order of name."""
    order = np.argsort(columns.started_utc_s, kind="stable").astype(np.int64)
    same = np.concatenate([[False], np.diff(columns.started_utc_s[order]) == 0, [False]])
    begins = np.flatnonzero(~same[:-1] & same[1:])
    ends = np.flatnonzero(same[:-1] & ~same[1:]) + 1
    for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
        order[begin:end] = sorted(order[begin:end].tolist(), key=lambda row: columns.run[row])
    return order


def _own_reasons(own: RunColumns, profile: Profile) -> NDArray[np.int8]:
    """Return why runs cannot count whatever the others are.

    A machine that lost its power has shown something about itself; a run that a person ended has not.
    """
    refused = own.refused.where(bool)
    interrupted = own.outcome.where(lambda word: word == Outcome.INTERRUPTED)
    reasons = [
        (refused, Why.REFUSED),
        (own.recipe.where(lambda word: word is None), Why.RECIPE_UNKNOWN),
        (own.recipe.where(lambda word: word != profile.recipe), Why.RECIPE_OTHER),
        (own.outcome.where(lambda word: word == Outcome.RUNNING), Why.NOT_OVER),
        (interrupted & own.cause.where(lambda word: word in _ENDED_BY_PEOPLE), Why.ENDED_BY_PEOPLE),
    ]
    chosen = np.select([where for where, _ in reasons], [int(why) for _, why in reasons], default=int(Why.KEPT))
    return chosen.astype(np.int8)


def _broken_rows(own: RunColumns, units: Coded) -> dict[int, int]:
    """Return by unit its latest record that is altered or damaged.

    Whoever damages the record of an attempt that failed would bring back an earlier pass of the unit. A record that
    no longer says when it was made counts as a later one.
    """
    rows = sorted(np.flatnonzero(own.broken).tolist(), key=lambda row: own.started_utc_s[row] or np.inf)
    return {int(units.codes[row]): row for row in rows}


def _usual_states(states: Coded) -> dict[str, str]:
    """Return by state the value that most runs have, of several the one that was first."""
    codes, first, counts = np.unique(states.codes, return_index=True, return_counts=True)
    found: dict[str, dict[str, list[int]]] = {}
    for code, begin, count in zip(codes.tolist(), first.tolist(), counts.tolist(), strict=True):
        for key, value in states.words[code]:
            seen = found.setdefault(key, {}).setdefault(value, [0, begin])
            seen[0], seen[1] = seen[0] + count, min(seen[1], begin)
    return {key: max(values, key=lambda v: (values[v][0], -values[v][1])) for key, values in found.items()}


def _differs(item: tuple[str, str], usual: Mapping[str, str]) -> bool:
    """Return whether a state is known and another; unknown alone makes no run unlike the others."""
    key, value = item
    return value != usual.get(key, value) and key not in _REPEATED_ON_PURPOSE


def _questions(own: RunColumns, units: Coded, kept: RowArray) -> tuple[Question, ...]:
    """Return what must be asked; only runs whose unit or board has several of the other are looked at one by one."""
    with_board = kept[own.board.where(lambda word: word is not None)[kept]]
    unit, board = units.codes[with_board], own.board.codes[with_board]
    pairs = np.unique(np.stack([unit, board], axis=1), axis=0) if with_board.size else np.empty((0, 2), dtype=np.int64)
    several_boards = np.bincount(pairs[:, 0], minlength=len(units.words)) > 1
    several_names = np.bincount(pairs[:, 1], minlength=len(own.board.words)) > 1
    asked = with_board[several_boards[unit] | several_names[board]] if with_board.size else with_board
    return questions_of([_Named(own.run[r], units[r], own.board[r], own.rework[r]) for r in asked.tolist()])


def _without_reason(own: RunColumns, units: Coded, kept: RowArray) -> RowArray:
    """Return rows of units that were measured again without a reason.

    Whoever measures a unit until it passes has measured nothing: another attempt needs the reason that makes it one.
    One that did not go to its end, or that a gauge study repeats on purpose, needs none.
    """
    again = np.bincount(units.codes[kept], minlength=len(units.words)) > 1
    free = own.rework.where(bool) | own.states.where(lambda items: any(k in _REPEATED_ON_PURPOSE for k, _ in items))
    completed = own.outcome.where(lambda word: word == Outcome.COMPLETED)
    latest: dict[int, int] = {}
    found = []
    for row in kept[again[units.codes[kept]]].tolist():
        before = latest.get(int(units.codes[row]))
        if before is None or free[row] or not completed[before]:
            latest[int(units.codes[row])] = row
        else:
            found.append(row)
    return np.array(found, dtype=np.int64)


def _without_run(units: Coded, why: NDArray[np.int8]) -> tuple[str, ...]:
    """Return units of which runs were left out and none is kept, in the order in which they were left out."""
    left = np.flatnonzero((why != Why.KEPT) & ((why < Why.RECIPE_UNKNOWN) | (why > Why.NOT_OVER)))
    measured = np.zeros(len(units.words), dtype=np.bool_)
    measured[units.codes[why == Why.KEPT]] = True
    left = left[~measured[units.codes[left]]]
    # A record that cannot be used and a run that a person ended are left out in one step.
    step = np.where(why[left] == Why.ENDED_BY_PEOPLE, int(Why.REFUSED), why[left])
    ordered = left[np.lexsort((left, step))]
    return tuple(dict.fromkeys(units[row] for row in ordered.tolist()))


def _attempts(own: RunColumns, units: Coded, kept: RowArray) -> AttemptRows:
    """Return the attempts by unit and time: the first that went to its end counts, the last one decides."""
    codes = units.codes[kept]
    first = np.full(len(units.words), len(own), dtype=np.int64)
    np.minimum.at(first, codes, kept)
    rows = kept[np.lexsort((kept, first[codes]))]
    codes = units.codes[rows]
    begins = np.flatnonzero(np.concatenate([[True], codes[1:] != codes[:-1]])) if rows.size else rows
    sizes = np.diff(np.concatenate([begins, [rows.size]]))
    at = np.arange(rows.size) - np.repeat(begins, sizes)
    completed = own.outcome.where(lambda word: word == Outcome.COMPLETED)[rows]
    # Place of the first one that went to its end within each unit, 0 where there is none.
    place = np.where(completed, at, rows.size)
    chosen = np.minimum.reduceat(place, begins) if rows.size else place
    chosen = np.where(chosen == rows.size, 0, chosen)
    return AttemptRows(
        rows=rows,
        number=at + 1,
        of=np.repeat(sizes, sizes),
        counted=at == np.repeat(chosen, sizes),
        last=at == np.repeat(sizes, sizes) - 1,
    )
