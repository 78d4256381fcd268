"""One sample of a run, in its order: read, keep, guard (it may end the load), heartbeat, record, face."""

from __future__ import annotations

import math
import time
from collections.abc import Mapping

from verifyrig.core.ambient import ambient_channel
from verifyrig.core.event_kind import EventKind
from verifyrig.core.interfaces import Reading
from verifyrig.core.pattern import longest_s_of
from verifyrig.core.profile import Stage, StageKind
from verifyrig.rig.arming import limits_of
from verifyrig.rig.dip_control import DipControl
from verifyrig.rig.idle_heat import IdleHeat
from verifyrig.rig.interruptions import Interruptions
from verifyrig.rig.load_readings import load_readings
from verifyrig.rig.note_keys import keys_now
from verifyrig.rig.observer import TickView
from verifyrig.rig.parts import Parts, Rig
from verifyrig.rig.probe_times import ProbeTimes
from verifyrig.rig.run_notes import kept
from verifyrig.rig.stage_forecasts import StageForecasts
from verifyrig.rig.stage_notes import TouchWatch
from verifyrig.rig.stops import StopKind


class Sampler:
    """Takes the samples of one run.

    Attributes:
        forecasts: Where the temperatures of the stage at hand will settle.
    """

    def __init__(self, rig: Rig, parts: Parts, interruptions: Interruptions, dipping: DipControl) -> None:
        self._rig = rig
        self._parts = parts
        self._interruptions = interruptions
        self._dipping = dipping
        self._limits_c = limits_of(rig.armed)
        self._heat = IdleHeat(parts.buffer, self._limits_c)
        self._touch = TouchWatch(parts.buffer)
        self._probe_times = ProbeTimes(rig.bank.infos, parts.notes)
        self.forecasts = StageForecasts(parts.buffer, rig.bank.infos, self._limits_c)

    def take(self, stage: Stage, start_s: float | None = None, last_s: float = math.inf) -> None:
        """Take one sample.

        Args:
            start_s: When the stage began, s since the run's start; None while none is under way.
            last_s: When the stage ends at the latest.
        """
        rig, parts = self._rig, self._parts
        now_s, t_s = rig.clock.now_s(), parts.schedule.t_s
        sampled_s = time.perf_counter()
        readings = self._read(now_s, t_s)
        trip = parts.guard.check(now_s, stage)
        if trip is not None and not parts.stops.tripped:
            parts.safety.trip(trip, stage, t_s, sampled_s)
        self._interruptions.watch_reads(t_s)
        rig.load.beat()
        parts.person.follow(t_s, readings, parts.load.share)
        row = {**readings, **self._own_readings(t_s, readings)}
        parts.notes.sample(t_s, rig.clock.utc_s(), row)
        self._probe_times.take(t_s, readings)
        parts.schedule.advance(now_s)
        self._interruptions.watch_disk()
        self._interruptions.watch_suspend()
        self._interruptions.watch_link()
        self._warn_of_heat()
        self._say_by_the_way(stage)
        self._dipping.follow(t_s)
        rig.observer.tick(self._view(t_s, start_s, stage, row, last_s))

    def end(self) -> None:
        """Note what is still to be noted, at the run's end."""
        self._probe_times.write()

    def _read(self, now_s: float, t_s: float) -> Mapping[str, Reading]:
        """Read all channels, and append them to the run's samples."""
        parts, share = self._parts, self._parts.load.share
        readings = parts.dips.take(t_s, self._rig.bank.sample(now_s, load_share=share))
        parts.buffer.add(
            t_s,
            readings,
            share=share,
            heating=parts.load.heating,
            ambient_c=self._ambient_c(readings),
            left_out=parts.dips.leaves_out(t_s),
        )
        return readings

    def _ambient_c(self, readings: Mapping[str, Reading]) -> float | None:
        channel = ambient_channel(lambda name: name in readings and readings[name].ok)
        if channel is not None:
            return readings[channel].value
        return self._rig.ambient.value_c if self._rig.ambient is not None else None

    def _own_readings(self, t_s: float, readings: Mapping[str, Reading]) -> dict[str, Reading]:
        driver = self._parts.load.driver
        own = load_readings(self._parts.load, self._parts.notes, t_s, readings)
        # Once the load was ended, by a trip or a stop, there is no driver.
        if driver is not None and driver.counts.lost is not None:
            self._parts.safety.stop(StopKind.LOAD_LOST, driver.counts.lost, t_s)
        return own

    def _warn_of_heat(self) -> None:
        """After a trip or a closed gate: say when the machine is to be switched off."""
        stops = self._parts.stops
        # While a person has not ended their load, heat is no wonder: the order to do so stands.
        if self._parts.person.order.stands or not (stops.tripped or stops.happened(StopKind.GATE)):
            return
        why = self._heat.why_switch_off()
        if why is not None:
            self._parts.notes.event(EventKind.SWITCH_OFF_ADVISED, **kept(why))
            self._parts.notes.say(f"SWITCH THE MACHINE OFF NOW: {why}.", loud=True)

    def _say_by_the_way(self, stage: Stage) -> None:
        """Say what else a stage shows: parts still hot, a held target out of reach."""
        notes, driver = self._parts.notes, self._parts.load.driver
        if stage.kind is StageKind.COOLDOWN:
            touch = self._touch.newly_known()
            if touch is not None:
                notes.event(EventKind.TOUCH, **kept(touch))
                notes.say(f"{str(touch)[0].upper()}{str(touch)[1:]}.")
        holding = driver.holding if driver is not None else None
        limited = holding.newly_limited() if holding is not None else None
        if limited is not None:
            notes.event(EventKind.HOLD_LIMITED, **kept(limited))
            notes.say(f"The target cannot be held: {limited}.")

    def _view(
        self, t_s: float, start_s: float | None, stage: Stage, row: Mapping[str, Reading], last_s: float
    ) -> TickView:
        least, worst = self._parts.guard.least_remaining(), self.forecasts.worst()
        return TickView(
            t_s=t_s,
            stage_s=0.0 if start_s is None else t_s - start_s,
            stage=stage,
            share=self._parts.load.share,
            readings=row,
            forecast=worst[1] if worst is not None else None,
            forecast_channel=worst[0] if worst is not None else "",
            margin_k=least.remaining_k if least is not None else None,
            margin_channel=least.channel if least is not None else "",
            limits_c=self._limits_c,
            remaining_s=last_s - t_s if math.isfinite(last_s) else None,
            until_end_s=self._until_end_s(stage, last_s - t_s),
            until_question_s=self._interruptions.until_question_s(),
            order=self._parts.person.order.text,
            keys=self._keys_now(stage),
            buffer=self._parts.buffer,
        )

    def _until_end_s(self, stage: Stage, remaining_s: float) -> float | None:
        """Return the longest time until the run's end, s: of this stage and of those after it."""
        stages = self._rig.profile.stages
        longest_s = remaining_s + sum(longest_s_of(one) for one in stages[stages.index(stage) + 1 :])
        return longest_s if math.isfinite(longest_s) else None

    def _keys_now(self, stage: Stage) -> tuple[tuple[str, str], ...]:
        profile, driver = self._rig.profile, self._parts.load.driver
        stages_to_come = profile.stages[profile.stages.index(stage) :]
        loads_to_come = any(one.load is not None for one in stages_to_come) and not self._parts.stops.no_more_load
        mark = "load off" if self._parts.person.order.stands else ""
        if driver is not None and driver.external:
            mark = "load off" if driver.share else "load on"
        asked = profile.ask_presence_every_s is not None and driver is not None
        return keys_now(load_may_be_on=loads_to_come, mark=mark, who_is_here=asked)
