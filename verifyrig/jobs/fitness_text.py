"""The words of fitness, in English: as the screen says them, and as the catalogues of the report know them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from verifyrig.core import reason as core_reason
from verifyrig.core.exposure import LoadedPart
from verifyrig.jobs.contract import FitnessObject, FitnessReason
from verifyrig.jobs.fitness_model import Code, Fitness, Headline, Reason, Status
from verifyrig.jobs.soak import in_words

HEADLINE_WORDS: Mapping[Headline, str] = {
    Headline.FIXED: "Fixed",
    Headline.BETTER: "Better, not yet proven",
    Headline.NOT_FIXED: "Not fixed",
    Headline.CAUSE_FOUND: "Cause found, not repaired",
    Headline.NO_FAULT_SEEN: "No fault seen",
    Headline.NOT_JUDGED: "Not judged yet",
}
STATUS_WORDS: Mapping[Status, str] = {
    Status.FIT: "ready",
    Status.WATCH: "ready, watch this",
    Status.AS_IS: "given back as it is, not as fit for use",
    Status.NOT_FIT: "not ready: ask the technician",
    Status.UNSAFE: "not safe to use",
}
PART_WORDS: Mapping[LoadedPart, str] = {
    LoadedPart.PROCESSOR: "the processor",
    LoadedPart.GRAPHICS: "the graphics card",
    LoadedPart.MEMORY: "the memory",
    LoadedPart.STORAGE: "the drive",
}
_CLAUSES: Mapping[Code, str] = {
    Code.DANGER: "not safe to use: {text} ({noted})",
    Code.OPEN: "the job is not closed",
    Code.OBSTACLE: "{text}",
    Code.NO_JOB: "no job stands behind these records: nobody has closed it",
    Code.RECORD_ALTERED: "record {run} was altered after it was written",
    Code.RECORD_DAMAGED: "record {run} is damaged",
    Code.RECORD_UNSEALED: "record {run} was never sealed, and proves nothing: measure again",
    Code.NO_RUN: "nothing was measured",
    Code.NOT_MEASURED_AGAIN: "the machine was changed, and has not been measured again",
    Code.BROKE_OFF: "run {run} broke off before its end",
    Code.NO_VERDICT: "run {run} has no verdict: no limit was set, or a figure is missing",
    Code.FAULT_SEEN: "run {run} shows a fault, and nothing that stays was done about it",
    Code.FAULT_REMAINS: "run {run} shows the fault still",
    Code.REJECTED: "run {run} keeps its limit within the uncertainty only, which its plan refuses",
    Code.CONDITIONAL: "the limit is kept, but by less than we can measure apart",
    Code.NO_CHANGE: "no change is recorded between the two runs, so we cannot say why it is better",
    Code.NOT_COMPARABLE: "the two runs differ in their conditions, so the gap between them proves nothing",
    Code.PART_NOT_LOADED: "{part} was not under load, and the complaint is about it",
    Code.CLEAN_USE: "{had} without the fault, and as rarely as it came it takes {needed}: {more} more",
    Code.STRETCH: "the longest load in one stretch was {had}, and the fault came after {needed}",
    Code.UNCLEAR: "“{words}” does not tell how rarely it came, so we cannot say how long a test must be",
}
_PART_WITH_WAY = "{part} was not under load, and the complaint is about it: a run with plan {plan} takes at most {time}"
_CLEAN_USE_OF_PART = (
    "{had} with {part} under load and without the fault, and as rarely as it came it takes {needed}: {more} more"
)
# Shipped plan that loads a part, and the longest it takes, s: the sum of its stages.
WAY_TO_LOAD: Mapping[LoadedPart, tuple[str, float]] = {LoadedPart.GRAPHICS: ("graphics", 2880.0)}

Translate = Callable[..., str]


def all_texts() -> tuple[str, ...]:
    """Return every text that a catalogue must hold."""
    tables = (HEADLINE_WORDS.values(), STATUS_WORDS.values(), PART_WORDS.values(), _CLAUSES.values())
    return (*(text for table in tables for text in table), _PART_WITH_WAY, _CLEAN_USE_OF_PART)


def clause_of(
    reason: Reason,
    say: Translate = str.format,
    duration: Callable[[float], str] = lambda seconds: in_words(seconds / 3600),
    told: Callable[[Any], str] = str,
) -> str:
    """Return a reason as one clause.

    Args:
        say: Fills a text of this module with values, in the language wanted.
        duration: Words a time, s.
        told: Words a reason of another module, or a text of the catalogue.
    """
    values: dict[str, Any] = dict(reason.values)
    part = values.get("part")
    for name in ("had", "needed", "more"):
        if f"{name}_s" in values:
            values[name] = duration(values[f"{name}_s"])
    if "text" in values:
        values["text"] = told(values["text"])
    text = _CLAUSES[reason.code]
    if part is not None:
        values["part"] = say(PART_WORDS[part])
        text = _CLEAN_USE_OF_PART if reason.code is Code.CLEAN_USE else text
        if reason.code is Code.PART_NOT_LOADED and part in WAY_TO_LOAD:
            text, (plan, time_s) = _PART_WITH_WAY, WAY_TO_LOAD[part]
            values |= {"plan": plan, "time": duration(time_s)}
    return say(text, **values)


def lines_of(fitness: Fitness) -> list[str]:
    """Return what the screen says: status, headline, what keeps the machine here, what is missing."""
    lines = [f"Fit for use: {STATUS_WORDS[fitness.status]}. {HEADLINE_WORDS[fitness.headline]}."]
    lines += [f"  closed nevertheless: {fitness.override}"] if fitness.override else []
    lines += [f"  - {clause_of(reason)}" for reason in fitness.blockers]
    return [*lines, *(f"  not yet proven: {clause_of(reason)}" for reason in fitness.missing)]


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


def kept(reason: Reason) -> dict[str, Any]:
    """Return a reason as the closing of a job keeps it."""
    values = {key: _kept_value(value) for key, value in reason.values.items()}
    return {"code": str(reason.code), "values": values}


def _kept_value(value: Any) -> Any:
    if isinstance(value, core_reason.Reason):
        return value.as_json()
    return value if isinstance(value, (int, float)) else str(value)


def reason_of_kept(data: Any) -> Reason | None:
    """Return the reason that `kept` gave; None for anything else, and for codes of a later version."""
    if not isinstance(data, Mapping) or not isinstance(data.get("values"), Mapping):
        return None
    values: dict[str, Any] = {key: core_reason.reason_of_json(value) or value for key, value in data["values"].items()}
    try:
        if "part" in values:
            values["part"] = LoadedPart(values["part"])
        found = Reason(code=Code(str(data.get("code"))), values=values)
        clause_of(found)
    except (KeyError, ValueError, TypeError):
        return None
    return found


def points_open_at(closing: Mapping[str, Any]) -> tuple[Reason | str, ...]:
    """Return what was open when a job was closed, from the entry's detail: as data, else as the text that was kept."""
    texts, data = (one if isinstance(one, list) else [] for one in (closing.get("refused"), closing.get("reasons")))
    data = data if len(data) == len(texts) else [None] * len(texts)
    return tuple(reason_of_kept(one) or str(text) for text, one in zip(texts, data, strict=True))


def _reason_object(reason: Reason) -> FitnessReason:
    values = {key: value if isinstance(value, (int, float)) else str(value) for key, value in reason.values.items()}
    return {"code": reason.code, "text": clause_of(reason), "values": values}
