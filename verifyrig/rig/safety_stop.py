"""Ends the load for safety: by a trip, or by what else forbids it; and says what is true of the load afterwards."""

from __future__ import annotations

import math
import time

from verifyrig.core.contract import TripObject
from verifyrig.core.event_kind import EventKind
from verifyrig.core.profile import Stage
from verifyrig.core.reason import Reason
from verifyrig.rig.load_control import LoadControl, finite
from verifyrig.rig.observer import Attention
from verifyrig.rig.persons_load import PersonsLoad
from verifyrig.rig.run_notes import RunNotes, kept
from verifyrig.rig.schedule import Schedule
from verifyrig.rig.stops import StopKind, Stops
from verifyrig.rig.trip import Trip


class SafetyStop:
    """Ends the load first, then notes and says why."""

    def __init__(
        self, load: LoadControl, person: PersonsLoad, stops: Stops, notes: RunNotes, schedule: Schedule
    ) -> None:
        self._load = load
        self._person = person
        self._stops = stops
        self._notes = notes
        self._schedule = schedule

    def trip(self, trip: Trip, stage: Stage, t_s: float, sampled_s: float) -> None:
        """End the load by a trip of the sample at `t_s`, which was taken at `sampled_s` of the performance counter."""
        judged_s = time.perf_counter() - sampled_s
        off_s = judged_s + self._end_load(t_s)
        noted: TripObject = {
            "rule": trip.rule,
            "channel": trip.channel,
            "value": trip.value,
            "limit": trip.limit,
            "stage": stage.name,
            "t_s": t_s,
            "load_off_s": finite(off_s),
        }
        self._stops.trip = noted
        self._notes.event(EventKind.TRIP, **kept(trip.why), **noted)
        self._notes.say(f"Tripped: {trip.channel}: {trip.why}.{self._off_words(off_s)}", loud=True)
        self._notes.attend(Attention.TRIP)

    def stop(self, kind: StopKind, why: Reason, t_s: float | None = None) -> None:
        """End the load for another reason, now unless a time is given."""
        self._stops.add(kind, why)
        off_s = self._end_load(self._schedule.t_s if t_s is None else t_s)
        self._notes.event(EventKind.STOPPED, **kept(why))
        self._notes.say(f"Stopped: {why}.{self._off_words(off_s)}", loud=True)
        self._notes.attend(Attention.STOP)

    def _end_load(self, t_s: float) -> float:
        """End the load; where only a person can, they are asked to, whatever they have marked or forgotten to mark."""
        if not self._person.planned:
            return self._load.end(t_s)
        share = self._load.share
        self._load.end(t_s)
        return self._person.order_off(t_s, share)

    def _off_words(self, off_s: float) -> str:
        """Return what is true of the load after it was ended; an order to a person is said by itself."""
        if self._person.order.stands:
            return ""
        if math.isinf(off_s):
            return " A worker was not seen to end: switch the machine off now."
        return " The load is off."
