"""Asks a person about the physical world before a load, by single keys, or takes the answers from a file."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

from verifyrig.bench.folder import Bench
from verifyrig.core.errors import SafetyRefusal, UsageError
from verifyrig.core.profile import Profile
from verifyrig.dialogs.prompt import Asker, Option, TerminalAsker, can_ask
from verifyrig.jobs.model import Job
from verifyrig.jobs.safety import (
    FIRST_RULE,
    Attestation,
    SafetyQuestion,
    consent_refusals,
    dangers,
    load_refusals,
    longest_until_load_ends_s,
    notes_for,
    parse_attestation,
    questions_for,
)
from verifyrig.jobs.store import read_job
from verifyrig.jobs.vocabulary import NO, YES

_LONGEST_FILE = 100_000
# Time for the questions themselves and for what a stage takes beyond its plan.
_SPARE = timedelta(minutes=10)


def answers_for(
    bench: Bench, profile: Profile, job_id: str | None, file: Path | None, *, json: bool = False
) -> tuple[dict[str, object] | None, list[str]]:
    """Return what a person answered, as the record keeps it, and why no load above quarter-share pulses may start.

    Raises:
        SafetyRefusal: An answer forbids every load.
        UsageError: The file cannot be read, or does not fit.
    """
    job = read_job(bench, job_id) if job_id is not None else None
    kind = job.intake.machine.kind if job is not None else None
    now = datetime.now().astimezone()
    attestation = _from_file(file, now) if file is not None else _from_keys(bench, profile, kind, now, json=json)
    for danger in dangers(attestation):
        raise SafetyRefusal(danger, where="before the load", mend="No load is run. " + FIRST_RULE)
    refusals = load_refusals(kind, profile, attestation, now)
    if job is not None:
        refusals += consent_refusals(_consent(job), profile)
    return (attestation.as_fact() if attestation is not None else None), refusals


def _consent(job: Job) -> dict[str, str]:
    from verifyrig.jobs.vocabulary import CONSENTS

    return {key: job.consent(key) for key in CONSENTS}


def _from_file(file: Path, now: datetime) -> Attestation:
    try:
        if file.stat().st_size > _LONGEST_FILE:
            raise UsageError("the file is too long", where=str(file), mend="Name the file with a person's answers.")
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(
            f"cannot be read ({error})", where=str(file), mend="Name a file with a person's answers."
        ) from error
    return parse_attestation(text, file.name, now)


def _from_keys(bench: Bench, profile: Profile, kind: str | None, now: datetime, *, json: bool) -> Attestation | None:
    """Ask on a terminal; elsewhere nobody is there to answer, and nobody answers in a person's place."""
    questions = questions_for(kind, profile)
    if not questions or not can_ask(json=json):
        return None
    asker = TerminalAsker()
    asker.say(FIRST_RULE)
    for note in notes_for(profile, kind):
        asker.say(f"{note.title}: {note.text}")
    return ask(questions, profile, bench.operator, now, asker)


def ask(
    questions: Sequence[SafetyQuestion], profile: Profile, operator: str, now: datetime, asker: Asker
) -> Attestation:
    """Ask each question with one key, and who stays until the last load has ended."""
    yes_no = (Option(key="y", label="yes"), Option(key="n", label="no"))
    asker.say("Before the load, a person looks and answers:")
    answers = {q.key: YES if asker.choose(q.text, yes_no) == "y" else NO for q in questions}
    present = asker.line("Who stays with the machine?", operator)
    until = now + timedelta(seconds=longest_until_load_ends_s(profile)) + _SPARE
    stays = asker.choose(f"Until {until:%H:%M}, when the last load has ended?", yes_no) == "y"
    return Attestation(
        by=present, answers=answers, present=present, until=until if stays and present else None, time=now, how="keys"
    )
