"""Which channel of the contract each found sensor is: by its claim, or as bench.toml says.

A guess carries a note. What nothing is known of stays listed without a role.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from verifyrig.channels import is_channel, numbered, quantity_of
from verifyrig.errors import BenchError
from verifyrig.interfaces import ChannelInfo
from verifyrig.sensors.claims import Claim, claim
from verifyrig.sensors.corrections import corrected
from verifyrig.sensors.hwmon import SUPER_IO

_GUESSED_FAN = "the only fan that this machine reports, taken for the processor's; set it in bench.toml if it is not"
_PAIRED_DUTY = "taken to drive the fan with the same number on the same chip"


def assign(
    infos: Sequence[ChannelInfo], config: Mapping[str, Any] | None = None, *, today: date | None = None
) -> list[ChannelInfo]:
    """Return the same sensors with channel, correction and uncertainty filled in.

    Args:
        infos: What was found, in stable order; a `channel` already set (serial instruments) stays.
        config: bench.toml; its `[channel.NAME]` tables may name a `source` by device or label.
        today: For what a calibration is worth that is overdue; None takes none for overdue.

    Raises:
        BenchError: A table names no channel of the contract, or a source that is gone or not unique.
    """
    tables = _channel_tables(config or {})
    chosen = _from_config(infos, tables)
    found = [replace(info, channel=chosen[i]) if i in chosen else info for i, info in enumerate(infos)]
    found = _number(found, _claims(found))
    found = _pair_duties(_lone_fan(found))
    return [corrected(info, tables.get(info.channel or "", {}), today) for info in found]


def _claims(infos: Sequence[ChannelInfo]) -> dict[int, Claim]:
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


def _number(infos: list[ChannelInfo], claims: Mapping[int, Claim]) -> list[ChannelInfo]:
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
        duty = fan.replace("_speed_rpm", "_duty_share")
        if duty not in taken:
            infos[i] = replace(info, channel=duty, note=_PAIRED_DUTY)
    return infos


def _channel_tables(config: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    tables = config.get("channel", {})
    if not isinstance(tables, dict):
        raise BenchError("it must be a table", where="bench.toml, channel", mend="Write [channel.NAME].")
    for name, table in tables.items():
        if not isinstance(table, dict) or not is_channel(name):
            raise BenchError(
                "this is no channel name" if isinstance(table, dict) else "it must be a table",
                where=f"bench.toml, channel.{name}",
                mend="Use a name such as plate_temp_c; `verifyrig channels` shows those in use.",
            )
    return tables


def _from_config(infos: Sequence[ChannelInfo], tables: Mapping[str, Mapping[str, Any]]) -> dict[int, str]:
    chosen: dict[int, str] = {}
    for name, table in tables.items():
        source = table.get("source")
        if source is None:
            continue
        position = _find_source(infos, name, str(source))
        if position in chosen:
            raise BenchError(
                f"the source {source!r} is already {chosen[position]}",
                where=f"bench.toml, channel.{name}.source",
                mend="Give each source to one channel.",
            )
        chosen[position] = name
    return chosen


def _find_source(infos: Sequence[ChannelInfo], name: str, source: str) -> int:
    where = f"bench.toml, channel.{name}.source"
    found = [i for i, info in enumerate(infos) if source in (info.device, info.source)]
    found = found or [i for i, info in enumerate(infos) if info.label and source == info.label]
    if not found:
        raise BenchError(
            f"no sensor of this machine is {source!r}",
            where=where,
            mend="`verifyrig channels` lists what there is now; correct the source or take the line out.",
        )
    if len(found) > 1:
        devices = ", ".join(infos[i].device for i in found)
        raise BenchError(f"{len(found)} sensors are called {source!r}", where=where, mend=f"Name one of: {devices}.")
    if quantity_of(name) != infos[found[0]].quantity:
        raise BenchError(
            f"{source!r} is a {infos[found[0]].quantity}, not a {quantity_of(name)}",
            where=where,
            mend="Name a sensor of the right kind.",
        )
    return found[0]
