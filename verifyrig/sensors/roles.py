"""Which channel of the contract each found sensor is: by its claim, or as bench.toml says.

A guess carries a note. What nothing is known of stays listed without a role.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from verifyrig.core.channels import duty_of, numbered
from verifyrig.core.interfaces import ChannelInfo
from verifyrig.sensors.claims import AMD, ChannelClaim, claim
from verifyrig.sensors.corrections import corrected
from verifyrig.sensors.hwmon import SUPER_IO
from verifyrig.sensors.role_config import chosen_roles, learned_roles

_GUESSED_FAN = "the only fan that this machine reports, taken for the processor's; set it in bench.toml if it is not"
_PAIRED_DUTY = "taken to drive the fan with the same number on the same chip"


def assign(
    infos: Sequence[ChannelInfo],
    config: Mapping[str, Any] | None = None,
    *,
    board: str = "",
    today: date | None = None,
) -> list[ChannelInfo]:
    """Return the same sensors with channel, correction and uncertainty filled in.

    Args:
        infos: What was found, in stable order; a `channel` already set (serial instruments) stays.
        config: bench.toml; its `[channel.NAME]` tables may name a `source` by device or label.
        board: Model of the board, for what `[board."MODEL"]` has learned of it.
        today: For what a calibration is worth that is overdue; None takes none for overdue.

    Raises:
        BenchError: A table names a source that is gone or not unique.
    """
    tables = (config or {}).get("channel", {})
    chosen = chosen_roles(infos, tables)
    chosen |= learned_roles(infos, config or {}, board, chosen)
    found = [replace(info, channel=chosen[i]) if i in chosen else info for i, info in enumerate(infos)]
    found = _number(found, _claims(found))
    found = _with_control_limits(_pair_duties(_lone_fan(found)))
    return [corrected(info, tables.get(info.channel or "", {}), today) for info in found]


def _claims(infos: Sequence[ChannelInfo]) -> dict[int, ChannelClaim]:
    """Return for each position the claim that stands, after choosing among sources of the same thing."""
    claims = {i: c for i, info in enumerate(infos) if info.channel is None and (c := claim(info)) is not None}
    for base in {c.base for c in claims.values()}:
        rivals = [i for i, c in claims.items() if c.base == base]
        # A readable source goes before one that only root may read.
        best = min(rivals, key=lambda i: (bool(infos[i].unreadable), claims[i].rank, i))
        keep = [i for i in rivals if claims[i].rank == claims[best].rank]
        keep = [best] if claims[best].alone else [i for i in keep if infos[i].unreadable == "" or i == best]
        for i in set(rivals) - set(keep):
            del claims[i]
    return claims


def _number(infos: list[ChannelInfo], claims: Mapping[int, ChannelClaim]) -> list[ChannelInfo]:
    taken = {info.channel for info in infos if info.channel is not None}
    for i in sorted(claims, key=lambda i: _order(infos[i], i)):
        n = 1
        while numbered(claims[i].base, n) in taken:
            n += 1
        channel = numbered(claims[i].base, n)
        taken.add(channel)
        infos[i] = replace(infos[i], channel=channel, note=infos[i].note or claims[i].note)
    return infos


def _order(info: ChannelInfo, position: int) -> tuple[str, int, int]:
    """Order cores by their number within a package: `Core 10` after `Core 2`."""
    if info.driver != "coretemp":
        return ("", 0, position)
    digits = re.search(r"\d+", info.label)
    return (info.device.rpartition(":")[0], int(digits.group()) if digits else 0, position)


def _lone_fan(infos: list[ChannelInfo]) -> list[ChannelInfo]:
    fans = [i for i, info in enumerate(infos) if info.quantity == "speed"]
    if len(fans) == 1 and infos[fans[0]].channel is None and not infos[fans[0]].driver.startswith(SUPER_IO):
        infos[fans[0]] = replace(infos[fans[0]], channel="cpu_fan_speed_rpm", note=_GUESSED_FAN)
    return infos


def _pair_duties(infos: list[ChannelInfo]) -> list[ChannelInfo]:
    fans = {info.device: info.channel for info in infos if info.quantity == "speed" and info.channel is not None}
    taken = {info.channel for info in infos}
    for i, info in enumerate(infos):
        chip, _, stem = info.device.rpartition(":")
        fan = fans.get(f"{chip}:{stem.replace('pwm', 'fan')}") if stem.startswith("pwm") else None
        if fan is None or info.channel is not None:
            continue
        duty = duty_of(fan)
        if duty not in taken:
            infos[i] = replace(info, channel=duty, note=_PAIRED_DUTY)
    return infos


def _with_control_limits(infos: list[ChannelInfo]) -> list[ChannelInfo]:
    """Give a die without a limit the one that its chip states for the control value.

    The control value is never below the die (k10temp document), so the part throttles no later than there.
    """
    limits = {
        info.device.rpartition(":")[0]: info.limit
        for info in infos
        if info.driver in AMD and info.label == "Tctl" and info.limit is not None
    }
    return [
        replace(info, limit=limits[chip])
        if info.limit is None
        and (info.channel or "").startswith("die_")
        and (chip := info.device.rpartition(":")[0]) in limits
        else info
        for info in infos
    ]
