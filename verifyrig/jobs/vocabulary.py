"""The words of a job: what is asked at intake, what is consented to, what can be changed, found and ticked.

Questions, answers and protective steps are common practice, no source, unless a line says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

from verifyrig.core.reason import Value, reason
from verifyrig.core.reason_texts import TEXTS

YES, NO, NOT_ASKED = "yes", "no", "not-asked"
CONSENT_ANSWERS = (YES, NO, NOT_ASKED)


def _texts(of: str, *keys: str) -> dict[str, str]:
    """Return the English texts of keys, which each face renders by the code `of-key` (`core.texts_of_jobs`)."""
    return {key: TEXTS[f"{of}-{key}"] for key in keys}


MACHINE_KINDS = {
    "desktop-air": "desktop with an air cooler",
    "desktop-liquid": "desktop with a closed liquid cooler",
    "small-form": "small case with a low cooler",
    "laptop": "laptop",
    "other": "something else",
}

CHANGE_KINDS = _texts(
    "change",
    "cleaned",
    "paste-renewed",
    "reseated",
    "turned-or-moved",
    "part-replaced",
    "part-fitted-for-test",
    "part-returned",
    "setting-changed",
    "firmware-set",
)
PART_CHANGES = ("part-replaced", "part-fitted-for-test", "part-returned")
# After new paste, or with a cooler seated anew, the first heat cycles still move the paste: the second run counts.
NEW_CONTACT_CHANGES = ("paste-renewed", "reseated")


# Causes of the contract, in words.
CAUSES = {
    "none": "no fault seen",
    "contact": "contact between processor and cooler: paste, pressure, film",
    "coolant-flow": "coolant does not flow",
    "airflow": "air does not flow: fan, fins, radiator, case",
    "warm-room": "warm room",
    "sensor": "a sensor reads wrong",
    "supply": "power supply",
    "board-power": "the board's own power conversion",
    "memory": "memory",
    "processor": "processor",
    "graphics": "graphics",
    "firmware-limit": "a limit set in the firmware",
    "wiring": "button, lead or connector",
    "unknown": "not found",
}
OLD_PARTS = {"taken": "taken along", "declined": "offered, left with the shop", "none": "there are none"}


@dataclass(frozen=True, slots=True, kw_only=True)
class IntakeQuestion:
    """One question of the intake.

    Attributes:
        key: How it stands in job.toml.
        hint: What whoever fills it in is told besides.
        choices: Words to choose from with one key, empty for a free text.
        kinds: Kinds of machine that are asked about it; all where empty.
        several: Whether more than one word may hold; they are kept in one text, `switches-off, hot`.
        none, danger: Of a question about a danger the word that there is none, and the one that there is.
    """

    key: str
    hint: str = ""
    choices: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    several: bool = False
    none: str = ""
    danger: str = ""

    @property
    def text(self) -> str:
        """As it is asked."""
        asked = TEXTS[f"question-{self.key}"]
        return f"{asked} ({self.hint})" if self.hint else asked


# The restart behaviour is the cheapest of all to ask, and it distinguishes a latched supply from a hot processor.
QUESTIONS = (
    IntakeQuestion(
        key="what",
        choices=("switches-off", "reboots", "freezes", "blue-screen", "slow", "hot", "noise", "nothing", "else"),
        several=True,
    ),
    IntakeQuestion(
        key="when",
        choices=("at-rest", "under-load", "at-a-load-step", "any-time", "when-touched", "on-warm-days", "not-known"),
    ),
    # Which part works then decides which load can prove anything (`complaint`).
    IntakeQuestion(
        key="doing",
        choices=(
            "games-or-3d",
            "video",
            "long-computing",
            "office",
            "copying-files",
            "starting-up",
            "idle",
            "else",
            "not-known",
        ),
    ),
    IntakeQuestion(key="how-often", hint="such as: 2 h, or twice a week 3 h a day"),
    IntakeQuestion(key="time-from-start", hint="such as: 40 s, 20 min"),
    IntakeQuestion(
        key="restart",
        choices=("at-once", "after-minutes", "after-mains-switch", "not-at-all", "by-itself", "not-known"),
    ),
    IntakeQuestion(
        key="noises",
        choices=("none", "silent", "gurgle", "rattle", "whine", "loud-fan", "not-known"),
    ),
    IntakeQuestion(key="recent-changes", hint="moved, new part, update, cleaning"),
    IntakeQuestion(
        key="place",
        choices=("desk", "floor", "carpet", "cabinet", "lap-or-bed", "not-known"),
    ),
    IntakeQuestion(key="room", hint="°C"),
    # What these stand for is in `dangers`: it locks the machine from the intake on. One key answers them together.
    IntakeQuestion(
        key="pack",
        choices=("flat", "swollen", "not-known"),
        kinds=("laptop", "other"),
        none="flat",
        danger="swollen",
    ),
    IntakeQuestion(
        key="leak",
        choices=("none", "seen", "not-known"),
        kinds=("desktop-liquid", "other"),
        none="none",
        danger="seen",
    ),
    IntakeQuestion(key="smell", choices=("none", "burnt", "not-known"), none="none", danger="burnt"),
    IntakeQuestion(
        key="connector",
        choices=("sound", "loose", "scorched", "not-known"),
        none="sound",
        danger="scorched",
    ),
)

CONSENTS = _texts(
    "consent",
    "data",
    "backup",
    "encryption-key",
    "heavy-load",
    "graphics-and-processor",
    "storage-writes",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingWord:
    """What a finding of one name may say.

    Attributes:
        choices: The words known for it; other words are kept as text.
        unit: `°C` where it is a temperature read by hand, else empty.
    """

    choices: tuple[str, ...] = ()
    unit: str = ""


_TEMPERATURE = FindingWord(unit="°C")
FINDINGS = {
    "radiator": FindingWord(choices=("cold", "warm", "hot")),
    "hoses": FindingWord(choices=("both-cold", "one-hot", "both-hot")),
    "pump": FindingWord(choices=("silent", "hums", "rattles", "gurgles")),
    "cpu-fan": FindingWord(choices=("turns", "stopped", "reversed", "loud")),
    "radiator-fan": FindingWord(choices=("turns", "stopped", "reversed", "loud")),
    "case-fan": FindingWord(choices=("turns", "stopped", "reversed", "loud")),
    "dust": FindingWord(choices=("none", "some", "clogged")),
    "paste": FindingWord(choices=("even", "dry", "uneven", "absent", "film-left")),
    "mount": FindingWord(choices=("tight", "loose", "uneven")),
    "restart": FindingWord(choices=("at-once", "after-minutes", "after-mains-switch", "not-at-all", "by-itself")),
    "noise": FindingWord(choices=("none", "silent", "gurgle", "rattle", "whine")),
    "leak": FindingWord(choices=("none", "seen")),
    "pack": FindingWord(choices=("flat", "swollen")),
    "smell": FindingWord(choices=("none", "burnt")),
    "connector": FindingWord(choices=("sound", "loose", "scorched")),
    "panel-off": FindingWord(choices=("helps", "no-change")),
    "tilt": FindingWord(choices=("helps", "no-change")),
    "touched": FindingWord(choices=("switches-off", "no-change", "shock")),
    "smoke": FindingWord(choices=("none", "seen")),
    "hose-in": _TEMPERATURE,
    "hose-out": _TEMPERATURE,
    "radiator-temp": _TEMPERATURE,
    "plate": _TEMPERATURE,
    "coolant": _TEMPERATURE,
    "inlet": _TEMPERATURE,
    "exhaust": _TEMPERATURE,
    "room": _TEMPERATURE,
    "board": _TEMPERATURE,
    "vrm": _TEMPERATURE,
    "die": _TEMPERATURE,
    "gpu": _TEMPERATURE,
}
# A reading typed by a person: a type K probe of class 2 is good to ±2.5 K (IEC 60584-1), and was held for seconds only.
TYPED_TEMPERATURE_U95_K = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtectiveStep:
    """What must be true before a machine leaves.

    Attributes:
        question: As it is asked, so that yes and no each say one plain thing.
        done: The answer with which it is true.
        otherwise: What the other answer says beyond "not done", a finding as KEY=VALUE; empty for nothing.
    """

    question: str
    done: str = YES
    otherwise: str = ""


_STEPS_FOR_ALL = {
    "photographed": ProtectiveStep(
        question="Condition photographed before anything was changed?",
    ),
    "static": ProtectiveStep(
        question="Strap worn, and the machine off and unplugged meanwhile?",
    ),
    "cables-clear": ProtectiveStep(
        question="Cables clear of every fan, and plugs in the right headers?",
    ),
    "closed-up": ProtectiveStep(question="Panels and screws back?"),
    "settings-noted": ProtectiveStep(question="Firmware settings as agreed with the customer?"),
}
_STEPS_BY_KIND = {
    "desktop-liquid": {
        "no-coolant": ProtectiveStep(
            question="Coolant outside its loop?",
            done=NO,
            otherwise="leak=seen",
        ),
        "pump-below": ProtectiveStep(question="Pump at the highest point of the loop?", done=NO),
    },
    "laptop": {
        "pack-flat": ProtectiveStep(
            question="Battery pack swollen or damaged?",
            done=NO,
            otherwise="pack=swollen",
        ),
        "lid-and-feet": ProtectiveStep(question="Lid closes, feet and vents free?"),
    },
}


def steps_of(machine_kind: str) -> dict[str, ProtectiveStep]:
    """Return the steps that must be ticked before a machine of this kind leaves, by id, in order."""
    return {**_STEPS_FOR_ALL, **_STEPS_BY_KIND.get(machine_kind, {})}


def protective_steps(machine_kind: str) -> dict[str, str]:
    """Return the English texts of those steps, as they stand on a page once they are true."""
    return _texts("step", *steps_of(machine_kind))


def said_change(kind: str) -> Value:
    """Return a kind of change as the value of a reason; one of a later version is said by its key."""
    return (reason(f"change-{kind}"),) if kind in CHANGE_KINDS else kind
