"""What QA needs to know of one run of one unit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from verifyrig.core.outcome import CauseClass, Outcome

__all__ = ["UnitFigure", "UnitRun"]


class UnitFigure(NamedTuple):
    """One metric of one run; a tuple, since there may be a million of them.

    Attributes:
        value: In `unit`; None where it was not measured.
        u95: Expanded uncertainty; None where it cannot be stated, 0 for counts.
        note: Why there is no value, or what a reader must know.
        why_no_pass: Why the figure may not pass however good it looks (not settled, readings missing).
    """

    value: float | None
    u95: float | None
    unit: str
    note: str = ""
    why_no_pass: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitRun:
    """What QA needs to know of one run.

    Attributes:
        unit: Which unit; the run's own id where none was named.
        batch, model: What the unit belongs to, or None.
        recipe: Digest of stages and loads, or None.
        version: Version of the analysis that computed the metrics.
        started_utc_s: When, s since 1970.
        outcome, cause: How it ended, and what ended it early, or None.
        lost_power: Whether the machine went dark without a person's doing.
        ambient_c: Mean room temperature, °C, or None.
        states: What was noted by hand (panel, position, fans, ...).
        bench, operator: Where and by whom it was measured, or None.
        rework: Why a unit was measured again: a code of the line's own, or empty.
        board: Keyed digest of the machine's own serial, or None: the same for the same board.
        duration_s: How long the run took, s.
        stopped_by: What ended it early, in words; empty where it went to its end.
        refused: Why the record itself cannot be used (altered, unreadable); empty where it can.
        broken: Whether it is refused because it is altered or damaged.
    """

    run: str
    unit: str
    metrics: Mapping[str, UnitFigure]
    batch: str | None = None
    model: str | None = None
    recipe: str | None = None
    version: str = ""
    started_utc_s: float = 0.0
    outcome: Outcome = Outcome.COMPLETED
    cause: CauseClass | None = None
    lost_power: bool = False
    ambient_c: float | None = None
    states: Mapping[str, str] = field(default_factory=dict)
    simulated: bool = False
    bench: str | None = None
    operator: str | None = None
    rework: str = ""
    board: str | None = None
    duration_s: float = 0.0
    stopped_by: str = ""
    refused: str = ""
    broken: bool = False
