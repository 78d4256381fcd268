"""Drives one load through a stage: the steps of its pattern, its pauses, and what it is steered to."""

from __future__ import annotations

import math
from collections.abc import Mapping

from verifyrig.core.heat_sources import heated_by
from verifyrig.core.interfaces import Load, LoadDemand, Reading
from verifyrig.core.pattern import next_step_s, share_at
from verifyrig.core.profile import LoadPattern, LoadPlan, WorkName
from verifyrig.rig.holding import Holding
from verifyrig.rig.load_counts import LoadCounts

# A reading of power is up to two samples old; what it shows of a pause must not move the share that is held.
STEER_AFTER_PAUSE_S = 3.0

# A quarter of the workers at full share is a quarter of the load.
QUARTER = 0.25

_HAIR_S = 1e-6


class LoadDriver:
    """One load stage's load, from its first step to its end.

    Attributes:
        plan: What is driven.
        share: The commanded share now, 0 to 1.
        holding: What steers it to a power or a temperature, None where nothing does.
        counts: What it reports of its work.
    """

    def __init__(self, load: Load, plan: LoadPlan) -> None:
        self._load = load
        self.plan = plan
        self.holding: Holding | None = None
        # A climb hands over to what holds a temperature.
        if plan.hold is not None and plan.pattern != LoadPattern.CLIMB:
            self.holding = Holding(plan.hold, min(plan.share, 0.5))
        self._began_s = 0.0
        self._paused = False
        self._climbed = 0.0
        self._steer_from_s = -math.inf
        self.share = 0.0
        self.counts = LoadCounts(load)

    @property
    def steady(self) -> bool:
        """Whether the die must answer to it: a fixed share that stays on, on this very machine."""
        return self.plan.pattern == LoadPattern.STEADY and self.holding is None and not self.external

    @property
    def external(self) -> bool:
        """Whether a person runs the load, and marks when it is on and off."""
        return self.plan.work == WorkName.EXTERNAL

    def mark(self) -> float:
        """The person switched the load on, or off again; return the share that counts from now."""
        self.share = 0.0 if self.share else self.plan.share
        return self.share

    def begin(self, t_s: float) -> float:
        """Give the first share at the run's time `t_s`; return it."""
        self._began_s = t_s
        if self.external:
            return 0.0
        self._command(self._planned(t_s), t_s)
        return self.share

    def go_to(self, share: float, t_s: float) -> None:
        """Command what a climb decided."""
        self._climbed = share
        self._command(share, t_s)

    def hold_from_here(self) -> None:
        """Hand over from a climb to what holds a temperature, at the share that is on."""
        self.holding = Holding(self.plan.hold, self.share) if self.plan.hold is not None else None

    def _planned(self, t_s: float) -> float:
        """Return what the plan wants at the run's time `t_s`, a hair later than a step, or what steers it."""
        if self.holding is not None:
            return self.holding.share
        if self.plan.pattern == LoadPattern.CLIMB:
            return self._climbed
        return share_at(self.plan, t_s - self._began_s + _HAIR_S)

    def next_step_s(self, t_s: float) -> float:
        """Return the run's time of the next change of share by the pattern, s; inf if none."""
        # As in `step`: a step that rounding puts a hair ahead of now has been followed already.
        step_s = next_step_s(self.plan, t_s - self._began_s + _HAIR_S)
        return step_s + self._began_s if math.isfinite(step_s) else math.inf

    def step(self, t_s: float) -> float | None:
        """Follow the pattern; return the new share where it changed, else None."""
        if self.holding is not None or self.external or self._paused:
            return None
        # A hair later than the step, so that rounding never leaves the old share on.
        share = self._planned(t_s)
        if share == self.share:
            return None
        self._command(share, t_s)
        return share

    def pause(self, t_s: float) -> None:
        """Take the load away for a moment; `resume` brings it back."""
        self._paused = True
        self._command(0.0, t_s)

    def resume(self, t_s: float) -> float:
        """Bring back the load as its plan has it now; return the share."""
        self._paused = False
        self._steer_from_s = t_s + STEER_AFTER_PAUSE_S
        self._command(self._planned(t_s), t_s)
        return self.share

    def steer(self, t_s: float, readings: Mapping[str, Reading]) -> float | None:
        """Steer to the hold's target by this sample; return the new share where there is a hold."""
        if self.holding is None:
            return None
        if self._paused or t_s < self._steer_from_s:
            return self.share
        self._command(self.holding.update(t_s, readings), t_s)
        return self.share

    def _command(self, share: float, t_s: float) -> None:
        self._load.set_share(share)
        self.share = share
        self.counts.commanded(share, t_s)


def demand_of(plan: LoadPlan) -> LoadDemand:
    """Return what a load is to bring up for a plan."""
    return LoadDemand(work=plan.work, workers=plan.workers, memory_share=plan.memory_share)


def heating_of(plan: LoadPlan, share: float) -> dict[str, float]:
    """Return what a commanded share is of the full load of each part that the plan heats, by its temperature."""
    scale = QUARTER if plan.workers == "quarter" else 1.0
    return dict.fromkeys(heated_by(plan.work), share * scale)
