"""How a machine comes to the bench, and what can be done then. Plain data; what to do is common practice, no source."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Deed(StrEnum):
    """What can be done, beside measuring with a profile."""

    TAKE_IN = "take in"
    FINDING = "note a finding"
    HISTORY = "history"
    CHANNELS = "channels"
    PROBES = "probes"
    STICK = "stick"
    LOG = "log"
    BY_TITLE = "by title"


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """One way in which a machine stands there.

    Attributes:
        title: As it is chosen.
        says: What to know first, a sentence each.
        ways: What can be done, best first: names of profiles, and deeds; `kind` is the profile of its kind of machine.
    """

    title: str
    says: tuple[str, ...]
    ways: tuple[str | Deed, ...]


OF_ITS_KIND = "kind"
_STICK = "From a stick: start it from a medium of your own with this program on it, then take its bench folder over."

SITUATIONS: tuple[Situation, ...] = (
    Situation(
        title="It works",
        says=("Quick look first: three minutes that are safe on any machine that idles quietly.",),
        ways=("quick-look", OF_ITS_KIND, "soak", Deed.CHANNELS, Deed.BY_TITLE),
    ),
    Situation(
        title="It shuts off or restarts",
        says=(
            "Before anything is reset: what does the system remember of its last shut-downs?",
            "No full load before the cause is narrowed down: short pulses on a quarter of the cores are the safe "
            "baseline, and a bench computer with probes keeps the record when the machine goes dark.",
        ),
        ways=(Deed.HISTORY, "pulses-only", "outside-probe", OF_ITS_KIND, Deed.BY_TITLE),
    ),
    Situation(
        title="It does not start",
        says=(
            "Nothing can be measured on it. Look, smell, and note: plug and switch, swollen or scorched parts, fans "
            "that twitch, lamps, beeps. Leave a power supply closed.",
            "It starts for a while, or from another medium? " + _STICK,
            "Probes from the bench computer watch what gets warm while somebody tries to start it.",
        ),
        ways=(Deed.FINDING, "outside-probe", Deed.STICK, Deed.HISTORY),
    ),
    Situation(
        title="It shows no temperatures",
        says=(
            "Without a temperature nothing guards a load. A probe on the cooler's plate does; the load is then the "
            "machine's own, marked by hand.",
        ),
        ways=("outside-probe", Deed.PROBES, Deed.CHANNELS, "quick-look", Deed.STICK),
    ),
    Situation(
        title="It runs another system",
        says=(
            "Nothing of ours need run on it: probes on the machine and a bench computer, with the load of its owner's "
            "own program.",
            _STICK,
            "Or take over the log of any logger as CSV.",
        ),
        ways=("outside-probe", Deed.PROBES, Deed.STICK, Deed.LOG),
    ),
    Situation(
        title="It is a laptop",
        says=(
            "Look at the pack first: swollen or bulging means no charge and no load. Hard ground, lid open, vents "
            "free, on mains.",
        ),
        ways=("laptop", "pulses-only", "quick-look", Deed.HISTORY, Deed.BY_TITLE),
    ),
)

DEED_TITLES = {
    Deed.TAKE_IN: "Take it in first: complaint, consent, machine",
    Deed.FINDING: "Note what was seen, heard or smelt",
    Deed.HISTORY: "What the system remembers of its last shut-downs",
    Deed.CHANNELS: "What can be measured here, and what not",
    Deed.PROBES: "Set up a probe",
    Deed.STICK: "Take over what was measured from a stick",
    Deed.LOG: "Take over a log of another logger (CSV)",
    Deed.BY_TITLE: "Another plan, by its title",
}
