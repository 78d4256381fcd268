"""The usual cautions of work on a computer, in the words of the screen; the report prints them too."""

from __future__ import annotations

from dataclasses import dataclass

from verifyrig.core.pattern import longest_s_of
from verifyrig.core.profile import Profile
from verifyrig.jobs.safety import is_heavy


@dataclass(frozen=True, slots=True, kw_only=True)
class SafetyNote:
    """One caution.

    Attributes:
        title: A word or two.
        short: It in a few words, for who has read it today.
        text: One or two sentences.
        source: Where the figures come from, or "common practice, no source".
    """

    title: str
    short: str
    text: str
    source: str


_PRACTICE = "common practice, no source"
NOTES: dict[str, SafetyNote] = {
    "mains": SafetyNote(
        title="Mains",
        short="plug out before hands go in",
        text="Switch off, pull the plug, press the power button, wait. Nobody opens a power supply, and nobody works "
        "inside the case with the plug in.",
        source="De-energise before work on exposed parts: 29 CFR 1910.333",
    ),
    "capacitors": SafetyNote(
        title="Charged capacitors",
        short="nobody opens a power supply",
        text="Inside a supply the primary capacitors hold hundreds of volts after the plug is out: 470 µF at 325 V "
        "hold 25 J, and 10 J can kill. Treat what was not proven discharged as live.",
        source="energy from E = C V²/2; 10 J from a public guidance note on the discharge of capacitors",
    ),
    "hot": SafetyNote(
        title="Hot parts",
        short="wait out the cooldown before you touch metal",
        text="Bare metal burns at about 65 to 70 °C within one second, at 55 °C within ten, at 51 °C within a minute; "
        "above 48 °C do not hold it. The heat comes after the load: wait for the end of the cooldown, check, then "
        "touch.",
        source="ISO 13732-1:2006, burn thresholds for metal, from memory; the standard decides",
    ),
    "fans": SafetyNote(
        title="Fans",
        short="fingers, hair and sleeves off the fans",
        text="Keep fingers, hair, sleeves and cable ties away; hold the hub still when dust is blown out.",
        source=_PRACTICE,
    ),
    "coolant": SafetyNote(
        title="Coolant",
        short="any leak: stop, mains off",
        text="At any leak: stop, mains off, do not start again to look. Photograph it, dry it; what got wet corrodes "
        "later.",
        source=_PRACTICE,
    ),
    "lithium": SafetyNote(
        title="Lithium pack",
        short="a swollen pack: no charge, no load, set it apart",
        text="A swollen pack is not charged, not loaded, not pressed and not pried out: set it apart, away from what "
        "burns, and hand it to trained people.",
        source=_PRACTICE,
    ),
    "static": SafetyNote(
        title="Static",
        short="the strap only with the plug out",
        text="Wear the strap only with the machine switched off and unplugged; never while anything live is worked on.",
        source=_PRACTICE,
    ),
    "probe": SafetyNote(
        title="Probes",
        short="insulate probe tips",
        text="Insulate the tip of a thermocouple, use an isolated reader, stay clear of mains parts: a reader without "
        "isolation ties the tip to the computer's earth.",
        source=_PRACTICE,
    ),
    "soak": SafetyNote(
        title="Long runs",
        short="stay with it, away from what burns",
        text="Somebody stays with the machine. Keep it away from what burns, under a smoke detector, on an outlet that "
        "can be cut from the door. At night it rests.",
        source=_PRACTICE,
    ),
    "heavy": SafetyNote(
        title="Heavy load",
        short="the customer agreed to a heavy load",
        text="A heavy load can finish a part that is dying. The customer agrees to it at intake, not afterwards.",
        source=_PRACTICE,
    ),
}
LONG_RUN_S = 7200.0


def notes_for(profile: Profile | None, machine_kind: str | None) -> list[SafetyNote]:
    """Return the notes that matter for a machine of this kind and a profile, the gravest first.

    For a machine of unknown kind all of them; without a profile those of work on the machine.
    """
    wanted = ["mains", "capacitors", "hot", "fans"]
    if machine_kind not in ("desktop-air", "small-form", "laptop"):
        wanted.append("coolant")
    if machine_kind not in ("desktop-air", "small-form", "desktop-liquid"):
        wanted.append("lithium")
    wanted += ["static", "probe"]
    if profile is not None and any(is_heavy(stage) for stage in profile.stages):
        wanted.append("heavy")
    if profile is not None and sum(longest_s_of(stage) for stage in profile.stages) >= LONG_RUN_S:
        wanted.append("soak")
    return [NOTES[key] for key in wanted]
