"""Asks for an intake, a change, a finding, a close and a pickup: one key where there are choices, else one line."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from verifyrig.dialogs.checked import ask_checked
from verifyrig.dialogs.prompt import Asker, Option
from verifyrig.jobs.dangers import StandingDanger
from verifyrig.jobs.earlier import earlier_line
from verifyrig.jobs.lifting import Lift, lift_of
from verifyrig.jobs.model import ChangeFacts, Customer, Intake, Job, Machine
from verifyrig.jobs.money import parse_price
from verifyrig.jobs.photo_store import check_photo
from verifyrig.jobs.typed import check_answer, check_months
from verifyrig.jobs.typed_finding import parse_finding
from verifyrig.jobs.vocabulary import (
    CAUSES,
    CHANGE_KINDS,
    CONSENTS,
    FINDINGS,
    MACHINE_KINDS,
    NO,
    NOT_ASKED,
    OLD_PARTS,
    PART_CHANGES,
    QUESTIONS,
    YES,
    IntakeQuestion,
    steps_of,
)

KEYS = "123456789abcdefghijklmnoprstuvwxyz"
_YES_NO = (Option(key="y", label="yes"), Option(key="n", label="no"))
_YES_NO_NOT = (*_YES_NO, Option(key="-", label="not asked"))
_CONSENT_OF_KEY = {"y": YES, "n": NO, "-": NOT_ASKED}


def pick(asker: Asker, question: str, words: Mapping[str, str], default: str = "") -> str:
    """Return one of the words, chosen with one key; `words` gives each its text."""
    options = [Option(key=key, label=text) for key, text in zip(KEYS, words.values(), strict=False)]
    by_key = dict(zip(KEYS, words, strict=False))
    default_key = next((key for key, word in by_key.items() if word == default), "")
    return by_key[asker.choose(question, options, default=default_key)]


def ask_intake(
    asker: Asker, known: Job | None = None, earlier: Callable[[str], Sequence[Job]] = lambda _: ()
) -> tuple[Intake, str]:
    """Ask the whole intake; of a machine that came back, customer and machine are offered as known.

    Args:
        known: The earlier job of a machine that came back, where it is named already.
        earlier: Gives the earlier jobs of a serial, oldest first.

    Returns:
        The intake, and the id of the job that the machine came back from; empty for none.
    """
    asker.say("Enter leaves a question out; it then stands as not asked.")
    complaint = asker.line("What does the customer say, in their own words?")
    serial = asker.line("Serial number?", default=known.intake.machine.serial if known is not None else "")
    if known is None:
        known = _ask_come_back(asker, earlier(serial))
    intake = known.intake if known is not None else Intake()
    customer, machine = intake.customer, intake.machine
    customer = Customer(
        name=asker.line("Customer's name?", default=customer.name),
        contact=asker.line("How to reach them?", default=customer.contact),
        ticket=asker.line("Ticket number?"),
    )
    machine = _ask_machine(asker, machine, serial)
    answers = {question.key: _ask_question(asker, question) for question in QUESTIONS if not question.danger}
    answers |= _ask_dangers(asker, machine.kind)
    asker.say("Consent:")
    consent = {key: _CONSENT_OF_KEY[asker.choose(text, _YES_NO_NOT, default="-")] for key, text in CONSENTS.items()}
    taken_in = Intake(
        complaint=complaint,
        customer=customer,
        machine=machine,
        answers={key: answer for key, answer in answers.items() if answer},
        consent=consent,
        price_ceiling=asker.line("Up to what price without asking again?"),
        accessories=asker.line("What came with it?"),
        condition=asker.line("How does it look? (scratches, dents)"),
    )
    return taken_in, known.job_id if known is not None else ""


def ask_papers(asker: Asker, languages: Mapping[str, str], language: str, temperature_unit: str) -> tuple[str, str]:
    """Return language and temperature unit of the customer's papers.

    Args:
        languages: What each is called, by its code.
        language, temperature_unit: Those of the shop, which Enter takes.
    """
    units = {unit: unit for unit in ("°C", "°F")}
    return (
        pick(asker, "In which language does the customer read?", languages, default=language),
        pick(asker, "Temperatures for the customer in?", units, default=temperature_unit),
    )


def _ask_come_back(asker: Asker, jobs: Sequence[Job]) -> Job | None:
    """Name the earlier jobs of a machine that was here before; return the newest where it came back."""
    if not jobs:
        return None
    asker.say("This machine was here before:")
    for job in jobs:
        asker.say(f"  {earlier_line(job)}")
    came_back = asker.choose(f"Did it come back, after job {jobs[-1].job_id}?", _YES_NO, default="y")
    return jobs[-1] if came_back == "y" else None


def _ask_machine(asker: Asker, known: Machine, serial: str) -> Machine:
    kind = pick(asker, "What kind of machine?", MACHINE_KINDS, default=known.kind if known != Machine() else "")
    return Machine(
        kind=kind,
        maker=asker.line("Maker?", default=known.maker),
        model=asker.line("Model?", default=known.model),
        serial=serial,
    )


def _ask_question(asker: Asker, question: IntakeQuestion) -> str:
    if not question.choices:
        return ask_checked(asker, question.text, lambda text: check_answer(question.key, text, question.key))
    if question.several:
        return _ask_several(asker, question)
    words = {word: word.replace("-", " ") for word in question.choices}
    words |= {"": "not asked"}
    return pick(asker, question.text, words, default="")


def _ask_several(asker: Asker, question: IntakeQuestion) -> str:
    """Return the words that hold, the first one first; each keeps its key."""
    keys = dict(zip(KEYS, question.choices, strict=False))
    found: list[str] = []
    text, last = question.text, KEYS[len(keys)]
    while True:
        options = [Option(key=key, label=word.replace("-", " ")) for key, word in keys.items() if word not in found]
        key = asker.choose(text, [*options, Option(key=last, label="that is all" if found else "not asked")], last)
        if key == last:
            return ", ".join(found)
        found.append(keys[key])
        text = "And besides?"


def _ask_dangers(asker: Asker, machine_kind: str) -> dict[str, str]:
    """Ask with one key for what locks a machine; a second danger is noted as a finding."""
    asked = [q for q in QUESTIONS if q.danger and (not q.kinds or machine_kind in q.kinds)]
    words = {"none": "none of these"} | {q.key: f"{q.key}: {q.danger}" for q in asked} | {"": "not asked"}
    chosen = pick(asker, "Look and smell before it is switched on:", words)
    if chosen == "none":
        return {q.key: q.none for q in asked}
    return {q.key: q.danger for q in asked if q.key == chosen}


def ask_photos(asker: Asker, question: str) -> list[Path]:
    """Return files of photos, each checked where it is typed; Enter ends the questions."""
    found: list[Path] = []
    while True:
        asked = f"{question} (a file, Enter: none)" if not found else "Another one? (Enter: that is all)"
        path = ask_checked(asker, asked, lambda text: check_photo(Path(text).expanduser()))
        if not path:
            return found
        found.append(Path(path).expanduser())


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedChange:
    """A change as it was answered: its kind, its facts, and files of photos of before and after."""

    kind: str
    detail: ChangeFacts
    photos_before: list[Path]
    photos: list[Path]


def ask_change(asker: Asker, job: Job) -> AskedChange:
    """Ask for a change."""
    # The one kind that is not always there comes last, so that the others keep their keys.
    kinds = {key: text for key, text in CHANGE_KINDS.items() if key != "part-returned"}
    if job.test_parts():
        kinds["part-returned"] = CHANGE_KINDS["part-returned"]
    kind = pick(asker, "What was done?", kinds)
    detail: ChangeFacts = {}
    if kind in PART_CHANGES:
        fitted = [entry.text("part") for entry in job.test_parts()]
        detail["part"] = asker.line("Which part?", default=fitted[0] if kind == "part-returned" and fitted else "")
    if kind == "part-replaced":
        detail.update(_ask_new_part(asker))
    if kind in PART_CHANGES:
        question = "Was the cooler off the processor for it?"
        detail["new_mount"] = asker.choose(question, _YES_NO, default="n") == "y"
    if kind in ("setting-changed", "firmware-set"):
        detail["before"] = asker.line("Before?")
        detail["after"] = asker.line("After?")
    detail["note"] = asker.line("Anything to note?")
    before = ask_photos(asker, "A photo of before?")
    return AskedChange(kind=kind, detail=detail, photos_before=before, photos=ask_photos(asker, "A photo of after?"))


def _ask_new_part(asker: Asker) -> ChangeFacts:
    detail: ChangeFacts = {"lot": asker.line("Lot or serial?"), "price": ask_checked(asker, "Price?", parse_price)}
    months = ask_checked(asker, "Warranty, months?", check_months)
    if months:
        detail["warranty_months"] = int(months)
    looks = asker.choose("Does it look different, and has the customer agreed?", _AGREED, default="-")
    detail["agreed"] = {"y": YES, "n": NO, "-": ""}[looks]
    return detail


_AGREED = (
    Option(key="y", label="different and agreed"),
    Option(key="n", label="different and not agreed"),
    Option(key="-", label="looks alike"),
)
# In the order in which they are seen, smelt and heard.
_FINDINGS_SHOWN = (
    "radiator", "hoses", "pump", "cpu-fan", "dust", "paste", "restart", "noise", "smell", "connector", "leak", "pack",
)  # fmt: skip


def ask_finding(asker: Asker) -> str:
    """Return one finding as KEY=VALUE, empty where nothing is to be noted."""
    names = {name: name.replace("-", " ") for name in _FINDINGS_SHOWN}
    names |= {"temperature": "a temperature read by hand", "": "something else"}
    # After the others, which keep their keys.
    names |= {"smoke": "smoke", "touched": "what happens when it is touched"}
    name = pick(asker, "What was found?", names)
    if name == "temperature":
        places = {key: key.replace("-", " ") for key, word in FINDINGS.items() if word.unit}
        place = pick(asker, "Where?", places)
        warm = ask_checked(asker, "How warm, °C? (such as 52 or 52±2)", lambda text: parse_finding(f"{place}={text}"))
        return _joined(place, warm)
    if name:
        choices = {word: word.replace("-", " ") for word in FINDINGS[name].choices}
        return f"{name}={pick(asker, name.replace('-', ' ').capitalize() + '?', choices)}"
    return _joined("note", asker.line("What?"))


def _joined(key: str, value: str) -> str:
    return f"{key}={value}" if value else ""


def ask_lift(asker: Asker, standing: Sequence[StandingDanger]) -> Lift | None:
    """Ask of each danger that stands whether it is gone by what was just noted, and who signs for it."""
    gone = []
    for found in standing:
        asker.say(f"A danger stands: {found.danger.what} ({found.noted}).")
        if asker.choose("Is it gone now?", _YES_NO, default="n") == "y":
            gone.append(str(found.code))
    if not gone:
        return None
    return lift_of(gone, asker.line("What was done about it?"), asker.line("Who signs for that, by name?"))


def ask_not_safe(asker: Asker, standing: Sequence[StandingDanger]) -> bool:
    """Show what is dangerous; return whether the machine goes on as not safe to use."""
    for found in standing:
        asker.say(f"NOT SAFE TO USE: {found.danger.what} ({found.noted}). {found.danger.do}")
    return bool(standing) and asker.choose("Mark it NOT SAFE TO USE, and go on?", _YES_NO, default="n") == "y"


def ask_steps(asker: Asker, job: Job) -> tuple[list[str], list[str]]:
    """Ask for every protective step that is not ticked yet.

    Returns:
        The steps that are done now, and what an answer said of a danger, as KEY=VALUE; that one ends the questions.
    """
    steps = steps_of(job.intake.machine.kind)
    open_steps = [step for step, ticked in job.steps().items() if not ticked]
    if open_steps:
        asker.say("Before it leaves:")
    done = []
    for step in open_steps:
        answer = YES if asker.choose(steps[step].question, _YES_NO) == "y" else NO
        if answer == steps[step].done:
            done.append(step)
        elif steps[step].otherwise:
            return done, [steps[step].otherwise]
    return done, []


def ask_cause(asker: Asker) -> str:
    """Return the cause that the job is closed with."""
    return pick(asker, "What was the cause?", CAUSES)


def ask_override(asker: Asker, obstacles: Sequence[str]) -> str:
    """Show what is open and return the reason to close nevertheless, empty to leave it open."""
    asker.say("Still open:")
    for obstacle in obstacles:
        asker.say(f"- {obstacle}")
    return asker.line("Close nevertheless? Write the reason, which the report prints (Enter: no)")


def ask_handover(asker: Asker, job: Job) -> dict[str, str]:
    """Return to whom the machine goes, what became of old parts, and who signed."""
    to = asker.line("Handed over to?", default=job.intake.customer.name)
    answers = {"to": to}
    if any(entry.what == "part-replaced" for entry in job.changes):
        answers["old_parts"] = pick(asker, "Old parts were offered back:", OLD_PARTS)
    answers["signature"] = asker.line("Signed by?", default=to)
    return answers
