"""A job on one screen: who, what, the time line of runs, changes and findings, what is open, what comes next. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime

from verifyrig.bench.text import NOWHERE
from verifyrig.core.errors import UsageError
from verifyrig.core.outcome import Outcome
from verifyrig.core.plain_json import plain_json
from verifyrig.core.plain_text import plain_line, plain_lines
from verifyrig.core.profile import Purpose
from verifyrig.jobs.contract import DangerNote, DangerObject, EntryObject, JobObject
from verifyrig.jobs.danger_words import hints
from verifyrig.jobs.dangers import BY_CODE, StandingDanger, lifts, standing_dangers
from verifyrig.jobs.fitness_model import Fitness
from verifyrig.jobs.fitness_text import as_json, lines_of
from verifyrig.jobs.model import PHOTOS, PHOTOS_BEFORE, EntryKind, Job, JobEntry, RunFacts
from verifyrig.jobs.rules import Obstacle, in_order, next_purpose, obstacles_to_close
from verifyrig.jobs.signing import intake_signature, is_signed_as_it_stands
from verifyrig.jobs.soak import plan_soak
from verifyrig.jobs.vocabulary import CAUSES, CHANGE_KINDS, CONSENTS, MACHINE_KINDS, NOT_ASKED, OLD_PARTS, QUESTIONS
from verifyrig.metrology.verdict import Verdict, plain_word, shape

# The word of a record that cannot be read, in place of an outcome.
UNREADABLE = "unreadable"
_OUTCOMES: dict[str, str] = {
    UNREADABLE: UNREADABLE,
    Outcome.RUNNING: "running",
    Outcome.COMPLETED: "went through",
    Outcome.TRIPPED: "ended at a trip limit",
    Outcome.STOPPED: "stopped for safety",
    Outcome.INTERRUPTED: "interrupted",
}


SHIFT_NOTE = "shift"


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where a job stands.

    Attributes:
        word: `locked` (a danger stands), `taken in`, `measured`, `changed`, `verified`, `closed`, `handed over`.
        next_step: What comes next, one clause.
        to_close: What keeps it from being closed.
    """

    word: str
    next_step: str
    to_close: tuple[Obstacle, ...]


def standing_of(job: Job, runs: Sequence[RunFacts]) -> Standing:
    """Return where the job stands, and what comes next."""
    to_close = tuple(obstacles_to_close(job, runs))
    word, next_step = _word_and_next(job, runs, to_close)
    return Standing(word=word, next_step=next_step, to_close=to_close)


def _word_and_next(job: Job, runs: Sequence[RunFacts], to_close: Sequence[Obstacle]) -> tuple[str, str]:
    dangers = standing_dangers(job)
    if job.cancelled is not None:
        return (
            "cancelled",
            "nothing: the job was cancelled" if not dangers else f"tell who has it: {dangers[0].danger.do.rstrip('.')}",
        )
    if job.closing is not None and job.handover is not None:
        return (
            "handed over",
            "nothing: the job is done" if not dangers else f"tell who has it: {dangers[0].danger.do.rstrip('.')}",
        )
    if dangers:
        return "locked" if job.closing is None else "closed", _next_of_danger(dangers)
    if job.closing is not None:
        return "closed", "report, then hand it over"
    purpose = next_purpose(job, runs)
    if purpose == Purpose.BASELINE:
        return "taken in", "measure a baseline"
    if job.test_parts():
        return "test part fitted", "measure with the test part, then put the customer's own back"
    if job.last_change is None:
        return "measured", "find the cause, change one thing, measure again"
    missing = next((obstacle for obstacle in to_close if obstacle.kind == "verification"), None)
    if missing is not None:
        return "changed", "measure again with the same recipe"
    return "verified", "tick the protective steps and close it" if to_close else "close it"


def _next_of_danger(dangers: Sequence[StandingDanger]) -> str:
    words = " ".join(f"--lifts {found.code}" for found in dangers)
    return (
        "switch it off and unplug it; no load before a person signs that the danger is gone "
        f"(`job change KIND {words} --done TEXT --by NAME`)"
    )


def danger_lines(job: Job) -> list[str]:
    """Return what is dangerous, who noted it when, what to do, and which words may mean a danger; none for nothing."""
    lines = []
    for found in standing_dangers(job):
        note = found.notes[0]
        by = f" by {plain_line(note.by, 40)}" if note.by else ""
        noted = f"{plain_line(found.noted, 120)}, noted {note.time.astimezone():%d %b %H:%M}{by}"
        lines += [f"NOT SAFE TO USE: {found.danger.what} ({noted}).", f"  {found.danger.do}"]
    return lines + [plain_line(hint, 400) for hint in hints(job)]


def show(
    job: Job, runs: Sequence[RunFacts], fitness: Fitness, *, old: Job | None = None, today: date | None = None
) -> str:
    """Return the whole screen; `old` is the earlier job of a machine that came back."""
    standing = standing_of(job, runs)
    lines = [f"Job {job.job_id}: {standing.word}", *danger_lines(job), *_head(job), ""]
    lines += ["Time line", *(_timeline(job, runs) or ["  nothing yet"])]
    if old is not None:
        lines += ["", *_come_back_lines(old, today or datetime.now(UTC).date())]
    if job.is_open:
        lines += ["", "Open", *(f"  - {obstacle.text}" for obstacle in standing.to_close)]
        lines += ["  - the job is not closed" if job.closing is None else "  - not handed over"]
    for part, ends in job.warranties():
        lines.append(f"Warranty of {plain_line(part, 60)} until {ends:%Y-%m-%d}")
    lines += [
        "",
        *(
            plain_line(line, 400) if not line.startswith(" ") else f"  {plain_line(line, 400)}"
            for line in lines_of(fitness)
        ),
    ]
    return plain_lines([*lines, "", f"Next: {standing.next_step}."])


def _head(job: Job) -> list[str]:
    intake = job.intake
    machine = intake.machine
    kind = MACHINE_KINDS.get(machine.kind, machine.kind)
    lines = [f"{plain_line(machine.description, 80)} ({kind})" if machine.description != machine.kind else kind]
    if machine.serial:
        lines[0] += f", serial {plain_line(machine.serial, 40)}"
    ticket = f"ticket {intake.customer.ticket}" if intake.customer.ticket else ""
    who = ", ".join(plain_line(text, 60) for text in (intake.customer.name, intake.customer.contact, ticket) if text)
    lines += [f"Customer: {who}"] if who else []
    signature = intake_signature(job)
    if signature is not None:
        day = f"{signature.time.astimezone():%Y-%m-%d %H:%M}"
        stands = "" if is_signed_as_it_stands(job) else "; what was signed was put right since"
        lines.append(f"Intake slip signed by {plain_line(signature.text('name'), 60)} on {day}{stands}")
    lines += [f"Complaint: “{plain_line(intake.complaint, 300)}”"] if intake.complaint else []
    answers = [
        f"{question.key.replace('-', ' ')}: {plain_line(intake.answers[question.key], 60)}"
        for question in QUESTIONS
        if question.key in intake.answers
    ]
    lines += ["; ".join(answers)] if answers else []
    consents = [f"{key.replace('-', ' ')} {job.consent(key)}" for key in CONSENTS if job.consent(key) != NOT_ASKED]
    lines += [f"Consent: {', '.join(consents)}"] if consents else ["Consent: nothing was asked"]
    return [*lines, *_soak_line(job)]


def _soak_line(job: Job) -> list[str]:
    """Return how long a clean soak must be for this complaint; nothing where the customer's words do not say."""
    try:
        return [plan_soak(job.intake.answers.get("how-often", "")).sentence]
    except UsageError:
        return []


def _timeline(job: Job, runs: Sequence[RunFacts]) -> list[str]:
    rows: list[tuple[datetime, str]] = [(job.opened, _taken_in(job))]
    rows += [(entry.time, _marked(job, entry)) for entry in job.entries if entry.kind != EntryKind.STEP]
    rows += [(run.started or job.opened, run_line(run)) for run in in_order(runs)]
    return [f"  {when.astimezone():%d %b %H:%M}  {text}" for when, text in sorted(rows, key=lambda row: row[0])]


def _marked(job: Job, entry: JobEntry) -> str:
    """Return an entry's line, with what became of it: taken back, or put right after somebody had signed."""
    line = entry_line(entry)
    if entry.entry_id in job.withdrawn:
        return f"(taken back) {line}"
    before = [signed for signed in job.signed if signed.time < entry.time]
    if before and entry.kind in (EntryKind.CORRECTION, EntryKind.WITHDRAWAL, EntryKind.CANCEL):
        line += f" [after the signature of {before[-1].time.astimezone():%Y-%m-%d %H:%M}, which stays as it was signed]"
    return line


def _taken_in(job: Job) -> str:
    by = f" by {plain_line(job.operator, 40)}" if job.operator else ""
    return f"taken in{by}" + (f", came back from job {job.again}" if job.again else "")


def run_line(run: RunFacts) -> str:
    """Return a run in one line: purpose, profile, how it ended, verdict with its shape."""
    ended = _OUTCOMES[run.outcome or UNREADABLE] + (f" ({run.cause})" if run.cause else "")
    verdict = Verdict(run.verdict) if run.verdict in tuple(Verdict) else None
    said = f" {shape(verdict)} {plain_word(verdict)}" if verdict is not None else ""
    profile = plain_line(run.profile or "no profile", 40)
    return f"{run.purpose} run {run.run} with {profile}: {ended}{said}"


def entry_line(entry: JobEntry) -> str:
    """Return an entry of the list in one line; what it lifts stands behind, with who signs for it."""
    gone = "; ".join(BY_CODE[code].what for code in lifts(entry))
    signed = (
        f"; signed by {plain_line(entry.by, 40)} as gone: {gone} ({plain_line(entry.text('done'), 120)})"
        if gone
        else ""
    )
    return _entry_line(entry) + signed


def _entry_line(entry: JobEntry) -> str:
    unsafe = " as NOT SAFE TO USE" if entry.detail.get("not_safe") else ""
    if entry.kind == EntryKind.CHANGE:
        return "change: " + CHANGE_KINDS.get(entry.what, plain_line(entry.what, 60)) + _change_facts(entry)
    if entry.kind == EntryKind.FINDING:
        return f"found: {plain_line(entry.what.replace('-', ' '), 60)} {_finding_value(entry)}"
    if entry.kind == EntryKind.CONSENT:
        return f"consent: {plain_line(entry.what.replace('-', ' '), 60)} {plain_line(entry.text('value'), 20)}"
    if entry.kind == EntryKind.CLOSE:
        override = entry.text("override")
        return f"closed{unsafe}: {CAUSES.get(entry.what, plain_line(entry.what, 40))}" + (
            f", although {len(entry.detail.get('refused') or [])} things were open: {plain_line(override, 120)}"
            if override
            else ""
        )
    if entry.kind in (EntryKind.CORRECTION, EntryKind.WITHDRAWAL, EntryKind.CANCEL, EntryKind.CLEARING):
        return _upkeep_line(entry)
    if entry.kind == EntryKind.LABOUR:
        minutes = entry.detail.get("minutes")
        worked = f", {minutes} min" if isinstance(minutes, int) else ""
        return f"worked: {plain_line(entry.text('text'), 120) or 'labour'}{worked}"
    if entry.kind == EntryKind.SIGNATURE:
        return f"signed: {plain_line(entry.what, 40)} slip by {plain_line(entry.text('name'), 60)}"
    if entry.kind == EntryKind.NOTE:
        photos = entry.detail.get("photos")
        if isinstance(photos, list) and photos:
            return f"photos of its {plain_line(entry.what, 40).replace('-', ' ')}: {len(photos)}"
        by = f" ({plain_line(entry.by, 40)})" if entry.by else ""
        return f"note: {plain_line(entry.text('text'), 300)}{by}"
    if entry.kind == EntryKind.PLACE:
        return "stands on no place" if entry.what == NOWHERE else f"stands on {plain_line(entry.what, 40)}"
    if entry.kind == EntryKind.HANDOVER:
        parts = OLD_PARTS.get(entry.text("old_parts"), "not said")
        return f"handed over{unsafe} to {plain_line(entry.text('to'), 60)}; old parts: {parts}"
    return f"{plain_line(entry.kind, 40)}: {plain_line(entry.what, 60)}"


def _upkeep_line(entry: JobEntry) -> str:
    why = f" ({plain_line(entry.text('reason'), 120)})" if entry.text("reason") else ""
    if entry.kind == EntryKind.CORRECTION:
        before, after = (plain_line(entry.text(key), 80) or "–" for key in ("before", "after"))
        key = plain_line(entry.what.replace("-", " ").replace("_", " "), 60)
        return f"corrected: {key} {before} → {after}{why}"
    if entry.kind == EntryKind.WITHDRAWAL:
        return f"taken back: entry {plain_line(entry.what, 60)}{why}"
    return ("cancelled" if entry.kind == EntryKind.CANCEL else "personal data cleared") + why


def _finding_value(entry: JobEntry) -> str:
    value = entry.detail.get("value")
    if isinstance(value, int | float) and not isinstance(value, bool):
        spread = entry.detail.get("u95")
        return f"{value:g}" + (f" ± {spread:g}" if isinstance(spread, int | float) else "") + f" {entry.text('unit')}"
    return plain_line(str(value if value is not None else ""), 120)


def _change_facts(entry: JobEntry) -> str:
    words = [plain_line(entry.text("part"), 60)] if entry.text("part") else []
    if entry.text("before") or entry.text("after"):
        words.append(f"{plain_line(entry.text('before'), 60)} → {plain_line(entry.text('after'), 60)}")
    words += [plain_line(entry.text("note"), 120)] if entry.text("note") else []
    photos = sum(len(found) for key in (PHOTOS, PHOTOS_BEFORE) if isinstance(found := entry.detail.get(key), list))
    words += [f"{photos} photo{'s' if photos > 1 else ''}"] if photos else []
    return f" ({', '.join(words)})" if words else ""


def _come_back_lines(old: Job, today: date) -> list[str]:
    handed = old.handover
    lines = [
        f"Came back: job {old.job_id}" + (f", handed over {handed.time:%Y-%m-%d}" if handed else ", never handed over")
    ]
    if old.closing is not None:
        lines.append(f"  its cause then: {CAUSES.get(old.closing.what, plain_line(old.closing.what, 40))}")
    for part, ends in old.warranties():
        left = (ends - today).days
        state = f"runs until {ends:%Y-%m-%d}, {left} days from now" if left >= 0 else f"ended {ends:%Y-%m-%d}"
        lines.append(f"  warranty of {plain_line(part, 60)} {state}")
    if not old.warranties():
        lines.append("  no part with a warranty was fitted then")
    return lines


def job_object(job: Job, runs: Sequence[RunFacts], fitness: Fitness) -> JobObject:
    """Return the job as a JSON-able object: intake, entries, runs, where it stands, what is open."""
    standing = standing_of(job, runs)
    intake = job.intake
    machine, customer = intake.machine, intake.customer
    return {
        "job": job.job_id,
        "opened": job.opened.isoformat(),
        "operator": job.operator or None,
        "again": job.again or None,
        "complaint": intake.complaint,
        "customer": {"name": customer.name, "contact": customer.contact, "ticket": customer.ticket},
        "machine": {"kind": machine.kind, "maker": machine.maker, "model": machine.model, "serial": machine.serial},
        "answers": dict(intake.answers),
        "consent": {key: job.consent(key) for key in CONSENTS},
        "price_ceiling": intake.price_ceiling or None,
        "accessories": intake.accessories,
        "language": intake.language,
        "temperature_unit": intake.temperature_unit,
        "condition": intake.condition,
        "entries": [_entry_object(entry) for entry in job.entries],
        "steps": job.steps(),
        "test_parts": [entry.text("part") for entry in job.test_parts()],
        "runs": [
            {
                "run": run.run,
                "purpose": run.purpose,
                "profile": run.profile,
                "outcome": run.outcome or UNREADABLE,
                "cause": run.cause,
                "verdict": run.verdict,
                "integrity": run.integrity,
                "started": run.started.isoformat() if run.started else None,
            }
            for run in in_order(runs)
        ],
        "state": standing.word,
        "next": standing.next_step,
        "dangers": [_danger_object(found) for found in standing_dangers(job)],
        "open": [{"kind": obstacle.kind, "text": obstacle.text} for obstacle in standing.to_close],
        "fitness": as_json(fitness),
        "hand_over": {"yes": fitness.releasable, "because": list(map(str, fitness.blockers))},
        "withdrawn": sorted(job.withdrawn),
        "cleared": job.is_cleared,
        "warranties": [{"part": part, "until": ends.isoformat()} for part, ends in job.warranties()],
    }


def _danger_object(found: StandingDanger) -> DangerObject:
    notes: list[DangerNote] = [
        {"id": n.note_id, "time": n.time.isoformat(), "by": n.by or None, "key": n.key, "value": n.value}
        for n in found.notes
    ]
    return {"code": found.code, "what": found.danger.what, "do": found.danger.do, "notes": notes}


def _entry_object(entry: JobEntry) -> EntryObject:
    detail = plain_json(entry.detail)
    return {
        "id": entry.entry_id,
        "time": entry.time.isoformat(),
        "kind": entry.kind,
        "what": entry.what,
        "by": entry.by or None,
        "detail": detail,
    }
