"""Drives one load through a stage: pattern steps, hold, counts; notices a load that is gone."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Literal

from verifyrig.core.channels import is_temperature
from verifyrig.core.heat_sources import heated_by, highest_of
from verifyrig.core.interfaces import Load, LoadDemand, LoadStatus, Reading, WorkFault
from verifyrig.core.pattern import next_step_s, share_at
from verifyrig.core.profile import Hold, LoadPattern, LoadPlan, WorkName
from verifyrig.core.reason import Reason, reason

if TYPE_CHECKING:
    from verifyrig.loads.hold import HoldController

HOLD_CHANNELS = (
    ("power_w", "package_power_w"),
    ("die_temp_c", "die_temp_c"),
    ("gpu_power_w", "gpu_power_w"),
    ("gpu_temp_c", "gpu_temp_c"),
)

# Workers that have a share for this long and finish nothing give no heat: what is measured then is idle, not load.
NO_WORK_S = 10.0
# Below this share a worker's blocks may lie so far apart that a wait for the next one means nothing.
LEAST_SHARE = 0.05

# A reading of power is up to two samples old; what it shows of a pause must not move the share that is held.
STEER_AFTER_PAUSE_S = 3.0

# A quarter of the workers at full share is a quarter of the load.
QUARTER = 0.25

_HAIR_S = 1e-6


class LoadDriver:
    """One load stage's load, from its first step to its end.

    Attributes:
        share: The commanded share now, 0 to 1.
        lost: Why the load is gone, None while it is there.
    """

    def __init__(self, load: Load, plan: LoadPlan) -> None:
        self._load = load
        self._plan = plan
        # A climb hands over to what holds a temperature.
        self._hold = _controller(plan.hold, min(plan.share, 0.5)) if plan.pattern != LoadPattern.CLIMB else None
        self._work_before: tuple[float, float] | None = None
        self._at_work_since_s = math.inf
        self._without_work_s = 0.0
        self._began_s = 0.0
        self._paused = False
        self._climbed = 0.0
        self._steer_from_s = -math.inf
        self.share = 0.0
        self.lost: Reason | None = None
        self.errors = 0
        self.new_faults: list[WorkFault] = []
        self.checks_done = 0
        self._limited: Reason | None = None

    @property
    def plan(self) -> LoadPlan:
        """The plan that is driven."""
        return self._plan

    @property
    def steady(self) -> bool:
        """Whether the die must answer to it: a fixed share that stays on, on this very machine."""
        return self._plan.pattern == LoadPattern.STEADY and self._hold is None and not self.external

    @property
    def external(self) -> bool:
        """Whether a person runs the load, and marks when it is on and off."""
        return self._plan.work == WorkName.EXTERNAL

    def mark(self) -> float:
        """The person switched the load on, or off again; return the share that counts from now."""
        self.share = 0.0 if self.share else self._plan.share
        return self.share

    def demand(self) -> LoadDemand:
        """Return what the load is to bring up."""
        return LoadDemand(work=self._plan.work, workers=self._plan.workers, memory_share=self._plan.memory_share)

    def heating(self) -> dict[str, float]:
        """Return the share of each part's full load that is on now, by the part's temperature."""
        return heating_of(self._plan, self.share)

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
        self._hold = _controller(self._plan.hold, self.share)

    def _planned(self, t_s: float) -> float:
        """Return what the plan wants at the run's time `t_s`, a hair later than a step, or what steers it."""
        if self._hold is not None:
            return self._hold.share
        if self._plan.pattern == LoadPattern.CLIMB:
            return self._climbed
        return share_at(self._plan, t_s - self._began_s + _HAIR_S)

    def next_step_s(self, t_s: float) -> float:
        """Return the run's time of the next change of share by the pattern, s; inf if none."""
        # As in `step`: a step that rounding puts a hair ahead of now has been followed already.
        step_s = next_step_s(self._plan, t_s - self._began_s + _HAIR_S)
        return step_s + self._began_s if math.isfinite(step_s) else math.inf

    def step(self, t_s: float) -> float | None:
        """Follow the pattern; return the new share where it changed, else None."""
        if self._hold is not None or self.external or self._paused:
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
        if self._hold is None or self._plan.hold is None:
            return None
        if self._paused or t_s < self._steer_from_s:
            return self.share
        self._command(self._hold.update(t_s, _held_value(hold_channel(self._plan.hold), readings)), t_s)
        return self.share

    def newly_limited(self) -> Reason | None:
        """Return why the hold's target is out of reach, once for each reason; None otherwise."""
        limited = self._hold.limited if self._hold is not None else None
        if limited == self._limited:
            return None
        self._limited = limited
        return limited

    def count(self, t_s: float) -> float | None:
        """Take in what the load reports; return the work rate since the last call, 1/s, None at the first."""
        status = self._load.status()
        self.errors = status.compute_errors
        self.checks_done = status.checks_done
        self.new_faults = list(status.faults)
        self._notice_loss(status)
        before, self._work_before = self._work_before, (t_s, status.work_done)
        if before is None or t_s <= before[0]:
            return None
        self._notice_idle_workers(status, before, t_s)
        return (status.work_done - before[1]) / (t_s - before[0])

    def _notice_loss(self, status: LoadStatus) -> None:
        if status.workers_alive < status.workers_wanted:
            gone = status.workers_wanted - status.workers_alive
            self.lost = reason("workers-gone", gone=gone, count=status.workers_wanted)

    def _notice_idle_workers(self, status: LoadStatus, before: tuple[float, float], t_s: float) -> None:
        """Add up, over pulses too, how long the workers had a share since they last finished anything."""
        if status.work_done > before[1] or not status.counts_work or not status.workers_wanted:
            self._without_work_s = 0.0
            return
        self._without_work_s += max(0.0, t_s - max(before[0], self._at_work_since_s))
        if self._without_work_s >= NO_WORK_S:
            self.lost = reason("workers-idle", time_s=self._without_work_s)

    def _command(self, share: float, t_s: float) -> None:
        self._load.set_share(share)
        self.share = share
        if share < LEAST_SHARE:
            self._at_work_since_s = math.inf
        elif math.isinf(self._at_work_since_s):
            self._at_work_since_s = t_s


def heating_of(plan: LoadPlan, share: float) -> dict[str, float]:
    """Return what a commanded share is of the full load of each part that the plan heats, by its temperature."""
    scale = QUARTER if plan.workers == "quarter" else 1.0
    return dict.fromkeys(heated_by(plan.work), share * scale)


def hold_channel(hold: Hold) -> str:
    """Return the channel that a hold steers by."""
    return next(channel for key, channel in HOLD_CHANNELS if getattr(hold, key) is not None)


def _held_value(channel: str, readings: Mapping[str, Reading]) -> float | None:
    """Return what a hold steers by: of several dies or cards the hottest, so that none goes above the target."""
    if is_temperature(channel):
        return highest_of(channel, readings)
    reading = readings.get(channel)
    return reading.value if reading is not None and reading.ok else None


def _controller(hold: Hold | None, share: float) -> HoldController | None:
    if hold is None:
        return None
    from verifyrig.loads.hold import HoldController

    channel = hold_channel(hold)
    target = next(getattr(hold, key) for key, name in HOLD_CHANNELS if name == channel)
    kind: Literal["power", "temperature"] = "power" if channel.endswith("_w") else "temperature"
    return HoldController(target, kind=kind, initial_share=share)
