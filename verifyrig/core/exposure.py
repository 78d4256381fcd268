"""Which parts of a machine a load works, and for how long it did. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from verifyrig.core.profile import WorkName


class LoadedPart(StrEnum):
    """A part that a load can work."""

    PROCESSOR = "processor"
    GRAPHICS = "graphics"
    MEMORY = "memory"
    STORAGE = "storage"


_PROCESSOR = (LoadedPart.PROCESSOR,)
PARTS_OF_WORK: Mapping[str, tuple[LoadedPart, ...]] = {
    WorkName.LINEAR_ALGEBRA: _PROCESSOR,
    WorkName.TRANSFORM: _PROCESSOR,
    WorkName.DIGEST: _PROCESSOR,
    WorkName.MIXED: _PROCESSOR,
    WorkName.MARCH: (LoadedPart.MEMORY,),
    WorkName.STORAGE: (LoadedPart.STORAGE,),
    WorkName.GPU_LINEAR_ALGEBRA: (LoadedPart.GRAPHICS,),
    WorkName.GPU_AND_PROCESSOR: (LoadedPart.PROCESSOR, LoadedPart.GRAPHICS),
}


@dataclass(frozen=True, slots=True)
class TimeSpent:
    """How long something lasted.

    Attributes:
        total_s: In all, s.
        longest_s: In one stretch, s.
    """

    total_s: float = 0.0
    longest_s: float = 0.0

    def plus(self, other: TimeSpent) -> TimeSpent:
        """Return both together: totals add, the longer stretch stands."""
        return TimeSpent(self.total_s + other.total_s, max(self.longest_s, other.longest_s))


NO_TIME = TimeSpent()


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """What a machine went through in a run.

    Attributes:
        loaded: Time under a load that is more than quarter-share pulses.
        idle: Time without load.
        recorded: The whole run.
        by_part: Time under load of each part that was worked.
    """

    loaded: TimeSpent = NO_TIME
    idle: TimeSpent = NO_TIME
    recorded: TimeSpent = NO_TIME
    by_part: Mapping[LoadedPart, TimeSpent] = field(default_factory=dict)

    def plus(self, other: Exposure) -> Exposure:
        """Return both together."""
        parts = {*self.by_part, *other.by_part}
        return Exposure(
            loaded=self.loaded.plus(other.loaded),
            idle=self.idle.plus(other.idle),
            recorded=self.recorded.plus(other.recorded),
            by_part={p: self.by_part.get(p, NO_TIME).plus(other.by_part.get(p, NO_TIME)) for p in sorted(parts)},
        )
