"""Which temperature stands for the room: a probe in it, else the air at the cooler's inlet, else what a person typed.

A probe comes before what was typed since it follows the room; what was typed serves where no probe answers. Who needs
the room itself and not the air that the cooler takes in (the diagnosis, which tells a warm room from a warm case)
asks for `AMBIENT_CHANNEL` and `typed_ambient` alone and says what the inlet is worth then.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple, TypedDict

from verifyrig.core.plain_json import number_or_none

__all__ = [
    "AMBIENT_CHANNEL",
    "AMBIENT_CHANNELS",
    "INLET_CHANNEL",
    "TYPED",
    "TypedAmbient",
    "ambient_channel",
    "typed_ambient",
]

AMBIENT_CHANNEL, INLET_CHANNEL = "ambient_temp_c", "inlet_temp_c"
AMBIENT_CHANNELS = (AMBIENT_CHANNEL, INLET_CHANNEL)
TYPED = "typed"  # the source of the room in a record's facts where a person typed it


class AmbientFact(TypedDict):
    """The ambient as a record's facts hold it: °C, K, and which channel or person gives it."""

    value_c: float | None
    u95_k: float | None
    source: str


class TypedAmbient(NamedTuple):
    """The room as a person typed it, °C, and its expanded uncertainty, K; None where that was not kept."""

    value_c: float
    u95_k: float | None


def ambient_channel(is_known: Callable[[str], bool]) -> str | None:
    """Return the channel that stands for the room among those that are known; None where none is."""
    return next((channel for channel in AMBIENT_CHANNELS if is_known(channel)), None)


def typed_ambient(facts: Mapping[str, Any]) -> TypedAmbient | None:
    """Return the room that was typed, from a record's facts; None where none was."""
    ambient = facts.get("ambient")
    if not isinstance(ambient, Mapping) or (value_c := number_or_none(ambient.get("value_c"))) is None:
        return None
    return TypedAmbient(value_c, number_or_none(ambient.get("u95_k")))
