"""A trip: why the guard ended the load, in the words of a record's `trip`."""

from __future__ import annotations

from dataclasses import dataclass

from verifyrig.core.reason import Reason
from verifyrig.rig.arming import ArmedLimit

# From a sample to the load's end.
ACT_WITHIN_S = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Trip:
    """Why the load was ended: the rule, the channel, its value and limit (channel's unit, K/s for `rate`)."""

    rule: str
    channel: str
    value: float | None
    limit: float | None
    why: Reason


def trip_of(rule: str, armed: ArmedLimit, value: float | None, limit: float | None, why: Reason) -> Trip:
    """Return the trip of an armed limit."""
    return Trip(rule=rule, channel=armed.channel, value=value, limit=limit, why=why)
