"""One dip of a load: who is asked by it, who answers, and whether the heat went away with the load."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypedDict

from verifyrig.core.interfaces import Reading

# Slow drivers refresh every 4 s, so two fresh values fall into it.
ANSWER_WITHIN_S = 10.0
# After a dip the die is back within seconds, the plate below it (time constants of 2 to 10 s, trade figures) later.
# Samples so soon after one are left out of every figure.
LEFT_OUT_S = 10.0
# Whatever else runs on the machine must not stand in for the load, or the dip is none.
_POWER_FALLS_TO = 0.7
_BUSY_FALLS_TO = 0.5
_LEAST_BUSY_SHARE = 0.2
_HAIR_S = 1e-6


class DipDetail(TypedDict):
    """The detail of the record's event `dip`; times in s since the run began."""

    until_s: float
    left_out_until_s: float
    asked: list[str]
    answered: list[str]
    fair: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Dip:
    """One dip that is over, s since the run began, with who was asked and who answered.

    Attributes:
        fair: Whether the heat went away with the load; where it did not, no answer says nothing.
    """

    from_s: float
    until_s: float
    asked: tuple[str, ...]
    answered: tuple[str, ...]
    fair: bool

    def as_detail(self) -> DipDetail:
        """Return the detail of the record's event `dip`."""
        return {
            "until_s": self.until_s,
            "left_out_until_s": self.until_s + LEFT_OUT_S,
            "asked": list(self.asked),
            "answered": list(self.answered),
            "fair": self.fair,
        }


class OpenDip:
    """A dip under way.

    Args:
        from_s: When the load was taken away, s since the run began.
        asked: What each of those who are asked showed then.
        levels: Power and busy share by channel before it.

    Attributes:
        from_s, asked: As above.
    """

    def __init__(self, from_s: float, asked: Mapping[str, float], levels: Mapping[str, float]) -> None:
        self.from_s = from_s
        self.asked = dict(asked)
        self._levels = dict(levels)
        self._lowest: dict[str, float] = {}
        self._answered: list[str] = []

    def take_levels(self, levels: Mapping[str, float]) -> None:
        """Take power and busy share of a sample."""
        for name, level in levels.items():
            self._lowest[name] = min(level, self._lowest.get(name, math.inf))

    def hear(self, channel: str, reading: Reading) -> None:
        """Take one reading of somebody who is asked; one read between two samples too."""
        if channel in self.unanswered and reading.ok and reading.value != self.asked[channel]:
            self._answered.append(channel)

    @property
    def unanswered(self) -> tuple[str, ...]:
        """Who is asked and has not answered yet."""
        return tuple(channel for channel in self.asked if channel not in self._answered)

    def is_time_up(self, t_s: float) -> bool:
        """Return whether nobody has more time to answer."""
        return t_s - self.from_s >= ANSWER_WITHIN_S - _HAIR_S

    def is_over(self, t_s: float) -> bool:
        """Return whether everybody answered, or the time is up."""
        return not self.unanswered or self.is_time_up(t_s)

    def is_fair(self, power: str | None, busy: str | None) -> bool:
        """Return whether the heat of a part went away with the load: other programs may keep the machine at work."""
        return self._fell(power, 0.0, _POWER_FALLS_TO) and self._fell(busy, _LEAST_BUSY_SHARE, _BUSY_FALLS_TO)

    def _fell(self, channel: str | None, least: float, to_share: float) -> bool:
        """Return whether a level that stood above `least` fell to this share; one that is not read says nothing."""
        before = None if channel is None else self._levels.get(channel)
        if channel is None or before is None or before < least:
            return True
        return self._lowest.get(channel, math.inf) <= to_share * before

    def over(self, t_s: float, *, fair: bool) -> Dip:
        """Return the dip that is over at `t_s`."""
        return Dip(from_s=self.from_s, until_s=t_s, asked=tuple(self.asked), answered=tuple(self._answered), fair=fair)
