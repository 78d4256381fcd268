"""What was seen at the first start after a run was interrupted, kept beside its record as `<run>.after.json`.

The record itself is evidence and is not touched. The note is needed because what the system remembers does not last:
the next start overwrites a reset reason, and another computer cannot know which boot the run died in.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from verifyrig.core.contract import CauseObject, TripObject
from verifyrig.core.outcome import Outcome
from verifyrig.core.reason import Reason, reason_of_json
from verifyrig.files.atomic_write import write_whole
from verifyrig.files.foreign_file import FileKind, read_text
from verifyrig.record.shape import is_utc_s, sound_facts
from verifyrig.system.history.entries import LogEntry


@dataclass(frozen=True, slots=True, kw_only=True)
class Aftermath:
    """The note.

    Attributes:
        seen_utc_s: When it was made, s since 1970.
        restarted_utc_s: When the system was first up again after the last sample; None where that is not known.
        outcome, cause, trip: As the contract has them; `why` holds the reasons behind the cause, or of the stop.
        remembered: What the system's logs said.
    """

    run: str
    seen_utc_s: float
    outcome: str
    cause: CauseObject | None
    restarted_utc_s: float | None = None
    remembered: tuple[LogEntry, ...] = ()
    why: tuple[Reason, ...] = ()
    trip: TripObject | None = None


def aftermath_path(record: Path) -> Path:
    """Return where the note of a record lies."""
    return record.with_name(f"{record.stem}.after.json")


def read_aftermath(record: Path) -> Aftermath | None:
    """Return the note of a record; None where there is none, or none that can be read."""
    try:
        data = json.loads(read_text(aftermath_path(record), FileKind.NOTE, inside=record.parent))
        if not _is_note(data):
            return None
        return Aftermath(
            run=str(data["run"]),
            seen_utc_s=float(data["seen_utc_s"]),
            outcome=str(data["outcome"]),
            cause=data["cause"],
            restarted_utc_s=data["restarted_utc_s"],
            remembered=tuple(LogEntry(**entry) for entry in data["remembered"]),
            why=tuple(filter(None, map(reason_of_json, data.get("cause_reasons", ())))),
            trip=data.get("trip"),
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
        return None


def _is_note(data: Mapping[str, Any]) -> bool:
    """Return whether the values are of the kinds that `write_aftermath` writes: a stick of others may hold any."""
    _, misfit = sound_facts({"outcome": data["outcome"], "cause": data["cause"], "trip": data.get("trip")})
    entries = data["remembered"]
    times = [data["seen_utc_s"], data["restarted_utc_s"], *(entry["utc_s"] for entry in entries)]
    texts = [data["run"], data["outcome"], *(entry[key] for entry in entries for key in ("id", "code"))]
    # Nobody notes that a run which did not close its record was completed.
    can_be = data["outcome"] in (Outcome.INTERRUPTED, Outcome.STOPPED, Outcome.TRIPPED)
    return (
        can_be
        and not misfit
        and all(t is None or is_utc_s(t) for t in times)
        and all(isinstance(t, str) for t in texts)
    )


def write_aftermath(record: Path, note: Aftermath) -> bool:
    """Keep the note unless there is one already; return whether it was kept (a read-only folder keeps none)."""
    data = {
        "schema": 1,
        "run": note.run,
        "seen_utc_s": note.seen_utc_s,
        "outcome": note.outcome,
        "cause": note.cause,
        "cause_reasons": [why.as_json() for why in note.why],
        "trip": note.trip,
        "restarted_utc_s": note.restarted_utc_s,
        "remembered": [entry.as_json() for entry in note.remembered],
    }
    place = aftermath_path(record)
    if place.exists():
        return False
    try:
        write_whole(place, json.dumps(data, ensure_ascii=False, indent=1))
    except OSError:
        return False
    return True
