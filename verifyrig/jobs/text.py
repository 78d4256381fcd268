"""Reads and writes a job and an intake as TOML data; opens no file.

job.toml, by example:

    schema = 1
    job = "20260314-1"
    opened = 2026-03-14T09:12:00Z
    operator = "N. Bench"
    again = "20251102-2"            # where the machine came back
    complaint = "It goes off after a while."
    price_ceiling = "120"
    accessories = "power cord"
    condition = "scratch on the left side"
    language = "nl"                 # of the customer's papers; and temperature_unit = "°F"
    [customer]                      name, contact, ticket
    [machine]                       kind, maker, model, serial
    [answers]                       what, when, how-often, ... (job_words.QUESTIONS)
    [consent]                       data, backup, ... = "yes" | "no" | "not-asked" (job_words.CONSENTS)
    [[entry]]                       id, time, kind, what, by, detail = { ... }   (append-only)

An intake file has the same keys without schema, job, opened, again and [[entry]]. In an intake an unknown key is a
fault; in a job it is kept, for a later version may have written it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any, TypeVar

from verifyrig.bench.folder import ID_PATTERN
from verifyrig.core.errors import JobError, UsageError
from verifyrig.files.toml_table import Faults, TomlTable, load_toml, parse_table, shown
from verifyrig.jobs.corrections import corrected
from verifyrig.jobs.dangers import check_word
from verifyrig.jobs.model import Customer, EntryKind, Intake, Job, JobEntry, Machine
from verifyrig.jobs.typed import check_answer
from verifyrig.jobs.vocabulary import CONSENT_ANSWERS, CONSENTS, MACHINE_KINDS, QUESTIONS

SCHEMA = 1
LONGEST_TEXT = 20_000
_FIRST_YEAR, _LAST_YEAR = 1980, 2999  # what every system's own calendar can show in local time
_TEXTS = ("complaint", "price_ceiling", "accessories", "condition", "language", "temperature_unit")
_FREE = "Write a text."
_T = TypeVar("_T")


def parse_intake(text: str, origin: str) -> Intake:
    """Return the intake written in `text`; raise `JobError` with the first fault."""
    faults = Faults(origin=origin)
    table = parse_table(text, faults)
    intake = _intake(table) if table is not None else Intake()
    _check_answers(intake.answers, faults)
    if table is not None:
        table.done()
    _raise_first(faults)
    return intake


def parse_job(text: str, origin: str) -> Job:
    """Return the job written in `text`; raise `JobError` with the first fault."""
    faults = Faults(origin=origin)
    table = parse_table(text, faults)
    job = _job(table) if table is not None else None
    _raise_first(faults)
    if job is None:
        raise JobError("it holds no job", where=origin, mend="Take the file from a copy of the bench folder.")
    return job


def _check_answers(answers: Mapping[str, str], faults: Faults) -> None:
    """Note as faults what is no known word about a danger, and what is to be a figure and is none."""
    for key, value in answers.items():
        try:
            check_word(key, value, f"answers.{key}")
            check_answer(key, value, f"answers.{key}")
        except UsageError as error:
            faults.add(error.where, error.what, error.mend)


def _raise_first(faults: Faults) -> None:
    if faults.found:
        fault = faults.found[0]
        raise JobError(fault.what, where=fault.where, mend=fault.mend)


def _job(table: TomlTable) -> Job | None:
    schema = table.take("schema")
    if schema != SCHEMA:
        table.fault(f"schema is {shown(schema)}, and this version reads {SCHEMA}", "Use a version that knows it.")
        return None
    job_id = _job_id(table)
    opened = _time(table, "opened")
    if not job_id or opened is None:
        table.fault("job or opened is missing", "Take the file from a copy of the bench folder.")
        return None
    entries = [_entry(part) for part in table.tables("entry", mend="Write [[entry]].")]
    known = [entry for entry in entries if entry is not None]
    ordered = tuple(sorted(known, key=lambda entry: (entry.time, entry.entry_id)))
    return Job(
        job_id=job_id,
        opened=opened,
        intake=corrected(_intake(table, strict=False), ordered),
        operator=_text(table, "operator"),
        again=_text(table, "again"),
        entries=ordered,
    )


def _job_id(table: TomlTable) -> str:
    """Return the id, which names folders and reports; empty where it is absent or none."""
    job_id = table.text("job", mend="Write the job's id.") or ""
    if job_id and not ID_PATTERN.fullmatch(job_id):
        table.fault(f"{shown(job_id)} is no job id", "Take the file from a copy of the bench folder.")
        return ""
    return job_id


def _intake(table: TomlTable, *, strict: bool = True) -> Intake:
    texts = {key: _text(table, key) for key in _TEXTS}
    return Intake(
        complaint=texts["complaint"],
        customer=_part(table, "customer", lambda part: Customer(**_fields(part, ("name", "contact", "ticket"))), strict)
        or Customer(),
        machine=_part(table, "machine", _machine if strict else _known_machine, strict) or Machine(),
        answers=_part(table, "answers", _answers, strict) or {},
        consent=_part(table, "consent", _consent, strict) or {},
        price_ceiling=texts["price_ceiling"],
        accessories=texts["accessories"],
        condition=texts["condition"],
        language=texts["language"],
        temperature_unit=texts["temperature_unit"],
    )


def _part(table: TomlTable, key: str, read: Callable[[TomlTable], _T], strict: bool) -> _T | None:
    part = table.table(key, mend=f"Write [{key}].")
    if part is None:
        return None
    found = read(part)
    if strict:
        part.done()
    return found


def _text(table: TomlTable, key: str) -> str:
    """Return a text, which may be blank; empty where it is absent or at fault."""
    value = table.take(key)
    if isinstance(value, str) and len(value) <= LONGEST_TEXT:
        return value
    if value is not None:
        table.fault(f"{key} is {shown(value)}, and must be a text of at most {LONGEST_TEXT} characters", _FREE)
    return ""


def _fields(part: TomlTable, keys: tuple[str, ...]) -> dict[str, str]:
    return {key: _text(part, key) for key in keys}


def _machine(part: TomlTable) -> Machine:
    kind = part.choice("kind", tuple(MACHINE_KINDS)) or "other"
    return Machine(kind=kind, **_fields(part, ("maker", "model", "serial")))


def _known_machine(part: TomlTable) -> Machine:
    """Return the machine of a job; a kind of a later version is one that we have no list for."""
    kind = part.take("kind")
    known = kind if isinstance(kind, str) and kind in MACHINE_KINDS else "other"
    return Machine(kind=known, **_fields(part, ("maker", "model", "serial")))


def _answers(part: TomlTable) -> dict[str, str]:
    found = {question.key: _text(part, question.key) for question in QUESTIONS}
    return {key: value for key, value in found.items() if value}


def _consent(part: TomlTable) -> dict[str, str]:
    found = {key: part.choice(key, CONSENT_ANSWERS) for key in CONSENTS}
    return {key: value for key, value in found.items() if value}


def _entry(part: TomlTable) -> JobEntry | None:
    entry_id = part.text("id", mend="Take the file from a copy of the bench folder.", longest=100)
    time = _time(part, "time")
    kind = part.text("kind", mend=f"Write one of {', '.join(EntryKind)}.", longest=40)
    detail = part.table("detail", mend="Write detail = { ... }.")
    if not entry_id or time is None or not kind:
        part.fault("id, time or kind is missing", "Take the file from a copy of the bench folder.")
        return None
    return JobEntry(
        entry_id=entry_id,
        time=time,
        kind=kind,
        what=_text(part, "what"),
        by=_text(part, "by"),
        detail={} if detail is None else dict(detail.values),
    )


def _time(table: TomlTable, key: str) -> datetime | None:
    value = table.take(key)
    if isinstance(value, datetime) and value.tzinfo is not None and _FIRST_YEAR <= value.year < _LAST_YEAR:
        return value.astimezone(UTC)
    if value is not None:
        table.fault(
            f"{key} is {shown(value)}, and must be a time with its zone, from {_FIRST_YEAR} to {_LAST_YEAR}",
            "Write it like 2026-03-14T09:12:00Z.",
        )
    return None


def content_digest(data: bytes) -> str:
    """Return the SHA-256 of a job file's bytes, as they would be had its machine never been moved on the bench.

    A report is of what was noted and measured: on which place the machine stands changes nothing of it.
    """
    import tomli_w

    try:
        found = load_toml(data.decode("utf-8"))
    except ValueError:
        return hashlib.sha256(data).hexdigest()
    entries = found.get("entry")
    entries = entries if isinstance(entries, list) else []
    kept = [entry for entry in entries if not (isinstance(entry, dict) and entry.get("kind") == EntryKind.PLACE)]
    if len(kept) == len(entries):
        return hashlib.sha256(data).hexdigest()
    left = {key: value for key, value in found.items() if key != "entry"} | ({"entry": kept} if kept else {})
    return hashlib.sha256(tomli_w.dumps(left).encode("utf-8")).hexdigest()


def job_data(job: Job) -> dict[str, object]:
    """Return the job as data for a TOML writer, empty texts left out."""
    intake = job.intake
    head: dict[str, object] = {"schema": SCHEMA, "job": job.job_id, "opened": job.opened}
    texts = {"operator": job.operator, "again": job.again} | {key: getattr(intake, key) for key in _TEXTS}
    head |= {key: value for key, value in texts.items() if value}
    tables = {
        "customer": asdict(intake.customer),
        "machine": asdict(intake.machine),
        "answers": dict(intake.answers),
        "consent": dict(intake.consent),
    }
    head |= {key: filled for key, table in tables.items() if (filled := _filled(table))}
    if job.entries:
        head["entry"] = [entry_data(entry) for entry in job.entries]
    return head


def entry_data(entry: JobEntry) -> dict[str, object]:
    """Return one entry as data for a TOML writer."""
    data: dict[str, object] = {"id": entry.entry_id, "time": entry.time, "kind": str(entry.kind), "what": entry.what}
    if entry.by:
        data["by"] = entry.by
    detail = _filled(entry.detail)
    if detail:
        data["detail"] = detail
    return data


def _filled(values: Mapping[str, Any]) -> dict[str, object]:
    return {key: value for key, value in values.items() if value not in ("", None, [], ())}
