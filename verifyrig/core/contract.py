"""Objects of the JSON contract that several commands print. Each package has a `contract` for those that it makes.

They are the shape of what is printed, without `schema`, and of what a program of others may rely on.
"""

from __future__ import annotations

from typing import TypedDict

from verifyrig.core.outcome import CauseClass

Number = float | None

# Written as a call: `class` is a word of the language.
CauseObject = TypedDict("CauseObject", {"class": CauseClass, "why": list[str]})


class TripObject(TypedDict):
    """The trip limit that ended the load; `load_off_s` is null where a worker was not seen to end."""

    rule: str
    channel: str
    value: Number
    limit: Number
    stage: str
    t_s: float
    load_off_s: Number


class ErrorObject(TypedDict):
    """What a person can mend: what, where, how."""

    what: str
    where: str
    mend: str


class LeftOut(TypedDict):
    """A run that does not count, and why."""

    run: str
    why: str


class LeftOutUnit(LeftOut):
    """The same for a unit of a build."""

    unit: str
