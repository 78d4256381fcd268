"""What a climb gets to see, and what it answers (`climb`)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol

from verifyrig.analysis.plausible.outlook import Settling
from verifyrig.core.reason import Reason
from verifyrig.core.trace import FloatArray

__all__ = ["STOP_S", "ClimbAct", "ClimbRules", "Decision", "Seeing", "Sight", "look_ahead_s"]

# From the order to the last worker gone, at worst, s: of 284 stops of a full load on two cores that a dozen other
# programs wanted, the longest took 0.54 s (median 25 ms; benchmark `stop-latency`). With the load alone 500 took 15 ms
# at most.
STOP_S = 0.6


def look_ahead_s(*, period_s: float, refresh_s: float, stale_after_s: float, stop_s: float = STOP_S) -> float:
    """Return how long a machine may go on at a share before what a reading shows of it has ended the load, at worst, s.

    Args:
        period_s: Between two samples.
        refresh_s: For so long the sensor shows the same value.
        stale_after_s: For so long a load goes on without a reading that can be believed. One that is doubtful counts as
            none, and is looked at again a period later.
        stop_s: From the order to the last worker gone.
    """
    return refresh_s + max(2 * period_s, stale_after_s + period_s) + stop_s


class Seeing(Protocol):
    """What a climb asks of one heated temperature; `plausible.Outlook` answers."""

    @property
    def refresh_s(self) -> float:
        """Interval between fresh readings, s."""
        ...

    @property
    def power_w(self) -> float:
        """What the part draws now, W; in any unit, as long as `power_at_w` has the same."""
        ...

    def power_at_w(self, share: float) -> float:
        """Return what it is expected to draw under a share, W."""
        ...

    def hottest_c(self, share: float, within_s: float) -> tuple[float, float]:
        """Return mean and standard uncertainty of the highest reading within so many seconds under a share, °C."""
        ...

    def risk(self, share: float, limit_c: float, within_s: float) -> float:
        """Return the probability that the reading passes a limit within so many seconds under a share."""
        ...

    def answer_k(self, share: float, within_s: float) -> FloatArray:
        """Return how far a change to a share moves the reading within so many seconds, K, by plausible machine."""
        ...

    def settles(self, share: float) -> Settling:
        """Return where the reading would settle if a share went on for ever."""
        ...


class ClimbAct(StrEnum):
    """What a climb does next."""

    HOLD = "hold"
    RISE = "rise"
    STEP_BACK = "step-back"
    END = "end"  # below full share, or at full share where that cannot be kept
    HAND_OVER = "hand-over"  # to what holds a temperature from here on


@dataclass(frozen=True, slots=True, kw_only=True)
class ClimbRules:
    """By what a climb decides.

    Attributes:
        full_share: Where it ends when all goes well, 0 to 1.
        step_share: Largest rise; a half and a quarter of it are tried where it would be too much.
        limits_c: What each heated temperature must stay below: the lowest armed limit by channel, °C.
        own_limits_c: The machine's own limits by channel, °C, where it states them.
        any_of: Groups of temperatures of which one must answer: a load on one of several cards leaves the others cool.
        resolution_k: Step of each sensor by channel, K.
        look_ahead_s: Worst age of a reading (period, refresh, the second look of a doubtful one) and the load's end, as
            `look_ahead_s` gives it.
        risk: Probability of passing a limit that the whole climb may take.
        unwatched_risk: The same for each part that nobody watches.
        margin_k: Distance to a limit that is kept on purpose, K.
        held_c: Temperature that is held once the load has come near it, by channel, °C; empty where none is held.
        fails_above_c: What a temperature fails by if it settles above it, by channel, °C, where the plan says so.
    """

    full_share: float
    limits_c: Mapping[str, float]
    own_limits_c: Mapping[str, float]
    resolution_k: Mapping[str, float]
    look_ahead_s: float
    any_of: tuple[frozenset[str], ...] = ()
    step_share: float = 0.25
    risk: float = 0.005
    unwatched_risk: float = 0.01
    margin_k: float = 1.0
    held_c: Mapping[str, float] = field(default_factory=dict)
    fails_above_c: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """What is known at one look.

    Attributes:
        t_s: When, s.
        temps_c: What each heated temperature showed in the last seconds, mean, °C: one reading may be off by a step.
        outlooks: Of each heated temperature; one that is lacking has too few readings yet.
        unwatched: For a share, the probability of each unwatched part to pass its limit.
        ends: Where heated temperatures settle under the present share, as the stage's own forecasts have it. At full
            share these are the better ones: an outlook is about what comes before the next look.
    """

    t_s: float
    temps_c: Mapping[str, float]
    outlooks: Mapping[str, Seeing]
    unwatched: Callable[[float], Mapping[str, float]]
    ends: Mapping[str, Settling] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What to do, and why.

    Attributes:
        act: What.
        share: The share from now on.
        why: With the figure that decided.
        full: Forecast of the temperature nearest to its limit at full share, of channel `nearest`; None without one.
        risk: What of the risk is used up.
        unwatched: Probability of each unwatched part to pass its limit at this share.
    """

    act: ClimbAct
    share: float
    why: Reason
    full: Settling | None = None
    nearest: str = ""
    risk: float = 0.0
    unwatched: Mapping[str, float] = field(default_factory=dict)
