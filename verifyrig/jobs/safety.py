"""What only a person can answer before a load, and what everybody at the bench must know. Pure.

Local codes, licensed practice and the maker's manual come first; all of this only advises.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TypedDict

from verifyrig.core.errors import UsageError
from verifyrig.core.pattern import is_gentle, longest_s_of
from verifyrig.core.profile import Profile, Stage, WorkName
from verifyrig.core.reason import Reason, reason
from verifyrig.files.toml_table import Faults, parse_table, shown
from verifyrig.jobs.vocabulary import CONSENTS, NO, NOT_ASKED, YES

# Time for the questions themselves and for what a stage takes beyond its plan.
SPARE = timedelta(minutes=10)
FIRST_RULE = "Local codes, licensed practice and the maker's manual come first; this only advises."


@dataclass(frozen=True, slots=True, kw_only=True)
class SafetyQuestion:
    """A question that a person answers with yes or no.

    Attributes:
        key: How the answer stands in an attestation.
        safe: The answer with which a load may follow.
    """

    key: str
    safe: str

    @property
    def asked(self) -> Reason:
        """What is asked."""
        return reason(f"asked-{self.key}")

    @property
    def text(self) -> str:
        """That in English."""
        return str(self.asked)

    @property
    def danger(self) -> Reason:
        """What follows from the answer that is not safe, a clause."""
        return reason(f"danger-{self.key}")


LEAK = SafetyQuestion(key="leak", safe=NO)
PACK = SafetyQuestion(key="pack", safe=NO)
BURNT = SafetyQuestion(key="burnt", safe=NO)
GROUND = SafetyQuestion(key="ground", safe=YES)
QUESTIONS = (LEAK, PACK, BURNT, GROUND)
_ASKED_OF = {
    "desktop-air": (BURNT,),
    "small-form": (BURNT,),
    "desktop-liquid": (LEAK, BURNT),
    "laptop": (PACK, BURNT, GROUND),
}


class AttestationFact(TypedDict):
    """An attestation as a record and a report keep it; times in ISO 8601."""

    by: str
    answers: dict[str, str]
    present: str
    until: str | None
    time: str | None
    how: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Attestation:
    """What a person answered.

    Attributes:
        by: Who answered.
        answers: `yes` or `no` by key of the questions.
        present: Who stays with the machine.
        consent: What the customer agreed to, `yes` or `no` by key of `CONSENTS`, where a person says so here.
        until: Until when, with its zone; None where it was not said.
        time: When it was answered.
        how: `keys` or the file's name.
    """

    by: str
    answers: Mapping[str, str] = field(default_factory=dict)
    consent: Mapping[str, str] = field(default_factory=dict)
    present: str = ""
    until: datetime | None = None
    time: datetime | None = None
    how: str = "keys"

    def as_fact(self) -> AttestationFact:
        """Return it as the record and the report keep it."""
        return {
            "by": self.by,
            "answers": dict(self.answers),
            "present": self.present,
            "until": self.until.isoformat() if self.until is not None else None,
            "time": self.time.isoformat() if self.time is not None else None,
            "how": self.how,
        }


def is_heavy(stage: Stage) -> bool:
    """Return whether the stage loads the machine by more than quarter-share pulses."""
    return stage.load is not None and not is_gentle(stage.load)


def questions_for(machine_kind: str | None, profile: Profile) -> tuple[SafetyQuestion, ...]:
    """Return what must be answered before this profile; none for one that stays below quarter-share pulses.

    For a machine of unknown kind all are asked.
    """
    if not any(is_heavy(stage) for stage in profile.stages):
        return ()
    return _ASKED_OF.get(machine_kind or "", QUESTIONS)


def missing_answers(questions: Sequence[SafetyQuestion], attestation: Attestation | None) -> list[Reason]:
    """Return what is not answered; who is present until when counts where anything is asked."""
    if not questions:
        return []
    answers = attestation.answers if attestation is not None else {}
    missing = [
        reason("not-answered", question=(question.asked,))
        for question in questions
        if answers.get(question.key) not in (YES, NO)
    ]
    if attestation is None or not attestation.present or attestation.until is None:
        missing.append(reason("presence-not-answered"))
    return missing


def dangers(attestation: Attestation | None) -> list[Reason]:
    """Return what was answered in a way that forbids every load, also one that nobody had to be asked for."""
    if attestation is None:
        return []
    by_key = {question.key: question for question in QUESTIONS}
    return [
        by_key[key].danger
        for key, answer in attestation.answers.items()
        if key in by_key and answer in (YES, NO) and answer != by_key[key].safe
    ]


def load_refusals(
    machine_kind: str | None, profile: Profile, attestation: Attestation | None, now: datetime
) -> list[Reason]:
    """Return why no load above quarter-share pulses may start, none where a person has answered for it all."""
    questions = questions_for(machine_kind, profile)
    refusals = missing_answers(questions, attestation)
    if questions and attestation is not None and attestation.until is not None and attestation.present:
        needed_until = now + timedelta(seconds=longest_until_load_ends_s(profile))
        if attestation.until < needed_until:
            refusals.append(
                reason(
                    "presence-too-short",
                    person=attestation.present,
                    until=f"{attestation.until:%H:%M}",
                    needed_until=f"{needed_until.astimezone(attestation.until.tzinfo):%H:%M}",
                )
            )
    return refusals


def longest_until_load_ends_s(profile: Profile) -> float:
    """Return the longest time from the start until the last load ends, s."""
    total_s, until_s = 0.0, 0.0
    for stage in profile.stages:
        total_s += longest_s_of(stage)
        until_s = total_s if stage.load is not None else until_s
    return until_s


def needed_consents(profile: Profile) -> tuple[str, ...]:
    """Return what the customer must have agreed to before this profile, keys of `CONSENTS`."""
    heavy = [stage.load.work for stage in profile.stages if stage.load is not None and is_heavy(stage)]
    needed = {
        "heavy-load": bool(heavy),
        "graphics-and-processor": WorkName.GPU_AND_PROCESSOR in heavy,
        "storage-writes": WorkName.STORAGE in heavy,
    }
    return tuple(key for key, is_needed in needed.items() if is_needed)


def not_asked(consent: Mapping[str, str], profile: Profile) -> tuple[str, ...]:
    """Return which consents the profile needs and nobody asked for."""
    return tuple(key for key in needed_consents(profile) if consent.get(key, NOT_ASKED) == NOT_ASKED)


def consent_refusals(consent: Mapping[str, str], profile: Profile) -> list[Reason]:
    """Return which load the customer has not agreed to; consent that was not asked for is none.

    Args:
        consent: `yes`, `no` or `not-asked` by key of `CONSENTS`.
    """
    needed = needed_consents(profile)
    refusals = [reason("not-agreed", consent=(reason(f"consent-{key}"),)) for key in needed if consent.get(key) == NO]
    return refusals + [reason("not-asked", consent=(reason(f"consent-{key}"),)) for key in not_asked(consent, profile)]


def lines_to_add(
    machine_kind: str | None,
    profile: Profile,
    attestation: Attestation | None,
    consent: Mapping[str, str],
    now: datetime,
) -> list[str]:
    """Return the lines that a file of answers lacks for the load to start, to be filled in by a person; no question
    is answered in them."""
    questions = questions_for(machine_kind, profile)
    given = attestation if attestation is not None else Attestation(by="")
    lines = [f'{q.key} = "yes or no"  # {q.text}' for q in questions if given.answers.get(q.key) not in (YES, NO)]
    if questions and not given.present:
        lines.append('present = "NAME"  # who stays with the machine')
    needed_until = now + timedelta(seconds=longest_until_load_ends_s(profile)) + SPARE
    if questions and (given.until is None or given.until < needed_until - SPARE):
        lines.append(f"until = {needed_until:%Y-%m-%dT%H:%M:%S}  # until when they stay; the load may last that long")
    lines += [f'{key} = "yes or no"  # {CONSENTS[key]}' for key in not_asked(consent, profile)]
    return lines if not lines or given.by else ['by = "NAME"  # who answers', *lines]


def parse_attestation(text: str, origin: str, now: datetime) -> Attestation:
    """Return the attestation written in a TOML file.

        by = "N. Bench"
        present = "N. Bench"
        until = 2026-03-14T18:00:00
        leak = "no"                  # and pack, burnt, ground as asked
        heavy-load = "yes"           # the customer's consent, where the job does not hold it

    Raises:
        UsageError: A key is unknown or missing, an answer is neither yes nor no, or the time is past.
    """
    faults = Faults(origin=origin)
    table = parse_table(text, faults)
    if table is not None:
        by = table.text("by", mend="Write who answers.", longest=100) or ""
        if not by:
            table.fault("by is missing", "Write who answers for this: a person's name.")
        present = table.text("present", mend="Write who stays with the machine.", longest=100) or ""
        found = {question.key: table.choice(question.key, (YES, NO)) for question in QUESTIONS}
        consent = {key: table.choice(key, (YES, NO)) for key in CONSENTS}
        until = table.take("until")
        if until is not None and not isinstance(until, datetime):
            table.fault(
                f"until is {shown(until)}, and must be a date with a time", "Write it like 2026-03-14T18:00:00."
            )
        elif until is not None and until.astimezone() <= now:
            table.fault(f"until is {until:%Y-%m-%d %H:%M}, which is past", "Answer anew: this file is of another day.")
        table.done()
    if faults.found or table is None:
        fault = faults.found[0]
        raise UsageError(fault.what, where=fault.where, mend=fault.mend)
    local = until.astimezone() if until is not None else None
    return Attestation(
        by=by,
        answers={key: value for key, value in found.items() if value is not None},
        consent={key: value for key, value in consent.items() if value is not None},
        present=present,
        until=local,
        time=now,
        how=origin,
    )
