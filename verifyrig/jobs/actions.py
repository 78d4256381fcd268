"""What is done with a job: take in, note, change, tick; its end is in `ending`. Checks first, then appends an entry."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import cast

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import JobError, UsageError
from verifyrig.files.toml_table import meant, shown
from verifyrig.jobs.dangers import danger_of
from verifyrig.jobs.lifting import Lift, lift_facts
from verifyrig.jobs.model import (
    PHOTOS,
    PHOTOS_BEFORE,
    ChangeFacts,
    Customer,
    EntryKind,
    Intake,
    Job,
    Machine,
    same_part,
)
from verifyrig.jobs.money import parse_price
from verifyrig.jobs.photo_store import keep_photos
from verifyrig.jobs.same_machine import hear_other_jobs, warn_other_jobs
from verifyrig.jobs.signing import CONDITION
from verifyrig.jobs.store import append, new_entry, new_job, read_job
from verifyrig.jobs.typed import LONGEST_WARRANTY_MONTHS
from verifyrig.jobs.typed_finding import TypedEntry, parse_finding
from verifyrig.jobs.vocabulary import (
    CHANGE_KINDS,
    protective_steps,
)


def take_in(
    bench: Bench, intake: Intake, *, operator: str = "", again: str = "", job_id: str | None = None, now: datetime
) -> Job:
    """Open a job; of a machine that came back, customer and machine are those of the earlier job unless given anew.

    A danger that stood when it left, or that stands in another job of the same machine, stands in this one.
    """
    old_job = read_job(bench, again) if again else None
    if old_job is not None:
        old = old_job.intake
        intake = replace(
            intake,
            customer=old.customer if intake.customer == Customer() else intake.customer,
            machine=old.machine if intake.machine == Machine() else intake.machine,
            language=intake.language or old.language,
            temperature_unit=intake.temperature_unit or old.temperature_unit,
        )
    job = new_job(bench, intake, operator=operator, again=again, job_id=job_id, now=now)
    job = hear_other_jobs(bench, job, old_job)
    warn_other_jobs(bench, job)
    return job


def keep_condition_photos(bench: Bench, job: Job, photos: Sequence[Path], *, by: str = "", now: datetime) -> Job:
    """Keep photos of the condition as it came in; raise `JobError` where one cannot be."""
    if not photos:
        return job
    entry = new_entry(EntryKind.NOTE, CONDITION, now=now, by=by)
    places = keep_photos(bench, job.job_id, entry.entry_id, photos)
    return append(bench, job.job_id, [replace(entry, detail={PHOTOS: places})])


def put_on_place(bench: Bench, job: Job, place: str, *, by: str = "", now: datetime) -> Job:
    """Remember on which place of the bench the machine stands; `places.NOWHERE` takes it off."""
    return append(bench, job.job_id, [new_entry(EntryKind.PLACE, place, now=now, by=by)])


def record_change(
    bench: Bench,
    job: Job,
    kind: str,
    detail: ChangeFacts,
    *,
    photos: Sequence[Path] = (),
    photos_before: Sequence[Path] = (),
    by: str = "",
    lift: Lift | None = None,
    now: datetime,
) -> Job:
    """Append a change; with `lift` a person signs that it made a danger go.

    Args:
        photos: Of how it is after the change; `photos_before` of how it was found.

    Raises:
        UsageError: The kind is unknown, or a fact that it needs is missing.
        JobError: The part to return is not in the machine, or nothing can be written.
    """
    facts: dict[str, object] = {**checked_change(job, kind, detail)}
    if lift is not None:
        facts |= lift_facts(job, lift)
    entry = new_entry(EntryKind.CHANGE, kind, now=now, by=by, detail=facts)
    if photos or photos_before:
        places = keep_photos(bench, job.job_id, entry.entry_id, [*photos_before, *photos])
        shown = {PHOTOS_BEFORE: places[: len(photos_before)], PHOTOS: places[len(photos_before) :]}
        entry = replace(entry, detail=facts | {key: own for key, own in shown.items() if own})
    return append(bench, job.job_id, [entry])


def checked_change(job: Job, kind: str, detail: ChangeFacts) -> ChangeFacts:
    """Return the facts of a change, complete; raise `UsageError` or `JobError` where they are not valid."""
    if kind not in CHANGE_KINDS:
        raise UsageError(
            f"{shown(kind)} is no kind of change", where="job change", mend=meant(kind, list(CHANGE_KINDS))
        )
    said = {key: value for key, value in detail.items() if value not in ("", None) and value is not False}
    facts = cast(ChangeFacts, said)
    if kind == "part-returned":
        facts["part"] = _part_to_return(job, facts.get("part", ""))
    if kind in ("part-replaced", "part-fitted-for-test") and "part" not in facts:
        raise UsageError("it is not said which part", where=f"job change {kind}", mend="Add --part NAME.")
    if kind in ("setting-changed", "firmware-set") and not {"before", "after"} <= facts.keys():
        raise UsageError(
            "it is not said from what to what", where=f"job change {kind}", mend="Add --before TEXT --after TEXT."
        )
    if "price" in facts:
        parse_price(facts["price"])
    months = facts.get("warranty_months")
    if months is not None and not 0 <= months <= LONGEST_WARRANTY_MONTHS:
        raise UsageError(
            f"{months} months are no warranty", where="--warranty", mend=f"Type 0 to {LONGEST_WARRANTY_MONTHS} months."
        )
    return facts


def _part_to_return(job: Job, part: str) -> str:
    fitted = {same_part(entry.text("part")): entry.text("part") for entry in job.test_parts()}
    if not fitted:
        raise JobError(
            "no part fitted for test is in the machine", where=job.job_id, mend="`job show` lists the changes."
        )
    if not part and len(fitted) == 1:
        return next(iter(fitted.values()))
    if same_part(part) in fitted:
        return fitted[same_part(part)]
    raise JobError(
        f"no test part of the name {shown(part)} is in the machine",
        where=job.job_id,
        mend=f"In it: {', '.join(fitted.values())}.",
    )


def note_findings(
    bench: Bench, job: Job, words: Sequence[str], *, by: str = "", lift: Lift | None = None, now: datetime
) -> Job:
    """Append findings written as KEY=VALUE, and later consent written as consent-KEY=yes.

    With `lift` a person signs that the one finding shows a danger to be gone.

    Raises:
        UsageError: A word is not valid.
    """
    found = [parse_finding(word) for word in words]
    if lift is not None:
        found = [_lifting(job, lift, found)]
    entries = [
        new_entry(kind, what, now=_moment(now, n), by=by, detail=detail) for n, (kind, what, detail) in enumerate(found)
    ]
    job = append(bench, job.job_id, entries)
    warn_other_jobs(bench, job)
    return job


def _lifting(job: Job, lift: Lift, found: Sequence[TypedEntry]) -> TypedEntry:
    if len(found) != 1 or found[0][0] is not EntryKind.FINDING:
        raise UsageError(
            "a danger is lifted by one finding", where="--lifts", mend="Write what was found, as in pack=flat."
        )
    kind, what, detail = found[0]
    if danger_of(what, str(detail["value"])) is not None:
        raise UsageError(
            f"{what}={detail['value']} is a danger itself",
            where="--lifts",
            mend="Note it on its own; it lifts nothing.",
        )
    return TypedEntry(kind, what, {**detail, **lift_facts(job, lift)})


def _moment(now: datetime, n: int) -> datetime:
    """Return the time of the n-th of several entries written at once: a millisecond apart keeps them in order."""
    return now + timedelta(milliseconds=n)


def tick_steps(bench: Bench, job: Job, steps: Sequence[str], *, by: str = "", now: datetime) -> Job:
    """Tick protective steps; raise `UsageError` for one that this kind of machine does not have."""
    known = protective_steps(job.intake.machine.kind)
    for step in steps:
        if step not in known:
            raise UsageError(f"{shown(step)} is no step of this machine", where="--tick", mend=meant(step, list(known)))
    entries = [
        new_entry(EntryKind.STEP, step, now=_moment(now, n), by=by, detail={"value": "yes"})
        for n, step in enumerate(steps)
    ]
    return append(bench, job.job_id, entries) if entries else job
