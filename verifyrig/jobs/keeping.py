"""How long a job's personal data are kept, and what is left of it afterwards. Pure.

Left are the facts that say something of machines and repairs: kind and model, answers and findings that are words of a
fixed list or figures, changes, parts, causes, who of the shop did it. Gone are customer, contact, ticket, serial, every
free text, every photo. Records hold none of these from the start, and are never rewritten.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Any

from verifyrig.jobs.model import EntryKind, Job
from verifyrig.jobs.vocabulary import CAUSES, CHANGE_KINDS, CONSENT_ANSWERS, FINDINGS, QUESTIONS

CLEARED_TEXT = "(cleared)"
_HEAD = ("schema", "job", "opened", "operator", "again")
_MACHINE = ("kind", "maker", "model")
# Facts of an entry that are figures, codes or words of ours whoever the customer was.
_FACTS = (
    "u95", "unit", "typed", "warranty_months", "price", "agreed", "new_mount", "old_parts", "lifts", "lifted_notes",
    "not_safe", "covers", "as", "from_job", "from_note", "part", "entry", "minutes", "quantity", "emptied", "digest",
    "proof",
)  # fmt: skip
_STAND_IN = ("to", "signature", "override", "done", "name")  # that somebody said it counts, what they said does not


def keep_days(config: Mapping[str, Any]) -> int | None:
    """Return for how many days the shop keeps a job's personal data after it is over; None for ever."""
    days = config.get("privacy", {}).get("keep_days")
    return days if isinstance(days, int) else None


def kept_until(job: Job, days: int | None) -> date | None:
    """Return the last day of a job's personal data: so many days after it was over, or the end of its last warranty.

    None while it is open, and where the shop names no number of days.
    """
    ending = job.cancelled or job.handover
    if days is None or job.is_open or ending is None:
        return None
    return max([(ending.time + timedelta(days=days)).date(), *(day for _, day in job.warranties())])


def is_due(job: Job, days: int | None, now: datetime) -> bool:
    """Return whether a job's personal data are to be cleared now."""
    until = kept_until(job, days)
    return until is not None and until < now.astimezone(UTC).date() and not job.is_cleared


def cleared(data: Mapping[str, Any]) -> dict[str, Any]:
    """Return the data of a job file without what is personal; keys of other versions go too, for they may be."""
    left: dict[str, Any] = {key: data[key] for key in _HEAD if key in data}
    machine = data.get("machine")
    left["machine"] = _chosen(machine, _MACHINE)
    left["answers"] = {
        question.key: word
        for question in QUESTIONS
        if isinstance(word := _dict(data.get("answers")).get(question.key), str)
        and all(part.strip() in question.choices for part in word.split(","))
    }
    left["consent"] = {key: word for key, word in _dict(data.get("consent")).items() if word in CONSENT_ANSWERS}
    left["entry"] = [_cleared_entry(entry) for entry in data.get("entry", []) if isinstance(entry, dict)]
    return {key: value for key, value in left.items() if value != {}}


def _cleared_entry(entry: Mapping[str, Any]) -> dict[str, Any]:
    detail = _dict(entry.get("detail"))
    kept = _chosen(detail, _FACTS) | {key: CLEARED_TEXT for key in _STAND_IN if detail.get(key)}
    if entry.get("kind") == EntryKind.CORRECTION and entry.get("what") in _MACHINE:
        kept |= _chosen(detail, ("before", "after"))
    value = detail.get("value")
    if isinstance(value, int | float) or value in _words(str(entry.get("what", ""))):
        kept["value"] = value
    left = _chosen(entry, ("id", "time", "kind", "by")) | {"what": _what(entry)}
    return left | ({"detail": kept} if kept else {})


def _what(entry: Mapping[str, Any]) -> str:
    """Return what an entry is about; a shift's note or a label of its own may be any text."""
    what = str(entry.get("what", ""))
    free = entry.get("kind") == EntryKind.NOTE
    return "note" if free or len(what) > 64 else what


def _words(key: str) -> tuple[str, ...]:
    known = FINDINGS.get(key)
    choices = next((question.choices for question in QUESTIONS if question.key == key), ())
    return (*(known.choices if known else ()), *choices, *CONSENT_ANSWERS, *CAUSES, *CHANGE_KINDS)


def _chosen(data: Any, keys: tuple[str, ...]) -> dict[str, Any]:
    return {key: value for key, value in _dict(data).items() if key in keys}


def _dict(data: Any) -> dict[str, Any]:
    return data if isinstance(data, dict) else {}
