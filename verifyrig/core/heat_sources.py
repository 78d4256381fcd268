"""The parts of a machine that are heated by a power of their own: the processor's die and the graphics card. Pure.

Each has a temperature, the power that heats it, and the fan that cools it; figures of the card have `gpu_` in front.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from verifyrig.core.channels import base_name, duty_of, number_of, numbered, of_role
from verifyrig.core.interfaces import ChannelInfo, Reading
from verifyrig.core.profile import LoadPlan, WorkName

__all__ = [
    "CARD",
    "DIE",
    "PARTS",
    "HeatSource",
    "HeatedGroup",
    "cores_of",
    "heated_by",
    "heated_groups",
    "highest_of",
    "needs_limit_on",
    "of_same_chip",
    "of_same_part",
    "part_of",
]


class HeatSource(NamedTuple):
    """A part that is heated by its own power.

    Attributes:
        temp: Its temperature, °C.
        power: The power that heats it, W.
        fan: The fan that cools it, rpm.
        prefix: What stands before the names of its figures.
        short: What the codes of its reasons end in.
        cores: Further sensors of its temperature on the same device, °C; empty where there are none.
    """

    temp: str
    power: str
    fan: str
    prefix: str
    short: str
    cores: str = ""

    @property
    def fan_duty(self) -> str:
        """What that fan is commanded, 0 to 1."""
        return duty_of(self.fan)


DIE = HeatSource("die_temp_c", "package_power_w", "cpu_fan_speed_rpm", "", "die", "core_temp_c")
CARD = HeatSource("gpu_temp_c", "gpu_power_w", "gpu_fan_speed_rpm", "gpu_", "card")
PARTS = (DIE, CARD)


def part_of(temperature: str) -> HeatSource | None:
    """Return the part whose own power heats this temperature, or None for what is heated from elsewhere."""
    known = {"die_temp_c": DIE, "gpu_temp_c": CARD, "gpu_hotspot_temp_c": CARD, "gpu_memory_temp_c": CARD}
    return known.get(base_name(temperature))


def heated_by(work: str) -> tuple[str, ...]:
    """Return the temperatures that answer to a work: the processor's die, the graphics card, or both."""
    if work == WorkName.GPU_AND_PROCESSOR:
        return (DIE.temp, CARD.temp)
    return (CARD.temp,) if work.startswith("gpu-") else (DIE.temp,)


def needs_limit_on(work: str) -> tuple[str, ...]:
    """Return the temperatures that must have a trip limit under a work.

    Those that answer to it, and the drives where it writes to them: their flash heats by its own work, which no die
    shows, and slows down or fails above its own limit.
    """
    return (*heated_by(work), "drive_temp_c") if work == WorkName.STORAGE else heated_by(work)


class HeatedGroup(NamedTuple):
    """Temperatures of one kind that a load heats.

    Attributes:
        channels: By number.
        every: Whether each of them is heated. A load on a part of the cores, or on one of several cards, heats at
            least one, and which is not known.
    """

    channels: tuple[str, ...]
    every: bool


def heated_groups(plan: LoadPlan, infos: Mapping[str, ChannelInfo]) -> tuple[HeatedGroup, ...]:
    """Return what a load heats of a machine's channels: its dies, its cards, or both."""
    groups = ((temp, of_role(temp, infos)) for temp in heated_by(plan.work))
    return tuple(
        HeatedGroup(channels, len(channels) == 1 or (temp == DIE.temp and plan.workers == "all"))
        for temp, channels in groups
        if channels
    )


def highest_of(role: str, readings: Mapping[str, Reading]) -> float | None:
    """Return the highest reading to be believed of a channel's kind, in its unit; None where none gives one."""
    values = [readings[name].value for name in of_role(role, readings) if readings[name].ok]
    return max((value for value in values if value is not None), default=None)


def of_same_part(temp: str, base: str, infos: Mapping[str, ChannelInfo]) -> str | None:
    """Return the channel of another kind that belongs to the same part as a temperature; None where none does.

    The same device first (a card shows its temperature and its power itself); else one of the kind for each device
    that shows such temperatures (a package's power for each processor); else the same number.
    """
    rivals = of_role(base, infos)
    if temp not in infos or not rivals:
        return None
    device = _device(infos[temp])
    beside = [name for name in rivals if _device(infos[name]) == device]
    if beside:
        return beside[0]
    devices = list(dict.fromkeys(_device(infos[name]) for name in of_role(base_name(temp), infos)))
    free = [name for name in rivals if _device(infos[name]) not in devices]
    if len(devices) == len(free):
        return free[devices.index(device)]
    same_number = numbered(base, number_of(temp))
    return same_number if same_number in free else None


def cores_of(temp: str, devices: Mapping[str, str]) -> tuple[str, ...]:
    """Return the further sensors of a part's temperature, by number; none where its chip shows several such parts.

    Args:
        temp: The temperature's channel.
        devices: Device and input of each channel, as its `ChannelInfo` has it.
    """
    part = part_of(temp)
    if part is None or not part.cores or base_name(temp) != part.temp:
        return ()
    alone = of_same_chip(temp, part.temp, devices) == (temp,)
    return of_same_chip(temp, part.cores, devices) if alone else ()


def of_same_chip(channel: str, base: str, devices: Mapping[str, str]) -> tuple[str, ...]:
    """Return the channels of a kind on the chip that shows a channel, by number; `devices` as in `cores_of`."""
    chip = _chip(devices.get(channel, ""))
    return tuple(name for name in of_role(base, devices) if chip and _chip(devices[name]) == chip)


def _device(info: ChannelInfo) -> str:
    return _chip(info.device)


def _chip(device: str) -> str:
    return device.rpartition(":")[0]
