"""The parts of a machine that are heated by a power of their own: the processor's die and the graphics card. Pure.

Each has a temperature, the power that heats it, and the fan that cools it; figures of the card have `gpu_` in front.
"""

from __future__ import annotations

from typing import NamedTuple

from verifyrig.core.channels import base_name

__all__ = ["CARD", "DIE", "PARTS", "Part", "heated_by", "part_of"]


class Part(NamedTuple):
    """A part that is heated by its own power.

    Attributes:
        temp: Its temperature, °C.
        power: The power that heats it, W.
        fan: The fan that cools it, rpm.
        prefix: What stands before the names of its figures.
        name: As it is called in reasons.
    """

    temp: str
    power: str
    fan: str
    prefix: str
    name: str


DIE = Part("die_temp_c", "package_power_w", "cpu_fan_speed_rpm", "", "die")
CARD = Part("gpu_temp_c", "gpu_power_w", "gpu_fan_speed_rpm", "gpu_", "graphics card")
PARTS = (DIE, CARD)


def part_of(temperature: str) -> Part | None:
    """Return the part whose own power heats this temperature, or None for what is heated from elsewhere."""
    known = {"die_temp_c": DIE, "gpu_temp_c": CARD, "gpu_hotspot_temp_c": CARD, "gpu_memory_temp_c": CARD}
    return known.get(base_name(temperature))


def heated_by(work: str) -> tuple[str, ...]:
    """Return the temperatures that answer to a work: the processor's die, the graphics card, or both."""
    if work == "gpu-and-processor":
        return (DIE.temp, CARD.temp)
    return (CARD.temp,) if work.startswith("gpu-") else (DIE.temp,)
