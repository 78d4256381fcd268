"""A person signs that a danger is gone: which one, what was done, and who says so. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypedDict

from verifyrig.core.errors import UsageError
from verifyrig.files.toml_table import meant, shown
from verifyrig.jobs.dangers import BY_CODE, standing_dangers
from verifyrig.jobs.model import Job

LONGEST_DONE = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Lift:
    """What a person signs for.

    Attributes:
        codes: Codes of the dangers that are gone.
        done: What was done about them.
        by: Who signs; never taken from the settings of the bench, for a person must say so each time.
    """

    codes: tuple[str, ...]
    done: str
    by: str


def lift_of(codes: Sequence[str], done: str | None, by: str | None) -> Lift | None:
    """Return the lift that the words mean, None where they mean none.

    Raises:
        UsageError: A name, a danger or what was done is missing.
    """
    if not codes:
        if done:
            raise UsageError("it is not said which danger is gone", where="--done", mend="Add --lifts DANGER.")
        return None
    if not (done or "").strip():
        raise UsageError("it is not said what was done", where="--lifts", mend="Add --done TEXT.")
    if not (by or "").strip():
        raise UsageError(
            "nobody signs for it; the operator of bench.toml does not sign by itself",
            where="--lifts",
            mend="Add --by NAME: who says that the danger is gone.",
        )
    return Lift(
        codes=tuple(dict.fromkeys(codes)), done=(done or "").strip()[:LONGEST_DONE], by=(by or "").strip()[:100]
    )


class LiftFact(TypedDict):
    """What an entry keeps that lifts dangers: their codes, the ids of the notes, and what was done."""

    lifts: list[str]
    lifted_notes: list[str]
    done: str


def lift_facts(job: Job, lift: Lift) -> LiftFact:
    """Return the facts that an entry keeps of a lift: the dangers, the notes that are lifted, what was done.

    Raises:
        UsageError: A danger is named that does not stand.
    """
    standing = {str(found.code): found for found in standing_dangers(job)}
    for code in lift.codes:
        if code not in standing:
            known = list(standing) or [str(name) for name in BY_CODE]
            what = f"no danger {shown(code)} stands" if code in BY_CODE else f"{shown(code)} is no danger"
            raise UsageError(what, where="--lifts", mend=meant(code, known))
    notes = [note.note_id for code in lift.codes for note in standing[code].notes]
    return {"lifts": list(lift.codes), "lifted_notes": list(dict.fromkeys(notes)), "done": lift.done}
