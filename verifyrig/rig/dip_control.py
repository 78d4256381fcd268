"""Takes the load away for a moment where a reading has stood, and brings it back once that has answered."""

from __future__ import annotations

import math

from verifyrig.core.event_kind import EventKind
from verifyrig.rig.dips import LOOK_EVERY_S
from verifyrig.rig.load_driver import LoadDriver
from verifyrig.rig.parts import Parts, Rig


class DipControl:
    """Carries out what `Dips` decides."""

    def __init__(self, rig: Rig, parts: Parts) -> None:
        self._clock = rig.clock
        self._bank = rig.bank
        self._dips = parts.dips
        self._load = parts.load
        self._guard = parts.guard
        self._notes = parts.notes
        self._schedule = parts.schedule

    @property
    def next_look_s(self) -> float:
        """The run's time at which to look again at those who are asked, s; infinite where nobody is."""
        return self._schedule.t_s + LOOK_EVERY_S if self._dips.open is not None else math.inf

    def follow(self, t_s: float) -> None:
        """Begin a dip that is due after a sample, or end one that is over."""
        driver = self._load.driver
        if driver is None or driver.external:
            return
        if self._dips.open is not None:
            if self._dips.open.is_over(t_s):
                self._end(driver, t_s)
            return
        for channel in self._dips.cannot_answer(t_s, driver.share):
            self._notes.event(EventKind.DIP_NOT_POSSIBLE, channel=channel)
            self._notes.say(
                f"{channel} has stood for a minute, and this load moves it too little to show whether it is frozen."
            )
        asked = self._dips.due(t_s, driver.share)
        if asked:
            if self._dips.none_yet:
                self._notes.say("Where a reading stands, the load dips for a moment, and the reading must answer.")
            self._dips.begin(t_s, asked)
            self._guard.load_dips(t_s, over=False)
            driver.pause(t_s)

    def look(self) -> None:
        """Read those who are asked between two samples: the sooner they answer, the shorter is the dip."""
        dip = self._dips.open
        if dip is None or self._schedule.is_due():
            return
        now_s, driver = self._clock.now_s(), self._load.driver
        for channel in dip.unanswered:
            dip.hear(channel, self._bank.reread(channel, now_s))
        if driver is not None and dip.is_over(self._schedule.t_s):
            self._end(driver, self._schedule.t_s)

    def _end(self, driver: LoadDriver, t_s: float) -> None:
        before = self._dips.share
        share = driver.resume(t_s)
        self._guard.load_dips(t_s, over=True)
        self._notes.dip(self._dips.end(t_s))
        if share != before and driver.plan.hold is None:
            self._load.step(t_s, share)
