"""Asks a person about the physical world before a load, by single keys, or takes the answers from a file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from verifyrig.bench.day import note_read, read_day
from verifyrig.bench.folder import Bench
from verifyrig.core.errors import SafetyRefusal, UsageError
from verifyrig.core.profile import Profile
from verifyrig.core.reason import Reason
from verifyrig.dialogs.prompt import Asker, Option, TerminalAsker, can_ask
from verifyrig.files.foreign_file import FileKind, read_text
from verifyrig.jobs.cautions import notes_for
from verifyrig.jobs.danger_look import note_dangers, notice_of
from verifyrig.jobs.dangers import danger_of
from verifyrig.jobs.model import EntryKind, Job
from verifyrig.jobs.safety import (
    FIRST_RULE,
    SPARE,
    Attestation,
    SafetyQuestion,
    consent_refusals,
    dangers,
    lines_to_add,
    load_refusals,
    longest_until_load_ends_s,
    missing_answers,
    not_asked,
    parse_attestation,
    questions_for,
)
from verifyrig.jobs.store import append, new_entry, read_job
from verifyrig.jobs.vocabulary import CONSENTS, NO, NOT_ASKED, YES
from verifyrig.rig.danger_watch import danger_refusal

_YES_NO = (Option(key="y", label="yes"), Option(key="n", label="no"))
_YES_NO_NOT = (*_YES_NO, Option(key="-", label="not asked"))
_CONSENT_OF_KEY = {"y": YES, "n": NO, "-": NOT_ASKED}


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadAnswers:
    """What people answered before a load.

    Attributes:
        attestation: The answers, None where nobody gave any.
        refusals: Why no load above quarter-share pulses may start; none where it may.
        lines: The lines that a file of answers lacks for it.
    """

    attestation: Attestation | None = None
    refusals: list[Reason] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)


def answers_for(
    bench: Bench,
    profile: Profile,
    job_id: str | None,
    file: Path | None,
    *,
    json: bool = False,
    wants_load: bool = True,
    asker: Asker | None = None,
) -> LoadAnswers:
    """Return what people answered, from the file and, for what it lacks, from whoever sits at the terminal.

    A danger that is reported here is noted in the job, and a consent too.

    Args:
        wants_load: Whether a load above quarter-share pulses is wanted; where not, nothing is asked and nothing lacks.
        asker: Stands in for the terminal.

    Raises:
        SafetyRefusal: An answer forbids every load.
        UsageError: The file cannot be read, or does not fit.
    """
    job = read_job(bench, job_id) if job_id is not None else None
    kind = job.intake.machine.kind if job is not None else None
    now = datetime.now().astimezone()
    given = _from_file(file, now) if file is not None else None
    _refuse_dangers(bench, job, given)
    if not wants_load:
        return LoadAnswers(attestation=given)
    consent = _consent(job, given)
    if asker is None and can_ask(json=json):
        asker = TerminalAsker()
    if asker is not None:
        given = _ask_missing(bench, profile, kind, given, now, asker)
        _refuse_dangers(bench, job, given)
        consent |= _ask_consent(consent, profile, asker) if job is not None else {}
    if job is not None:
        job = _keep_consent(bench, job, consent, by=given.by if given is not None else "", now=now)
    refusals = load_refusals(kind, profile, given, now)
    # Without a job there is no customer to agree.
    refusals += consent_refusals(consent, profile) if job is not None else []
    needed = consent if job is not None else dict.fromkeys(CONSENTS, YES)
    return LoadAnswers(attestation=given, refusals=refusals, lines=lines_to_add(kind, profile, given, needed, now))


def _refuse_dangers(bench: Bench, job: Job | None, given: Attestation | None) -> None:
    """Note in the job what was reported of a danger, so that it stays locked, and refuse the run."""
    answers = given.answers if given is not None else {}
    stated = {key: value for key, value in answers.items() if danger_of(key, value) is not None}
    if stated and job is not None and given is not None:
        note_dangers(bench, job.job_id, stated, by=given.by)
    for key, value in stated.items():
        danger = danger_of(key, value)
        assert danger is not None
        raise danger_refusal(notice_of(danger, f"{key}={value}"), job.job_id if job is not None else None)
    for found in dangers(given):
        raise SafetyRefusal(str(found), where="before the load", mend="No load is run. " + FIRST_RULE)


def _consent(job: Job | None, given: Attestation | None) -> dict[str, str]:
    """Return the customer's consent: as the job holds it, else as the file of answers says."""
    stated = given.consent if given is not None else {}
    held = {key: job.consent(key) if job is not None else NOT_ASKED for key in CONSENTS}
    return {key: stated.get(key, NOT_ASKED) if value == NOT_ASKED else value for key, value in held.items()}


def _ask_consent(consent: Mapping[str, str], profile: Profile, asker: Asker) -> dict[str, str]:
    """Ask now for the consent that this profile needs and nobody asked for."""
    return {
        key: _CONSENT_OF_KEY[asker.choose(f"The customer's consent: {CONSENTS[key]}", _YES_NO_NOT, default="-")]
        for key in not_asked(consent, profile)
    }


def _keep_consent(bench: Bench, job: Job, consent: Mapping[str, str], *, by: str, now: datetime) -> Job:
    entries = [
        new_entry(EntryKind.CONSENT, key, now=now.astimezone(UTC), by=by, detail={"value": value})
        for key, value in consent.items()
        if value != NOT_ASKED and job.consent(key) == NOT_ASKED
    ]
    return append(bench, job.job_id, entries) if entries else job


def _from_file(file: Path, now: datetime) -> Attestation:
    try:
        text = read_text(file, FileKind.ATTESTATION)
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(
            f"cannot be read ({error})", where=str(file), mend="Name a file with a person's answers."
        ) from error
    return parse_attestation(text, file.name, now)


def _ask_missing(
    bench: Bench, profile: Profile, kind: str | None, given: Attestation | None, now: datetime, asker: Asker
) -> Attestation | None:
    """Ask what the file left out, all of it without a file; nobody answers in a person's place."""
    questions = questions_for(kind, profile)
    answered = given.answers if given is not None else {}
    missing = [question for question in questions if question.key not in answered]
    if not missing_answers(questions, given):
        return given
    notes, who = notes_for(profile, kind), read_day(bench.root).on_shift(now) or bench.operator
    whole = "\n".join([FIRST_RULE, *(f"{note.title}: {note.text}" for note in notes)])
    if read_day(bench.root).has_read(who, now):
        asker.say(f"{FIRST_RULE} In short: {'; '.join(note.short for note in notes)}.")
    else:
        asker.say(whole)
        note_read(bench.root, who, now)
        whole = ""
    if given is None:
        return ask(missing, profile, who, now, asker, whole=whole)
    stays = given if given.present and given.until is not None else None
    found = ask(missing, profile, given.present or who, now, asker, stays=stays, whole=whole)
    return replace(found, by=given.by, answers={**given.answers, **found.answers}, consent=given.consent)


def _yes_or_no(asker: Asker, question: str, whole: str) -> str:
    options = (*_YES_NO, Option(key="?", label="all of the safety text")) if whole else _YES_NO
    while (key := asker.choose(question, options)) == "?":
        asker.say(whole)
    return YES if key == "y" else NO


def ask(
    questions: Sequence[SafetyQuestion],
    profile: Profile,
    operator: str,
    now: datetime,
    asker: Asker,
    *,
    stays: Attestation | None = None,
    whole: str = "",
) -> Attestation:
    """Ask each question with one key, and who stays until the last load has ended; a danger ends the questions.

    Args:
        stays: Where it is known already who stays until when.
        whole: The whole safety text, which a key shows; empty where it stands there already.
    """
    asker.say("Before the load, a person looks and answers:")
    answers: dict[str, str] = {}
    for question in questions:
        answers[question.key] = _yes_or_no(asker, question.text, whole)
        if answers[question.key] != question.safe:
            return Attestation(by=operator, answers=answers, time=now, how="keys")
    if stays is not None:
        return replace(stays, answers=answers, how="keys")
    present = asker.line("Who stays with the machine?", operator)
    until = now + timedelta(seconds=longest_until_load_ends_s(profile)) + SPARE
    long_enough = asker.choose(f"Until {until:%H:%M}, when the last load has ended?", _YES_NO) == "y"
    known_until = until if long_enough and present else None
    return Attestation(by=present, answers=answers, present=present, until=known_until, time=now, how="keys")
