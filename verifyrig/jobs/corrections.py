"""What was wrong in an intake, or noted by mistake, and is put right later. Pure.

Nothing is written over: a correction is an entry that says what stood there and what stands there now, and an entry
taken back stays in the list. Answers and notes that name a danger are neither corrected nor taken back: a danger
goes by a person's signature alone (`lifting`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, TypedDict

from verifyrig.bench.text import TEMPERATURE_UNITS
from verifyrig.core.errors import UsageError
from verifyrig.files.toml_table import meant, shown
from verifyrig.jobs.dangers import SIGN_KEYS, danger_of, lifts
from verifyrig.jobs.model import EntryKind, Intake, Job, JobEntry
from verifyrig.jobs.typed import check_answer
from verifyrig.jobs.vocabulary import MACHINE_KINDS, QUESTIONS

_OF_INTAKE = ("complaint", "price_ceiling", "accessories", "condition", "language", "temperature_unit")
_OF_CUSTOMER = {"customer": "name", "contact": "contact", "ticket": "ticket"}
_OF_MACHINE = ("kind", "maker", "model", "serial")
_ANSWERS = tuple(question.key for question in QUESTIONS if question.key not in SIGN_KEYS)
KEYS = (*_OF_CUSTOMER, *_OF_MACHINE, *_OF_INTAKE, *_ANSWERS)
PERSONAL = ("complaint", "customer", "contact", "ticket", "serial", "accessories", "condition", "price_ceiling")
_MAY_BE_TAKEN_BACK = (
    EntryKind.FINDING,
    EntryKind.CHANGE,
    EntryKind.CONSENT,
    EntryKind.STEP,
    EntryKind.NOTE,
    EntryKind.LABOUR,
)


def fact_of(intake: Intake, key: str) -> str:
    """Return what an intake says under a key of `KEYS`, empty where nothing."""
    if key in _OF_CUSTOMER:
        return str(getattr(intake.customer, _OF_CUSTOMER[key]))
    if key in _OF_MACHINE:
        return str(getattr(intake.machine, key))
    return str(getattr(intake, key)) if key in _OF_INTAKE else intake.answers.get(key, "")


def with_fact(intake: Intake, key: str, value: str) -> Intake:
    """Return the intake with another fact under a key of `KEYS`; a key of a later version changes nothing."""
    if key in _OF_CUSTOMER:
        return replace(intake, customer=replace(intake.customer, **{_OF_CUSTOMER[key]: value}))
    if key in _OF_MACHINE:
        return replace(intake, machine=replace(intake.machine, **{key: value}))
    if key in _OF_INTAKE:
        texts: dict[str, Any] = {key: value}
        return replace(intake, **texts)
    if key in _ANSWERS:
        kept = {name: answer for name, answer in intake.answers.items() if name != key}
        return replace(intake, answers={**kept, key: value} if value else kept)
    return intake


def corrected(intake: Intake, entries: Sequence[JobEntry]) -> Intake:
    """Return the intake as its corrections leave it; `entries` in their order."""
    for entry in entries:
        # No text is kept for an empty one; where the personal data were cleared there is none either, nor `emptied`.
        value = "" if entry.detail.get("emptied") is True else entry.detail.get("after")
        if entry.kind == EntryKind.CORRECTION and isinstance(value, str):
            known = entry.what != "kind" or value in MACHINE_KINDS
            intake = with_fact(intake, entry.what, value) if known else intake
    return intake


class CorrectionFact(TypedDict, total=False):
    """What an entry keeps of a correction: what stood there, and what stands there now; files keep no empty text."""

    before: str
    after: str
    emptied: bool


def correction_of(job: Job, key: str, value: str) -> CorrectionFact:
    """Return the facts of a correction; raise `UsageError` where it is not valid."""
    if key in SIGN_KEYS:
        raise UsageError(
            f"{key} names a danger", where="job correct", mend="Note it as a finding; --lifts signs that it is gone."
        )
    if key not in KEYS:
        raise UsageError(f"{shown(key)} is no fact of an intake", where="job correct", mend=meant(key, list(KEYS)))
    if key == "kind" and value not in MACHINE_KINDS:
        raise UsageError(
            f"{shown(value)} is no kind of machine", where="job correct", mend=meant(value, list(MACHINE_KINDS))
        )
    if key == "temperature_unit" and value.lower() not in ("", *TEMPERATURE_UNITS):
        raise UsageError(f"{shown(value)} is no unit", where="job correct", mend="Write °C or °F.")
    check_answer(key, value, "job correct")
    before = fact_of(job.intake, key)
    if before == value:
        raise UsageError(f"{key} is {shown(value)} already", where="job correct", mend="Nothing is to be done.")
    return {"before": before, "after": value} if value else {"before": before, "emptied": True}


def check_taken_back(job: Job, entry_id: str) -> JobEntry:
    """Return the entry to be taken back; raise `UsageError` where there is none, or it has to stand."""
    entry = next((one for one in job.entries if one.entry_id == entry_id), None)
    where = "job correct --withdraw"
    if entry is None:
        raise UsageError(f"there is no entry {shown(entry_id)}", where=where, mend="`job show --json` has the ids.")
    if entry.kind not in _MAY_BE_TAKEN_BACK:
        raise UsageError(f"an entry of kind {entry.kind} stands", where=where, mend="Note beside it what is right.")
    if danger_of(entry.what, entry.text("value")) is not None or lifts(entry):
        raise UsageError(
            "it names a danger, or lifts one",
            where=where,
            mend="A danger goes by --lifts --done --by, and comes back by a new finding.",
        )
    if entry_id in job.withdrawn:
        raise UsageError("it is taken back already", where=where, mend="Nothing is to be done.")
    return entry


def correctable(job: Job) -> Mapping[str, JobEntry]:
    """Return the entries that may be taken back, by id, oldest first."""
    found = {}
    for entry in job.entries:
        try:
            found[entry.entry_id] = check_taken_back(job, entry.entry_id)
        except UsageError:
            continue
    return found
