"""The load of a run: brought up, begun, stepped, counted and ended; each step is noted and passed to the guard."""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping

from verifyrig.core.errors import LoadError
from verifyrig.core.event_kind import EventKind
from verifyrig.core.heat_sources import heated_by, heated_groups
from verifyrig.core.interfaces import ChannelInfo, Load
from verifyrig.core.profile import LoadPattern, LoadPlan, WorkName
from verifyrig.rig.bring_up import BringUp
from verifyrig.rig.dips import Dips
from verifyrig.rig.guard import Guard
from verifyrig.rig.load_driver import LoadDriver, demand_of, heating_of
from verifyrig.rig.persons_load import PersonsLoad
from verifyrig.rig.run_notes import RunNotes


class LoadControl:
    """One load at a time, from its bring-up until the last worker is gone.

    Attributes:
        driver: The load that is on, between its begin and its end; None else.
        longest_stop_s: The longest that a load of this run took to end, s.
    """

    def __init__(
        self,
        load: Load,
        infos: Mapping[str, ChannelInfo],
        guard: Guard,
        dips: Dips,
        person: PersonsLoad,
        notes: RunNotes,
    ) -> None:
        self._load = load
        self._infos = infos
        self._guard = guard
        self._dips = dips
        self._person = person
        self._notes = notes
        self._coming: BringUp | None = None
        self._comes_for: LoadDriver | None = None
        self.driver: LoadDriver | None = None
        self.longest_stop_s = 0.0

    @property
    def share(self) -> float:
        """The share of the load that is taken to be on."""
        return self.driver.share if self.driver is not None else self._person.order.share

    @property
    def heating(self) -> dict[str, float]:
        """The share of each part's full load that is on, by the part's temperature."""
        return (
            heating_of(self.driver.plan, self.driver.share)
            if self.driver is not None
            else dict.fromkeys(heated_by(WorkName.EXTERNAL), self.share)
        )

    @property
    def is_under_way(self) -> bool:
        """Whether a load is on, or on its way up."""
        return self.driver is not None or (self._coming is not None and not self._coming.ended)

    # ---- up

    def come_up(self, plan: LoadPlan, wake: threading.Event, wait_s: float) -> None:
        """Start the workers in the background; wait that long for a load that is up at once."""
        self._comes_for = LoadDriver(self._load, plan)
        self._coming = BringUp(self._load, demand_of(plan), wake)
        self._coming.begin(wait_s)

    def is_up(self) -> bool:
        """Return whether the load is up, or will not be."""
        return self._coming is None or self._coming.over()

    def take_over(self) -> LoadError | None:
        """Take the load that is up as the one to drive; return why it did not come up, None where it did."""
        coming, self._coming = self._coming, None
        failure = coming.failure if coming is not None else None
        if failure is None:
            self.driver = self._comes_for
        return failure

    def begin(self, t_s: float) -> None:
        """Give the first share, where a load is to be driven."""
        if self.driver is None:
            return
        share = self.driver.begin(t_s)
        if self.driver.external:
            self._notes.say("Start the load on the machine, then press L. Press L again when it is off.")
            return
        self.step(t_s, share)

    # ---- on

    def step(self, t_s: float, share: float) -> None:
        """Note that the load was commanded another share."""
        driver = self.driver
        steady = driver is not None and driver.steady
        heats = heated_groups(driver.plan, self._infos) if driver is not None else ()
        climbs = driver is not None and driver.plan.pattern == LoadPattern.CLIMB
        self._guard.load_step(t_s, share, steady=steady, heats=heats, bounded=climbs)
        if driver is not None and not driver.external:
            self._dips.load_commanded(t_s, share, demand_of(driver.plan))
        self._notes.event(EventKind.LOAD, t_s=t_s, share=share)

    def next_step_s(self, t_s: float) -> float:
        """Return the run's time of the next step by the pattern, s; infinite where there is none."""
        return self.driver.next_step_s(t_s) if self.driver is not None else math.inf

    def follow_pattern(self, t_s: float) -> None:
        """Command what the pattern wants now."""
        share = self.driver.step(t_s) if self.driver is not None else None
        if share is not None:
            self.step(t_s, share)

    # ---- off

    def end(self, t_s: float) -> float:
        """End the load if one is on or on its way up; return the seconds until the last worker was gone."""
        driver, self.driver = self.driver, None
        if driver is None:
            return self._end_bring_up(t_s)
        gone_s = self._load.stop()
        self.longest_stop_s = max(self.longest_stop_s, gone_s if math.isfinite(gone_s) else 0.0)
        if driver.external:
            return self._person.order_off(t_s, driver.share) if driver.share else 0.0
        self._dips.load_commanded(t_s, 0.0, None)
        if self._dips.open is not None:
            self._notes.dip(self._dips.end(t_s))
        self._guard.load_step(t_s, 0.0, steady=False)
        self._notes.event(
            EventKind.LOAD, t_s=t_s, share=0.0, gone_s=finite(gone_s), checks_done=driver.counts.checks_done
        )
        return gone_s

    def close(self) -> None:
        """End whatever is left, at the run's end."""
        if self._coming is not None:
            self._coming.end()
        self._load.close()

    def _end_bring_up(self, t_s: float) -> float:
        if self._coming is None or self._coming.ended:
            return 0.0
        gone_s = self._coming.end()
        self._notes.event(EventKind.BRING_UP_ENDED, t_s=t_s, gone_s=finite(gone_s))
        return gone_s


def finite(seconds: float) -> float | None:
    """Return the seconds, None where the end was not seen."""
    return seconds if math.isfinite(seconds) else None
