"""Which roles bench.toml gives: for good in `[channel.NAME]`, and for one kind of board in `[board."MODEL"]`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from verifyrig.core.channels import quantity_of
from verifyrig.core.errors import BenchError
from verifyrig.core.interfaces import ChannelInfo

_NAMED_AT_MOST = 12


def chosen_roles(infos: Sequence[ChannelInfo], tables: Mapping[str, Mapping[str, Any]]) -> dict[int, str]:
    """Return for each position which channel its `[channel.NAME]` table makes it.

    Raises:
        BenchError: A source is gone, not unique, of another kind, or a channel would be read twice.
    """
    chosen: dict[int, str] = {}
    read_already = {info.channel: i for i, info in enumerate(infos) if info.channel is not None}
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
        if read_already.get(name, position) != position:
            raise BenchError(
                f"{name} is already read from {infos[read_already[name]].device}",
                where=f"bench.toml, channel.{name}.source",
                mend="Number one of the two, as in plate_2_temp_c, or take the line out.",
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
            mend=f"Correct the source or take the line out; {_of_its_kind(infos, name)}.",
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


def _of_its_kind(infos: Sequence[ChannelInfo], name: str) -> str:
    """Return which sensors could be meant; `verifyrig channels` could not say it while the file names a gone one."""
    kind = quantity_of(name)
    devices = [info.device for info in infos if info.quantity == kind]
    if not devices:
        return f"this machine shows no {kind} now"
    more = f" and {len(devices) - _NAMED_AT_MOST} more" if len(devices) > _NAMED_AT_MOST else ""
    return f"of this kind there is now: {', '.join(devices[:_NAMED_AT_MOST])}{more}"


def learned_roles(
    infos: Sequence[ChannelInfo], config: Mapping[str, Any], board: str, chosen: Mapping[int, str]
) -> dict[int, str]:
    """Return for each position which channel was learned for boards of this model.

    Unlike a `[channel.NAME]` table this one is passed over where a sensor is gone: boards of one model differ in
    what is plugged in, and tables of other models do not concern this machine.
    """
    table = config.get("board", {}).get(board, {}) if board else {}
    taken = {*chosen.values(), *(info.channel for info in infos if info.channel is not None)}
    learned: dict[int, str] = {}
    for name, source in table.items():
        at = [i for i, info in enumerate(infos) if info.device == source and info.quantity == quantity_of(name)]
        if at and name not in taken and at[0] not in chosen and at[0] not in learned and infos[at[0]].channel is None:
            learned[at[0]] = name
    return learned
