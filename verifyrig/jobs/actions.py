"""What is done with a job: take in, note, change, tick, close, hand over. Checks first, then appends an entry."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, cast

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import JobError, NotReleasable, UsageError
from verifyrig.core.reason import sentence
from verifyrig.files.toml_table import meant, shown
from verifyrig.jobs.danger_words import meant_note
from verifyrig.jobs.dangers import check_word, danger_of, standing_dangers
from verifyrig.jobs.fault import Comparable
from verifyrig.jobs.fitness import fitness_of, points_to_close
from verifyrig.jobs.fitness_model import code_of
from verifyrig.jobs.fitness_text import kept
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
    RunFacts,
    same_part,
)
from verifyrig.jobs.money import parse_price
from verifyrig.jobs.photo_store import keep_photos
from verifyrig.jobs.proof import PROOF, proof_of
from verifyrig.jobs.rules import danger_obstacles
from verifyrig.jobs.same_machine import hear_other_jobs, warn_other_jobs
from verifyrig.jobs.signing import CONDITION
from verifyrig.jobs.store import append, new_entry, new_job, read_job
from verifyrig.jobs.typed import LONGEST_WARRANTY_MONTHS
from verifyrig.jobs.vocabulary import (
    CAUSES,
    CHANGE_KINDS,
    CONSENT_ANSWERS,
    CONSENTS,
    FINDINGS,
    OLD_PARTS,
    TYPED_TEMPERATURE_U95_K,
    protective_steps,
)

LONGEST_VALUE = 500
_KEY = re.compile(r"[a-z0-9][a-z0-9-]{0,63}")
_TEMPERATURE = re.compile(r"([+-]?\d+(?:[.,]\d+)?)\s*(?:°?C)?\s*(?:(?:±|\+-|\+/-)\s*(\d+(?:[.,]\d+)?)\s*(?:K|°?C)?)?")


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
    facts: dict[str, Any] = {**checked_change(job, kind, detail)}
    facts |= lift_facts(job, lift) if lift is not None else {}
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


def _lifting(job: Job, lift: Lift, found: Sequence[tuple[EntryKind, str, dict[str, Any]]]) -> Any:
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
    return kind, what, detail | lift_facts(job, lift)


def _moment(now: datetime, n: int) -> datetime:
    """Return the time of the n-th of several entries written at once: a millisecond apart keeps them in order."""
    return now + timedelta(milliseconds=n)


def parse_finding(word: str) -> tuple[EntryKind, str, dict[str, Any]]:
    """Return kind, name and facts of KEY=VALUE: `radiator=cold`, `hose-in=52±2`, `consent-data=yes`.

    A temperature gets ±3 K where no uncertainty is typed. A name or a word that looks like a slip is refused with
    what was meant; any other text is kept as it is.
    """
    key, sign, value = word.partition("=")
    key, value = key.strip().lower(), " ".join(value.split())
    if not sign or not _KEY.fullmatch(key) or not value or len(value) > LONGEST_VALUE:
        raise UsageError(
            f"{shown(word)} is no KEY=VALUE", where="job finding", mend="Write it like radiator=cold or hose-in=52."
        )
    if key.startswith("consent-"):
        return EntryKind.CONSENT, key.removeprefix("consent-"), {"value": _consent(key, value)}
    _refuse_slip(key, list(FINDINGS), "is no known finding")
    known = FINDINGS.get(key)
    if known is not None and known.unit:
        return EntryKind.FINDING, key, _typed_temperature(key, value)
    if known is not None:
        value = value.lower() if value.lower() in known.choices else value
        _refuse_slip(value, known.choices, f"is no known word for {key}")
    check_word(key, value, "job finding")
    meant_as = meant_note(value)
    if meant_as is not None and danger_of(key, value) is None:
        raise UsageError(
            f"{shown(value)} is a danger, and {shown(key)} is no key that locks the machine",
            where="job finding",
            mend=f"Write {meant_as} if that is so; what is no danger goes into note=TEXT.",
        )
    return EntryKind.FINDING, key, {"value": value}


def _consent(key: str, value: str) -> str:
    name, answer = key.removeprefix("consent-"), value.lower()
    if name not in CONSENTS:
        raise UsageError(f"{shown(name)} is no consent", where="job finding", mend=meant(name, list(CONSENTS)))
    if answer not in CONSENT_ANSWERS:
        raise UsageError(
            f"{shown(value)} is no answer", where=f"job finding {key}", mend=f"Answer {', '.join(CONSENT_ANSWERS)}."
        )
    return answer


def _refuse_slip(word: str, known: Sequence[str], what: str) -> None:
    near = difflib.get_close_matches(word, known, n=1, cutoff=0.75)
    if word not in known and near:
        raise UsageError(f"{shown(word)} {what}", where="job finding", mend=f"Did you mean {near[0]}?")


def _typed_temperature(key: str, value: str) -> dict[str, Any]:
    found = _TEMPERATURE.fullmatch(value)
    temp_c = float(found[1].replace(",", ".")) if found else float("nan")
    if not found or not -50 <= temp_c <= 200:
        raise UsageError(
            f"{shown(value)} is no temperature", where=f"job finding {key}", mend="Type °C, as in 52 or 52±2."
        )
    u95_k = float(found[2].replace(",", ".")) if found[2] else TYPED_TEMPERATURE_U95_K
    return {"value": temp_c, "u95": u95_k, "unit": "°C", "typed": True}


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


def close_job(
    bench: Bench,
    job: Job,
    runs: Sequence[RunFacts],
    cause: str,
    *,
    override: str = "",
    not_safe: bool = False,
    by: str = "",
    now: datetime,
    comparable: Comparable | None = None,
) -> Job:
    """Close a job, or refuse with everything that is still open; a reason overrides, and stands in the report.

    Args:
        not_safe: Close it as not safe to use; without that no job is closed while a danger stands, for no reason.
        comparable: Whether two runs may be compared; without it nothing is kept of what proves the cause.

    Raises:
        UsageError: The cause is none of the contract.
        NotReleasable: A danger stands, or something is open or speaks against fitness, and no reason is given to
            close nevertheless.
    """
    if cause not in CAUSES:
        raise UsageError(f"{shown(cause)} is no cause", where="--cause", mend=meant(cause, list(CAUSES)))
    dangers = _not_safe(job, not_safe, "closed as fit", "close")
    open_points = points_to_close(fitness_of(job, runs))
    texts = list(map(str, open_points))
    if open_points and not override:
        raise NotReleasable(
            "it cannot be closed yet: " + "; ".join(texts),
            where=job.job_id,
            mend="Do that first, or close it with --override REASON, which the report prints.",
        )
    detail: dict[str, Any] = {}
    if open_points:
        codes = sorted({str(code_of(reason)) for reason in open_points})
        detail = {"override": override, "refused": texts, "covers": codes, "reasons": list(map(kept, open_points))}
    detail |= dangers
    proof = proof_of(job, runs, cause, comparable) if comparable is not None and not detail else None
    detail |= {PROOF: proof} if proof is not None else {}
    return append(bench, job.job_id, [new_entry(EntryKind.CLOSE, cause, now=now, by=by, detail=detail)])


def _not_safe(job: Job, not_safe: bool, done: str, action: str) -> dict[str, Any]:
    """Return what an entry keeps of the dangers that stand, nothing for none; refuse them where it is not said."""
    standing = standing_dangers(job)
    if not_safe and not standing:
        raise UsageError("no danger stands", where="--not-safe", mend="Leave --not-safe out.")
    if standing and not not_safe:
        codes = " ".join(f"--lifts {found.code}" for found in standing)
        raise NotReleasable(
            f"it cannot be {done}: " + "; ".join(obstacle.text for obstacle in danger_obstacles(job)),
            where=job.job_id,
            mend=f"{standing[0].danger.do} Where it is gone, a person signs: `job change KIND {codes} --done TEXT "
            f"--by NAME`. Else `job {action} --not-safe` says first that it is not safe to use.",
        )
    return {"not_safe": [str(found.code) for found in standing]} if standing else {}


def hand_over(
    bench: Bench,
    job: Job,
    runs: Sequence[RunFacts],
    to: str,
    *,
    old_parts: str = "",
    signature: str = "",
    not_safe: bool = False,
    by: str = "",
    now: datetime,
) -> Job:
    """Note the pickup: to whom, old parts offered back, who signed; the warranty begins now.

    Args:
        not_safe: Hand it over as not safe to use; without that no machine leaves while a danger stands.

    Raises:
        NotReleasable: A danger stands, the job is not closed, something came up since, or it is not fit and was not
            closed as such.
    """
    if not to.strip():
        raise UsageError("it is not said to whom", where="job handover", mend="Add --to NAME.")
    if old_parts and old_parts not in OLD_PARTS:
        raise UsageError(
            f"{shown(old_parts)} is no answer", where="--old-parts", mend=meant(old_parts, list(OLD_PARTS))
        )
    replaced = any(entry.what == "part-replaced" for entry in job.changes)
    if replaced and not old_parts:
        raise UsageError(
            "it is not said what became of the old parts, which are the customer's",
            where="job handover",
            mend=f"Offer them back, then add --old-parts {'|'.join(OLD_PARTS)}.",
        )
    fitness = fitness_of(job, runs)
    dangers = _not_safe(job, not_safe, "handed over", "handover")
    if fitness.uncovered:
        raise NotReleasable(
            "it cannot be handed over yet: " + sentence(fitness.uncovered),
            where=job.job_id,
            mend="Close the job first; one that is not fit is given back as it is after `job close --override REASON`.",
        )
    detail = {"to": to, "old_parts": old_parts or "none", "signature": signature or to, "as": str(fitness.status)}
    detail |= dangers
    return append(bench, job.job_id, [new_entry(EntryKind.HANDOVER, "handed over", now=now, by=by, detail=detail)])
