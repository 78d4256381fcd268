"""The words of fitness, in English: as the screen says them, and as the catalogues of the report know them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from verifyrig.core.exposure import LoadedPart
from verifyrig.core.reason import KeptReason, Reason, Value, kept_word, reason_of_json, value_of_json, with_codes
from verifyrig.jobs.contract import FitnessObject, FitnessReason
from verifyrig.jobs.fitness_model import Code, FaultHeadline, Fitness, Status, because, code_of

HEADLINE_WORDS: Mapping[FaultHeadline, str] = {
    FaultHeadline.FIXED: "Fixed",
    FaultHeadline.BETTER: "Better, not yet proven",
    FaultHeadline.NOT_FIXED: "Not fixed",
    FaultHeadline.CAUSE_FOUND: "Cause found, not repaired",
    FaultHeadline.NO_FAULT_SEEN: "No fault seen",
    FaultHeadline.NOT_JUDGED: "Not judged yet",
}
STATUS_WORDS: Mapping[Status, str] = {
    Status.FIT: "ready",
    Status.WATCH: "ready, watch this",
    Status.AS_IS: "given back as it is, not as fit for use",
    Status.NOT_FIT: "not ready: ask the technician",
    Status.UNSAFE: "not safe to use",
}


def lines_of(fitness: Fitness) -> list[str]:
    """Return what the screen says: status, headline, what keeps the machine here, what is missing."""
    lines = [f"Fit for use: {STATUS_WORDS[fitness.status]}. {HEADLINE_WORDS[fitness.headline]}."]
    lines += [f"  closed nevertheless: {fitness.override}"] if fitness.override else []
    lines += [f"  - {reason}" for reason in fitness.blockers]
    return [*lines, *(f"  not yet proven: {reason}" for reason in fitness.missing)]


def as_json(fitness: Fitness) -> FitnessObject:
    """Return the answer as a JSON-able object."""
    return {
        "status": fitness.status,
        "releasable": fitness.releasable,
        "headline": fitness.headline,
        "blockers": [_reason_object(reason) for reason in fitness.blockers],
        "missing": [_reason_object(reason) for reason in fitness.missing],
        "before": fitness.before,
        "after": fitness.after,
    }


# What follows from the part alone is not kept.
_IMPLIED = ("plan", "time_s")


def kept(reason: Reason) -> KeptReason:
    """Return a reason as the closing of a job keeps it."""
    values = {key: _kept_value(key, value) for key, value in reason.values.items() if key not in _IMPLIED}
    return {"code": str(code_of(reason)), "values": values}


def _kept_value(name: str, value: Value) -> Any:
    if isinstance(value, tuple):
        return kept_word(name, value) or next((_part(one) or one.as_json() for one in value), "")
    return value


def _part(one: Reason) -> LoadedPart | None:
    return next((part for part in LoadedPart if one.code == f"part-{part}"), None)


def reason_of_kept(data: Any) -> Reason | None:
    """Return the reason that `kept` gave; None for anything else, and for codes of a later version."""
    if not isinstance(data, Mapping) or not isinstance(data.get("values"), Mapping):
        return None
    values = with_codes({str(key): _value_of_kept(value) for key, value in data["values"].items()})
    try:
        part = LoadedPart(str(values.pop("part"))) if "part" in values else None
        found = because(Code(str(data.get("code"))), part=part, **values)
        str(found)
    except (KeyError, ValueError, TypeError):
        return None
    return found


def _value_of_kept(value: Any) -> Value:
    inner = reason_of_json(value)
    return value_of_json(value) if inner is None else (inner,)


def points_open_at(closing: Mapping[str, Any]) -> tuple[Reason | str, ...]:
    """Return what was open when a job was closed, from the entry's detail: as data, else as the text that was kept."""
    texts, data = (one if isinstance(one, list) else [] for one in (closing.get("refused"), closing.get("reasons")))
    data = data if len(data) == len(texts) else [None] * len(texts)
    return tuple(reason_of_kept(one) or str(text) for text, one in zip(texts, data, strict=True))


def _reason_object(reason: Reason) -> FitnessReason:
    values = {key: _json_value(value) for key, value in reason.values.items() if key not in _IMPLIED}
    return {"code": code_of(reason), "text": str(reason), "values": values}


def _json_value(value: Value) -> str | int | float:
    return "; ".join(str(_part(one) or one) for one in value) if isinstance(value, tuple) else value
