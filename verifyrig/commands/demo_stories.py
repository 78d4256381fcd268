"""The demo's story of each simulated case: machine, complaint, what was seen, the cure. All of it is invented."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

DEFAULT_CASE = "mount-loose"
HEALTHY = {"air": "healthy-air", "liquid": "healthy-liquid"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """The one thing that is done to the machine, in the words of a job."""

    kind: str
    detail: Mapping[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoStory:
    """One job from intake to cure.

    Attributes:
        kind: Kind of machine, a key of `jobs.vocabulary.MACHINE_KINDS`.
        model: What it is called.
        profile: What it is measured with.
        complaint: In the customer's words.
        answers: To the questions of the intake.
        seen: What is found by hand once it is open: name and value of a finding.
        change: What cures it.
        condition: How it came in.
    """

    kind: str
    model: str
    profile: str
    complaint: str
    answers: Mapping[str, str]
    change: Change
    seen: Mapping[str, str] = field(default_factory=dict)
    condition: str = "light scratches on the left panel"


_STORIES: Mapping[str, DemoStory] = {
    "mount-loose": DemoStory(
        kind="small-form",
        model="Model Two (small case, low cooler)",
        profile="small-form",
        complaint="Since we moved it gets slow whenever it has to work for long. A short task is as quick as ever.",
        answers={
            "what": "slow",
            "when": "under-load",
            "how-often": "every time",
            "recent-changes": "moved house, by car",
            "place": "cabinet",
            "noises": "loud-fan",
        },
        seen={"mount": "loose", "paste": "uneven"},
        change=Change(
            kind="reseated",
            detail={"part": "heat sink", "note": "fresh paste, screws at even torque"},
        ),
        condition="a dent in the lower left corner of the case",
    ),
    "coolant-stopped": DemoStory(
        kind="desktop-liquid",
        model="Model One (liquid cooler)",
        profile="desktop-liquid",
        complaint="It switches itself off a minute after I start it, and it is hot on top.",
        answers={"what": "switches-off", "when": "any-time", "restart": "after-minutes", "place": "desk"},
        seen={"radiator": "cold"},
        change=Change(
            kind="part-replaced",
            detail={"part": "closed liquid cooler", "price": "89.00", "warranty_months": 24},
        ),
    ),
}

# What the invented bench does about each cause; anything else is a part replaced.
_CURES: Mapping[str, Change] = {
    "contact": Change(
        kind="paste-renewed", detail={"part": "thermal paste", "note": "old paste photographed, plate cleaned"}
    ),
    "coolant-flow": Change(
        kind="part-replaced", detail={"part": "closed liquid cooler", "price": "89.00", "warranty_months": 24}
    ),
    "airflow": Change(kind="cleaned", detail={"note": "fins and fans freed of dust, fan plug seated"}),
    "warm-room": Change(kind="turned-or-moved", detail={"note": "moved away from the radiator of the room"}),
    "firmware-limit": Change(
        kind="firmware-set", detail={"before": "no power limit", "after": "the maker's power limit"}
    ),
}
_PART_REPLACED = Change(kind="part-replaced", detail={"part": "the part at fault"})


def story_of(case: str, cause: str, cooler: str) -> DemoStory:
    """Return the story of a case: its own where it has one, else a plain one of its cause.

    Args:
        case: Name of the simulated case.
        cause: Its true cause.
        cooler: `air` or `liquid`.
    """
    if case in _STORIES:
        return _STORIES[case]
    return DemoStory(
        kind=f"desktop-{cooler}",
        model=f"Model One ({cooler} cooler)",
        profile=f"desktop-{cooler}",
        complaint="It does not run as it used to: hot, slow, or off all at once.",
        answers={"what": "else", "when": "not-known", "place": "desk"},
        change=_CURES.get(cause, _PART_REPLACED),
    )
