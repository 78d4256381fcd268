"""A load that a person runs on the machine: only they can end it, so it is ordered off and watched until it is."""

from __future__ import annotations

import math
from collections.abc import Mapping

from verifyrig.core.event_kind import EventKind
from verifyrig.core.interfaces import Reading
from verifyrig.core.profile import Profile, WorkName
from verifyrig.rig.guard import Guard
from verifyrig.rig.observer import Attention
from verifyrig.rig.run_notes import RunNotes
from verifyrig.rig.stops import Stops
from verifyrig.rig.switch_off import SwitchOffOrder


class PersonsLoad:
    """The order to switch a person's load off, in the record and on the screen.

    Attributes:
        planned: Whether a person runs a load in this run: what is marked is what they say.
    """

    def __init__(self, profile: Profile, guard: Guard, stops: Stops, notes: RunNotes) -> None:
        self._guard = guard
        self._stops = stops
        self._notes = notes
        self._order = SwitchOffOrder()
        self.planned = any(stage.load is not None and stage.load.work == WorkName.EXTERNAL for stage in profile.stages)

    @property
    def order(self) -> SwitchOffOrder:
        """The order as it stands."""
        return self._order

    def order_off(self, t_s: float, share: float) -> float:
        """Have the person switch it off; when that will be done is not known, so the return is infinite."""
        if not self._order.stands:
            self._order.give(t_s, share)
            self._notes.event(EventKind.SWITCH_OFF_ORDERED, t_s=t_s, share=share)
            self._notes.say(self._order.text, loud=True)
            self._notes.attend(Attention.QUESTION)
        return math.inf

    def follow(self, t_s: float, readings: Mapping[str, Reading], share: float) -> None:
        """Look whether the load is off as ordered, or as the person said."""
        if not self.planned:
            return
        since_s, doubted = self._order.since_s, self._order.doubted
        if self._order.sample(t_s, readings, share):
            self._seen_off(t_s, since_s, "power")
        elif self._order.doubted and not doubted:
            self._notes.event(EventKind.LOAD, t_s=t_s, share=self._order.share, seen="power")
            self._notes.event(EventKind.SWITCH_OFF_ORDERED, t_s=t_s, share=self._order.share)

    def said_off(self, t_s: float) -> None:
        """The person says that it is off, as ordered."""
        since_s = self._order.since_s
        self._order.said_off(t_s)
        self._seen_off(t_s, since_s, "person")

    def say_at_end(self) -> None:
        """Say at the run's end that the load may still be on, where nobody has seen it go off."""
        if self._order.stands:
            self._notes.event(EventKind.LOAD_NOT_SEEN_OFF)
            self._notes.say(
                "The run is over, and the load on the machine may still be on: switch it off now.", loud=True
            )

    def _seen_off(self, t_s: float, since_s: float | None, by: str) -> None:
        gone_s = t_s - since_s if since_s is not None else None
        trip = self._stops.trip
        if trip is not None and trip["load_off_s"] is None:
            trip["load_off_s"] = t_s - trip["t_s"]
        self._notes.attend(None)
        self._guard.load_step(t_s, 0.0, steady=False)
        self._notes.event(EventKind.LOAD, t_s=t_s, share=0.0, gone_s=gone_s, seen=by)
        self._notes.say("The power shows that the load is off." if by == "power" else "Noted: the load is off.")
