"""Which trip limits are armed on a machine: one for each channel of the limit's kind, with the bound that applies."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from verifyrig.core.ceilings import ceiling_c
from verifyrig.core.channels import base_name, of_role
from verifyrig.core.heat_sources import PARTS
from verifyrig.core.interfaces import ChannelInfo
from verifyrig.core.profile import Profile, TripLimit

# Dies and cards, which slow themselves at their limit.
_HOLDING_THEMSELVES = ("core_temp_c", "gpu_hotspot_temp_c", "gpu_memory_temp_c", *(part.temp for part in PARTS))


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmedLimit:
    """A trip limit on one channel of this machine, and the bound that applies there.

    Attributes:
        channel: The channel guarded: the limit's own, or a further one of its kind.
        maximum: In the channel's unit; the lowest of the profile's and the machine's, None where there is none.
        from_machine: Whether the machine's own limit decides.
        from_first_reading: It gave no reading when the run began and its limit is optional: silence is no trip
            until it has spoken, and `not_armed` names it.
    """

    limit: TripLimit
    channel: str
    maximum: float | None
    from_machine: bool
    from_first_reading: bool = False


def arm(
    profile: Profile, infos: Mapping[str, ChannelInfo], readable: Collection[str] | None = None
) -> tuple[list[ArmedLimit], list[str]]:
    """Return what is guarded on this machine, one limit a channel, and by name what is not.

    A limit on a role holds for every channel of its kind. Not guarded is a role that the machine lacks, a channel that
    cannot be read, and one whose only bound is a machine limit that the machine does not state.

    Args:
        profile: The plan with its trip limits.
        infos: Channels of this machine.
        readable: Those that gave a reading to be believed just now; None takes all for readable.
    """
    armed: list[ArmedLimit] = []
    absent: list[str] = []
    for limit in profile.trip_limits:
        channels = of_role(limit.channel, infos)
        if not channels:
            absent.append(limit.channel)
        for channel in channels:
            if infos[channel].unreadable:
                absent.append(channel)
                continue
            late = readable is not None and channel not in readable
            one = _arm_one(limit, infos[channel], channel, late)
            if late or _lacks_its_bound(one):
                absent.append(channel)
            armed.append(one)
    return armed, list(dict.fromkeys(absent))


def _lacks_its_bound(armed: ArmedLimit) -> bool:
    return armed.limit.below_machine_limit_k is not None and armed.maximum is None


def _arm_one(limit: TripLimit, info: ChannelInfo, channel: str, late: bool) -> ArmedLimit:
    own = _bound_by_machine(limit, info, channel)
    from_machine = own is not None and (limit.maximum is None or own < limit.maximum)
    return ArmedLimit(
        limit=limit,
        channel=channel,
        maximum=own if from_machine else limit.maximum,
        from_machine=from_machine,
        from_first_reading=late and limit.optional,
    )


def _bound_by_machine(limit: TripLimit, info: ChannelInfo, channel: str) -> float | None:
    """Return the bound that the machine's own limit sets, at most its kind's ceiling; None where it states none.

    A part that slows itself at its limit never reads more: a bound above that would guard nothing.
    """
    if info.limit is None:
        return None
    if limit.below_machine_limit_k is not None:
        return min(info.limit - limit.below_machine_limit_k, ceiling_c(channel) or math.inf)
    return info.limit if limit.maximum is not None and base_name(channel) in _HOLDING_THEMSELVES else None


def limits_of(armed: Sequence[ArmedLimit]) -> dict[str, float]:
    """Return the lowest maximum of each channel, in its unit."""
    limits: dict[str, float] = {}
    for one in armed:
        if one.maximum is not None:
            limits[one.channel] = min(one.maximum, limits.get(one.channel, math.inf))
    return limits
