"""The runner: takes a profile through its stages, samples on absolute deadlines, and lets the guard judge first.

Order within one tick: sample, guard (it may end the load), heartbeat, record, face.
"""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from verifyrig.core.channels import of_role
from verifyrig.core.errors import RecordError
from verifyrig.core.heat_sources import heated_by, heated_groups
from verifyrig.core.interfaces import (
    ChannelInfo,
    Clock,
    Controls,
    DangerNotice,
    Load,
    Quality,
    Reading,
    RecordWriter,
    SensorBank,
)
from verifyrig.core.pattern import is_gentle, pattern_duration_s
from verifyrig.core.profile import Profile, Stage, StageKind
from verifyrig.core.reason import Reason, reason
from verifyrig.loads.external import EXTERNAL
from verifyrig.plan.guarding import on_time_s
from verifyrig.rig.arming import ArmedLimit, limits_of
from verifyrig.rig.bring_up import BringUp
from verifyrig.rig.dip import LOOK_EVERY_S, Dips
from verifyrig.rig.gate import StageGate
from verifyrig.rig.guard import Guard, Trip
from verifyrig.rig.heat_at_rest import HeatAtRest
from verifyrig.rig.load_driver import LoadDriver
from verifyrig.rig.load_permit import LoadPermit
from verifyrig.rig.note_keys import RUN_KEYS, keys_now
from verifyrig.rig.observer import Observer, TickView
from verifyrig.rig.run_buffer import RunBuffer
from verifyrig.rig.stage_forecasts import StageForecasts
from verifyrig.rig.stage_notes import OwnCost, TouchWatch, busy_at_rest
from verifyrig.rig.switch_off import SwitchOffOrder

# Workers end themselves 2 s after the last heartbeat; five beats fit into that.
BEAT_EVERY_S = 0.4
BRING_UP_STEP_S = 0.02
LARGEST_LAG_S = 5.0
# How long a run goes on recording, without load, after its gate closed, or after a stop with no cooldown planned.
AFTER_STOP_S = 60.0
PRESENCE_ANSWER_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ambient:
    """The room: typed with its expanded uncertainty, or None where a channel measures it."""

    value_c: float
    u95_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RunEnd:
    """How a run ended, in the contract's words."""

    outcome: str
    cause: dict[str, Any] | None
    trip: dict[str, Any] | None
    messages: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """Everything that a run is made of, behind protocols."""

    profile: Profile
    clock: Clock
    bank: SensorBank
    load: Load
    writer: RecordWriter
    controls: Controls
    observer: Observer
    armed: tuple[ArmedLimit, ...]
    ambient: Ambient | None
    permit: LoadPermit
    blind: bool = False
    no_load: bool = False
    beat_every_s: float = BEAT_EVERY_S


class Runner:
    """One run of a profile on a rig."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._limits_c = limits_of(rig.armed)
        self._buffer = RunBuffer()
        self._guard = Guard(self._buffer, rig.armed, rig.profile, rig.bank.infos, rig.bank.reread)
        self._start_s = 0.0
        self._next_sample = 0
        self._before: Stage | None = None
        self._driver: LoadDriver | None = None
        self._coming: BringUp | None = None
        self._trip: dict[str, Any] | None = None
        self._stopped: list[Reason] = []
        self._cause: dict[str, Any] | None = None
        self._broke_off: tuple[Reason, ...] = ()
        self._record_failed = False
        self._forecasts = StageForecasts(self._buffer, rig.bank.infos, self._limits_c)
        self._blind_used_s = 0.0
        self._gate_closed = False
        self._gate: StageGate | None = None
        self._heat = HeatAtRest(self._buffer, self._limits_c)
        self._suspended_s = 0.0
        self._presence_s = 0.0
        self._danger_told = False
        self._hanging: tuple[str, ...] = ()
        # A load that a person runs: what is marked is what they say, and only they can end it.
        loads = [stage.load for stage in rig.profile.stages if stage.load is not None]
        self._by_person = any(load.work == EXTERNAL for load in loads)
        self._order = SwitchOffOrder()
        self._touch, self._cost = TouchWatch(self._buffer), OwnCost()
        self._dips = Dips(rig.bank.infos)

    def run(self) -> RunEnd:
        """Run all stages; the load is off and the record closed on every way out but a machine gone dark."""
        rig = self._rig
        self._start_s = rig.clock.now_s()
        self._suspended_s = _suspended_s()
        try:
            for index, stage in enumerate(rig.profile.stages):
                if self._over():
                    break
                self._run_stage(stage, index)
            self._watch_after_stop()
        finally:
            if self._coming is not None:
                self._coming.end()
            rig.load.close()
        return self._close()

    # ---- stages ---------------------------------------------------------------------------------------

    def _run_stage(self, stage: Stage, index: int) -> None:
        if self._rig.no_load and stage.load is not None and not is_gentle(stage.load):
            self._leave_out(stage)
            return
        refusal = self._why_skip(stage)
        if refusal is not None:
            self._skip(stage, refusal)
            return
        if stage.load is not None and not self._bring_up(stage):
            return
        t_s = self._t_s()
        self._rig.writer.stage_started(stage.name, stage.kind.value, t_s)
        self._rig.observer.stage(stage, index, t_s)
        self._before = stage
        self._forecasts.begin(stage, t_s)
        self._gate = self._new_gate(stage)
        first_row = self._buffer.end
        self._begin_load(t_s)
        ended = self._stage_loop(stage, t_s)
        self._blind_used_s += self._blind_on_s(stage)
        # One moment for both: a load that ends with its stage is no pulse in it.
        end_s = self._t_s()
        self._end_load(end_s)
        self._note(lambda: self._rig.writer.stage_ended(stage.name, end_s, ended))
        self._say_of_background_load(stage, first_row)

    def _say_of_background_load(self, stage: Stage, first_row: int) -> None:
        busy = busy_at_rest(self._buffer, first_row) if stage.kind is StageKind.IDLE else None
        if busy is not None:
            self._event("rest-disturbed", stage=stage.name, busy_share=busy)
            self._rig.observer.say(
                f"Stage {stage.name} was no rest: other programs kept {busy:.0%} of the processor busy."
            )

    def _why_skip(self, stage: Stage) -> Reason | None:
        """Return why a load stage must not start, None where it may."""
        if stage.load is None:
            return None
        if self._no_more_load():
            return reason("no-load-after-stop")
        hanging = self._rig.bank.hanging()
        if hanging:
            return _hang_reason(hanging)
        if self._rig.blind and self._blind_on_s(stage) <= 0:
            return reason("blind-time-used-up", time_s=self._rig.profile.blind_load_s or 0.0)
        if not is_gentle(stage.load):
            return self._rig.permit.why_not(stage, self._rig.blind, self._buffer)
        return None

    def _leave_out(self, stage: Stage) -> None:
        """Leave out a stage that nobody wants: nothing is wrong, and the run goes on."""
        t_s = self._t_s()
        self._rig.writer.stage_started(stage.name, stage.kind.value, t_s)
        self._note(lambda: self._rig.writer.stage_ended(stage.name, t_s, "skipped"))
        self._event("load-left-out", stage=stage.name)

    def _no_more_load(self) -> bool:
        """Return whether something has happened after which no load may begin."""
        happened = self._trip or self._stopped or self._cause or self._rig.controls.quit_reason
        return bool(happened) or self._record_failed

    def _skip(self, stage: Stage, why: Reason) -> None:
        t_s = self._t_s()
        self._rig.writer.stage_started(stage.name, stage.kind.value, t_s)
        self._note(lambda: self._rig.writer.stage_ended(stage.name, t_s, "skipped"))
        self._event("load-refused", stage=stage.name, **_kept(why))
        if not self._no_more_load():
            self._stopped.append(reason("of-stage", stage=stage.name, why=(why,)))
            self._rig.observer.say(f"No load in stage {stage.name}: {why}.", loud=True)

    def _bring_up(self, stage: Stage) -> bool:
        """Start the workers while sampling goes on and people are obeyed; return whether the load may begin."""
        assert stage.load is not None
        driver = LoadDriver(self._rig.load, stage.load)
        self._coming = BringUp(self._rig.load, driver.demand(), self._rig.controls.wake)
        # A simulated load is up at once; while one waited for it in steps, simulated time would run away.
        self._coming.begin(BRING_UP_STEP_S if math.isfinite(self._rig.beat_every_s) else BEAT_EVERY_S)
        while not self._coming.over():
            until_s = min(self._next_sample_s(), self._rig.clock.now_s() + BRING_UP_STEP_S)
            self._rig.clock.sleep_until(until_s, self._rig.controls.wake)
            self._obey_people(stage)
            if self._rig.clock.now_s() >= self._next_sample_s() - 1e-9:
                self._tick(self._before or stage)
        # Once more, for what came since: the first command to the workers is the next thing that is done.
        self._obey_people(stage)
        if self._no_more_load():
            self._end_load(self._t_s())
            self._skip(stage, reason("ended-while-coming-up"))
            return False
        failure, self._coming = self._coming.failure, None
        if failure is not None:
            self._skip(stage, reason("load-failed", what=failure.what))
            return False
        self._driver = driver
        for note in getattr(self._rig.load, "notes", ()):
            self._event("load-note", stage=stage.name, note=note)
            self._rig.observer.say(f"Load: {note}.")
        return True

    def _begin_load(self, t_s: float) -> None:
        if self._driver is not None:
            share = self._driver.begin(t_s)
            if self._driver.external:
                self._rig.observer.say("Start the load on the machine, then press L. Press L again when it is off.")
                return
            self._edge(t_s, share)

    def _end_load(self, t_s: float) -> float:
        """End the load if one is on or on its way up; return the seconds until the last worker was gone."""
        driver, self._driver = self._driver, None
        if driver is None:
            return self._end_bring_up(t_s)
        gone_s = self._rig.load.stop()
        if driver.external:
            return self._order_off(t_s, driver.share) if driver.share else 0.0
        self._dips.load_told(t_s, 0.0, None)
        if self._dips.is_open:
            self._note_dip(t_s)
        self._guard.load_edge(t_s, 0.0, steady=False)
        self._event("load", t_s=t_s, share=0.0, gone_s=_finite(gone_s), checks_done=driver.checks_done)
        return gone_s

    def _order_off(self, t_s: float, share: float) -> float:
        """Have a person switch their load off; when that will be done is not known, so the return is infinite."""
        if not self._order.stands:
            self._order.give(t_s, share)
            self._event("switch-off-ordered", t_s=t_s, share=share)
            self._rig.observer.say(self._order.text, loud=True)
        return math.inf

    def _follow_order(self, t_s: float, readings: Mapping[str, Reading]) -> None:
        """Look whether a load that a person runs is off as ordered, or as they said."""
        if not self._by_person:
            return
        since_s, doubted = self._order.since_s, self._order.doubted
        if self._order.sample(t_s, readings, self._share()):
            self._seen_off(t_s, since_s, "power")
        elif self._order.doubted and not doubted:
            self._event("load", t_s=t_s, share=self._order.share, seen="power")
            self._event("switch-off-ordered", t_s=t_s, share=self._order.share)

    def _seen_off(self, t_s: float, since_s: float | None, by: str) -> None:
        gone_s = t_s - since_s if since_s is not None else None
        if self._trip is not None and self._trip["load_off_s"] is None:
            self._trip["load_off_s"] = t_s - self._trip["t_s"]
        self._guard.load_edge(t_s, 0.0, steady=False)
        self._event("load", t_s=t_s, share=0.0, gone_s=gone_s, seen=by)
        self._rig.observer.say("The power shows that the load is off." if by == "power" else "Noted: the load is off.")

    def _share(self) -> float:
        """Return the share of the load that is taken to be on."""
        return self._driver.share if self._driver is not None else self._order.share

    def _off_words(self, off_s: float) -> str:
        """Return what is true of the load after it was ended; an order to a person is said by itself."""
        if self._order.stands:
            return ""
        if math.isinf(off_s):
            return " A worker was not seen to end: switch the machine off now."
        return " The load is off."

    def _end_bring_up(self, t_s: float) -> float:
        if self._coming is None or self._coming.ended:
            return 0.0
        gone_s = self._coming.end()
        self._event("bring-up-ended", t_s=t_s, gone_s=_finite(gone_s))
        return gone_s

    def _edge(self, t_s: float, share: float) -> None:
        steady = self._driver is not None and self._driver.steady
        heats = heated_groups(self._driver.plan, self._infos) if self._driver is not None else ()
        self._guard.load_edge(t_s, share, steady=steady, heats=heats)
        if self._driver is not None and not self._driver.external:
            self._dips.load_told(t_s, share, self._driver.demand())
        self._event("load", t_s=t_s, share=share)

    # ---- dips: a reading that stands still has to answer -----------------------------------------------

    def _follow_dip(self, t_s: float) -> None:
        """Take the load away for a moment where a reading has stood, and bring it back once that has answered."""
        driver = self._driver
        if driver is None or driver.external:
            return
        if self._dips.is_open:
            if self._dips.is_over(t_s):
                self._end_dip(driver, t_s)
            return
        for channel in self._dips.cannot_answer(t_s, driver.share):
            self._event("dip-not-possible", channel=channel)
            self._rig.observer.say(
                f"{channel} has stood for a minute, and this load moves it too little to tell whether it is frozen."
            )
        asked = self._dips.due(t_s, driver.share)
        if asked:
            if self._dips.none_yet:
                self._rig.observer.say(
                    "Where a reading stands, the load dips for a moment, and the reading must answer."
                )
            self._dips.begin(t_s, asked)
            self._guard.load_dips(t_s, over=False)
            driver.pause(t_s)

    def _look_in_dip(self) -> None:
        """Read those who are asked between two samples: the sooner they answer, the shorter is the dip."""
        now_s, driver = self._rig.clock.now_s(), self._driver
        for channel in self._dips.unanswered:
            self._dips.hear(channel, self._rig.bank.reread(channel, now_s))
        if driver is not None and self._dips.is_over(self._t_s()):
            self._end_dip(driver, self._t_s())

    def _end_dip(self, driver: LoadDriver, t_s: float) -> None:
        before = self._dips.share
        share = driver.resume(t_s)
        self._guard.load_dips(t_s, over=True)
        self._note_dip(t_s)
        if share != before and driver.plan.hold is None:
            self._edge(t_s, share)

    def _note_dip(self, t_s: float) -> None:
        dip = self._dips.end(t_s)
        self._event("dip", t_s=dip.from_s, **dip.as_detail())

    # ---- one stage's loop -----------------------------------------------------------------------------

    def _stage_loop(self, stage: Stage, start_s: float) -> str:
        last_s = start_s + self._longest_s(stage)
        while True:
            edge_s = self._driver.next_edge_s(self._t_s()) if self._driver is not None else math.inf
            look_s = self._t_s() + LOOK_EVERY_S if self._dips.is_open else math.inf
            self._wait_until(min(self._next_sample_s(), self._start_s + min(edge_s, last_s, look_s)))
            t_s = self._t_s()
            if self._dips.is_open and self._rig.clock.now_s() < self._next_sample_s() - 1e-9:
                self._look_in_dip()
            # An edge at the stage's very end begins nothing: a pulse that is not to be run must not flash up.
            if edge_s - 1e-6 <= t_s < last_s - 1e-6 and self._driver is not None:
                share = self._driver.edge(t_s)
                if share is not None:
                    self._edge(t_s, share)
            if self._rig.clock.now_s() >= self._next_sample_s() - 1e-9:
                self._tick(stage, start_s, last_s)
                self._forecasts.update(t_s)
            ended = self._why_end(stage, start_s, last_s)
            if ended is not None:
                return ended

    def _why_end(self, stage: Stage, start_s: float, last_s: float) -> str | None:
        t_s = self._t_s()
        if self._obey_people(stage):
            return "interrupted" if self._rig.controls.danger is None else "stopped"
        if self._record_failed:
            return "stopped"
        if self._trip is not None and stage.kind is not StageKind.COOLDOWN:
            return "tripped"
        if self._stopped and stage.kind is StageKind.LOAD:
            return "stopped"
        timed_out = t_s >= last_s - 1e-6
        if self._gate_closes(stage, final=timed_out):
            return "gate"
        if t_s - start_s >= stage.min_duration_s and self._settled(stage):
            return "gate" if self._gate_closes(stage, final=True) else "settled"
        return "time" if timed_out else None

    def _settled(self, stage: Stage) -> bool:
        return stage.settle is not None and self._forecasts.known

    def _longest_s(self, stage: Stage) -> float:
        longest_s = stage.max_duration_s if stage.max_duration_s is not None else math.inf
        if stage.load is not None:
            longest_s = min(longest_s, pattern_duration_s(stage.load))
            if self._rig.blind:
                longest_s = min(longest_s, self._blind_s(stage))
        # A machine that is hot at rest is to be switched off, not watched; a tripped one tells much by its cooldown.
        return min(longest_s, AFTER_STOP_S) if self._gate_closed else longest_s

    def _blind_on_s(self, stage: Stage) -> float:
        """Return how long a load may be on whose temperature nobody sees: what earlier stages left of the whole run."""
        left_s = max(0.0, (self._rig.profile.blind_load_s or 0.0) - self._blind_used_s)
        on_s = stage.load.on_s if stage.load is not None and stage.load.pattern == "pulses" else None
        whole_s = left_s if on_s is None else math.floor(left_s / on_s + 1e-9) * on_s
        return min(whole_s, on_time_s(stage))

    def _blind_s(self, stage: Stage) -> float:
        """Return how long a stage may last whose load nobody sees the temperature of."""
        plan, on_s = stage.load, self._blind_on_s(stage)
        if plan is not None and plan.pattern == "pulses" and plan.on_s is not None and plan.off_s is not None:
            return round(on_s / plan.on_s) * (plan.on_s + plan.off_s)
        return on_s

    @property
    def _infos(self) -> Mapping[str, ChannelInfo]:
        return self._rig.bank.infos

    def _new_gate(self, stage: Stage) -> StageGate | None:
        if stage.gate is None:
            return None
        channels = [name for name in of_role(stage.gate.channel, self._infos) if not self._infos[name].unreadable]
        return StageGate(stage.gate, channels, self._rig.profile.stale_after_s, blind=self._rig.blind)

    # ---- gate -----------------------------------------------------------------------------------------

    def _gate_closes(self, stage: Stage, *, final: bool) -> bool:
        if self._gate is None or self._stopped or self._trip is not None:
            return False
        closed = self._gate.closed_by(
            self._t_s(), self._buffer.newest, self._forecasts.found, self._buffer.ambient_c, final=final
        )
        if closed is None:
            return False
        self._event(
            "gate-closed",
            stage=stage.name,
            channel=closed.channel,
            value=closed.value,
            limit=closed.limit,
            **_kept(closed.why),
        )
        self._gate_closed = True
        self._stopped.append(reason("gate-closed", stage=stage.name, channel=closed.channel, why=(closed.why,)))
        hot = " Switch the machine off now: it cannot carry its heat away even at rest." if closed.limit else ""
        self._rig.observer.say(
            f"The gate is closed: {closed.channel}: {closed.why}. No load will be run.{hot}", loud=True
        )
        return True

    def _ambient_c(self, readings: Mapping[str, Reading]) -> float | None:
        for channel in ("ambient_temp_c", "inlet_temp_c"):
            reading = readings.get(channel)
            if reading is not None and reading.ok:
                return reading.value
        return self._rig.ambient.value_c if self._rig.ambient is not None else None

    # ---- one sample -----------------------------------------------------------------------------------

    def _tick(self, stage: Stage, stage_start_s: float | None = None, last_s: float = math.inf) -> None:
        rig = self._rig
        now_s = rig.clock.now_s()
        sampled = time.perf_counter()
        t_s = now_s - self._start_s
        share = self._share()
        readings = self._dips.take(t_s, rig.bank.sample(now_s, load_share=share))
        self._buffer.add(
            t_s,
            readings,
            share=share,
            heating=self._driver.heating() if self._driver is not None else dict.fromkeys(heated_by(EXTERNAL), share),
            ambient_c=self._ambient_c(readings),
            left_out=self._dips.leaves_out(t_s),
        )
        trip = self._guard.check(now_s, stage)
        if trip is not None and self._trip is None:
            self._end_by_trip(trip, stage, t_s, sampled)
        self._watch_reads(t_s)
        rig.load.beat()
        self._follow_order(t_s, readings)
        row = {**readings, **self._own_readings(t_s, readings)}
        self._note(lambda: rig.writer.sample(t_s, rig.clock.utc_s(), row))
        self._advance_schedule(now_s)
        self._watch_disk()
        self._watch_suspend()
        # While a person has not ended their load, heat is no wonder: the order to do so stands.
        if (self._trip is not None or self._gate_closed) and not self._order.stands:
            self._warn_of_heat()
        self._watch_stage(stage)
        self._follow_dip(t_s)
        rig.observer.tick(self._view(t_s, stage_start_s, stage, row, last_s))

    def _own_readings(self, t_s: float, readings: Mapping[str, Reading]) -> dict[str, Reading]:
        driver = self._driver
        if driver is None:
            return {"load_share": Reading(value=self._order.share)}
        told = driver.share
        rate = driver.count(t_s)
        driver.steer(t_s, readings)
        self._note_faults(driver)
        if driver.lost and not self._stopped and self._trip is None:
            self._stop(driver.lost, t_s)
        none_yet = Reading(value=None, quality=Quality.MISSING, note="the first sample under load")
        return {
            "load_share": Reading(value=told),
            "work_rate_per_s": Reading(value=rate) if rate is not None else none_yet,
            "compute_errors": Reading(value=float(driver.errors)),
        }

    def _note_faults(self, driver: LoadDriver) -> None:
        for fault in driver.new_faults:
            self._event("compute-error", work=fault.work, core=fault.core, at_s=fault.t_s, detail=fault.detail)
            where = f"on core {fault.core}" if fault.core is not None else "on the graphics processor"
            self._rig.observer.say(f"Wrong result {where}: {fault.detail}.", loud=True)

    def _end_by_trip(self, trip: Trip, stage: Stage, t_s: float, sampled: float) -> None:
        judged_s = time.perf_counter() - sampled
        off_s = judged_s + self._end_for_safety(t_s)
        self._trip = {
            "rule": trip.rule,
            "channel": trip.channel,
            "value": trip.value,
            "limit": trip.limit,
            "stage": stage.name,
            "t_s": t_s,
            "load_off_s": _finite(off_s),
        }
        self._event("trip", why=trip.why, **self._trip)
        self._rig.observer.say(f"Tripped: {trip.channel}: {trip.why}.{self._off_words(off_s)}", loud=True)

    def _stop(self, why: Reason, t_s: float) -> None:
        self._stopped.append(why)
        off_s = self._end_for_safety(t_s)
        self._event("stopped", **_kept(why))
        self._rig.observer.say(f"Stopped: {why}.{self._off_words(off_s)}", loud=True)

    def _end_for_safety(self, t_s: float) -> float:
        """End the load; where only a person can, they are told to, whatever they have marked or forgotten to mark."""
        if not self._by_person:
            return self._end_load(t_s)
        share = self._share()
        self._end_load(t_s)
        return self._order_off(t_s, share)

    def _view(
        self, t_s: float, start_s: float | None, stage: Stage, row: Mapping[str, Reading], last_s: float
    ) -> TickView:
        least, worst = self._guard.least_left(), self._forecasts.worst()
        return TickView(
            t_s=t_s,
            stage_s=0.0 if start_s is None else t_s - start_s,
            stage=stage,
            share=self._share(),
            readings=row,
            forecast=worst[1] if worst is not None else None,
            forecast_channel=worst[0] if worst is not None else "",
            margin_k=least.left_k if least is not None else None,
            margin_channel=least.channel if least is not None else "",
            limits_c=self._limits_c,
            remaining_s=last_s - t_s if math.isfinite(last_s) else None,
            order=self._order.text,
            keys=self._keys_now(stage),
            buffer=self._buffer,
        )

    def _keys_now(self, stage: Stage) -> tuple[tuple[str, str], ...]:
        stages = self._rig.profile.stages
        to_come = any(one.load is not None for one in stages[stages.index(stage) :]) and not self._no_more_load()
        mark = "load off" if self._order.stands else ""
        if self._driver is not None and self._driver.external:
            mark = "load off" if self._driver.share else "load on"
        asked = self._rig.profile.ask_presence_every_s is not None and self._driver is not None
        return keys_now(load_may_be_on=to_come, mark=mark, who_is_here=asked)

    def _watch_stage(self, stage: Stage) -> None:
        """Say what a stage shows by the way: parts still hot, a held target out of reach."""
        if stage.kind is StageKind.COOLDOWN:
            sentence = self._touch.sentence()
            if sentence:
                self._event("touch", text=sentence)
                self._rig.observer.say(sentence)
        limited = self._driver.newly_limited() if self._driver is not None else None
        if limited is not None:
            self._event("hold-limited", **_kept(limited))
            self._rig.observer.say(f"The target cannot be held: {limited}.")

    def _warn_of_heat(self) -> None:
        why = self._heat.why_switch_off()
        if why:
            self._event("switch-off-advised", why=why)
            self._rig.observer.say(f"SWITCH THE MACHINE OFF NOW: {why}.", loud=True)

    # ---- people, disk, suspend ------------------------------------------------------------------------

    def _obey_people(self, stage: Stage) -> bool:
        """Follow what a person or a signal asked; return whether the stage ends by it."""
        controls = self._rig.controls
        controls.wake.clear()
        self._note_keys()
        if controls.danger is not None:
            self._end_for_danger(controls.danger)
            return True
        if controls.end_load.is_set() and self._cause is None:
            self._end_load(self._t_s())
            self._break_off("operator", reason("space-bar"))
            self._event("operator", why="load ended with the space bar")
            return stage.kind is StageKind.LOAD
        if controls.quit_reason:
            self._end_load(self._t_s())
            return True
        if self._watch_presence():
            return stage.kind is StageKind.LOAD
        return self._cause is not None and self._cause["class"] == "suspend"

    def _end_for_danger(self, danger: DangerNotice) -> None:
        """End the load and the run: the machine is to be switched off, not watched."""
        if self._danger_told:
            return
        self._danger_told = True
        self._stop(reason("danger-noted", danger=danger.what, noted=danger.noted), self._t_s())
        self._event("danger", code=danger.code, noted=danger.noted)
        self._rig.observer.say(danger.do, loud=True)

    def _note_keys(self) -> None:
        """Follow the keys pressed since the last call; however many there are, each has its effect once."""
        keys = self._rig.controls.keys
        count = len(keys)  # more may come meanwhile
        pressed = Counter(keys[:count])
        del keys[:count]
        findings = [text for key, text in RUN_KEYS.items() if pressed[key]]
        for text in findings:
            self._event("finding", text=text)
        if findings:
            self._rig.observer.say(f"Noted: {', '.join(findings)}.")
        if pressed["p"]:
            self._presence_s = self._t_s()
        if pressed["l"] and self._order.stands:
            since_s = self._order.since_s
            self._order.said_off(self._t_s())
            self._seen_off(self._t_s(), since_s, "person")
        elif pressed["l"] % 2 and self._driver is not None and self._driver.external:
            self._edge(self._t_s(), self._driver.mark())

    def _watch_presence(self) -> bool:
        """Ask again who is here; return whether nobody answered and the run falls back to rest."""
        every_s = self._rig.profile.ask_presence_every_s
        if every_s is None or self._driver is None:
            self._presence_s = self._t_s() if every_s is None else self._presence_s
            return False
        late_s = self._t_s() - self._presence_s - every_s
        if late_s >= PRESENCE_ANSWER_S:
            self._stop(reason("nobody-present"), self._t_s())
            return True
        if 0 <= late_s < self._rig.profile.period_s:
            self._rig.observer.say("Who is here? Press P within a minute, or the load ends.", loud=True)
        return False

    def _watch_disk(self) -> None:
        try:
            lag_s = self._rig.writer.lag_s()
        except RecordError as error:
            self._disk_failed(error)
            return
        if lag_s > LARGEST_LAG_S and not self._stopped and self._trip is None:
            self._stop(reason("record-behind", lag_s=lag_s), self._t_s())

    def _disk_failed(self, error: RecordError) -> None:
        if not self._record_failed:
            self._record_failed = True
            self._stop(reason("record-not-writable", cause=error.cause), self._t_s())

    def _watch_reads(self, t_s: float) -> None:
        """End the load where a read hangs, whoever's: while a bus does not answer, nobody knows what it would say."""
        hanging = self._rig.bank.hanging()
        if hanging and hanging != self._hanging:
            self._event("read-hangs", t_s=t_s, channels=list(hanging))
            self._rig.observer.say(f"Beware: {_hang_reason(hanging)}.")
        self._hanging = hanging
        under_way = self._coming is not None and not self._coming.ended
        if hanging and (self._driver is not None or under_way):
            self._stop(_hang_reason(hanging), t_s)

    def _watch_suspend(self) -> None:
        slept_s = _suspended_s() - self._suspended_s
        if slept_s > 1.0 and self._cause is None:
            self._suspended_s = _suspended_s()
            self._end_load(self._t_s())
            self._break_off("suspend", reason("system-slept", slept_s=slept_s))
            self._event("suspend", slept_s=slept_s)

    def _watch_after_stop(self) -> None:
        """Keep recording for a while where a run was stopped and its last stage was not a cooldown."""
        last = self._rig.profile.stages[-1]
        if self._over() or not (self._trip or self._stopped) or last.kind is StageKind.COOLDOWN:
            return
        end_s = self._t_s() + AFTER_STOP_S
        while self._t_s() < end_s and not self._over():
            self._wait_until(self._next_sample_s())
            self._tick(last)
            self._obey_people(last)

    # ---- time -----------------------------------------------------------------------------------------

    def _t_s(self) -> float:
        return self._rig.clock.now_s() - self._start_s

    def _next_sample_s(self) -> float:
        return self._start_s + self._next_sample * self._rig.profile.period_s

    def _advance_schedule(self, now_s: float) -> None:
        """Go to the next deadline of the fixed grid; deadlines missed by more than a period are left out."""
        behind = math.floor((now_s - self._start_s) / self._rig.profile.period_s + 1e-9)
        self._next_sample = max(self._next_sample + 1, behind + 1)

    def _wait_until(self, t_s: float) -> None:
        """Sleep to an absolute time of the clock, with heartbeats on the way, or until somebody wants something."""
        clock, controls = self._rig.clock, self._rig.controls
        while not controls.wake.is_set():
            now_s = clock.now_s()
            if now_s >= t_s - 1e-9:
                return
            clock.sleep_until(min(t_s, now_s + self._rig.beat_every_s), controls.wake)
            self._watch_reads(self._t_s())
            self._rig.load.beat()

    # ---- end ------------------------------------------------------------------------------------------

    def _over(self) -> bool:
        if self._rig.controls.quit_reason or self._danger_told:
            return True
        return self._record_failed or (self._cause is not None and self._cause["class"] == "suspend")

    def _close(self) -> RunEnd:
        outcome = self._outcome()
        if self._order.stands:
            self._event("load-not-seen-off")
            self._rig.observer.say(
                "The run is over, and the load on the machine may still be on: switch it off now.", loud=True
            )
        end = RunEnd(outcome=outcome, cause=self._cause, trip=self._trip, messages=tuple(map(str, self._stopped)))
        cost = self._cost.share() if math.isfinite(self._rig.beat_every_s) else None
        if cost is not None:
            self._rig.observer.say(f"Measuring itself took {cost:.1%} of one core.")
        facts = {
            "own_cost_share": cost,
            "outcome": outcome,
            "cause": self._cause,
            "cause_reasons": [why.as_json() for why in self._broke_off],
            "trip": self._trip,
            "stopped_because": list(map(str, self._stopped)),
            "stopped_reasons": [why.as_json() for why in self._stopped],
            "danger": self._rig.controls.danger.code if self._danger_told and self._rig.controls.danger else None,
        }
        try:
            for key, value in facts.items():
                self._rig.writer.fact(key, value)
            self._rig.writer.close()
        except RecordError as error:
            self._rig.observer.say(f"The record could not be closed: {error}", loud=True)
        return end

    def _outcome(self) -> str:
        if self._rig.controls.quit_reason and self._cause is None:
            asked = self._rig.controls.quit_reason
            self._break_off("operator" if asked == "operator" else "terminated", _QUIT_REASONS[asked])
        if self._trip is not None:
            return "tripped"
        if self._stopped:
            return "stopped"
        return "interrupted" if self._cause is not None else "completed"

    def _break_off(self, kind: str, why: Reason) -> None:
        self._broke_off = (why,)
        self._cause = {"class": kind, "why": [str(why)]}

    def _note(self, write: Any) -> None:
        """Write to the record; a failure ends the load and is told once, and is no reason to lose control."""
        if self._record_failed:
            return
        try:
            write()
        except RecordError as error:
            self._disk_failed(error)

    def _event(self, kind: str, *, t_s: float | None = None, **detail: Any) -> None:
        when_s = self._t_s() if t_s is None else t_s
        self._note(lambda: self._rig.writer.event(when_s, kind, detail))


_QUIT_REASONS = {
    "operator": reason("from-keyboard"),
    "terminated": reason("told-to-end"),
    "hangup": reason("terminal-closed"),
}


def _kept(why: Reason) -> dict[str, Any]:
    """Return a reason as an event keeps it: the sentence, and what it is made of."""
    return {"why": str(why), "reason": why.as_json()}


def _hang_reason(hanging: tuple[str, ...]) -> Reason:
    return reason("read-hangs", channels=", ".join(hanging))


def _finite(seconds: float) -> float | None:
    """Return the seconds, None where the end was not seen."""
    return seconds if math.isfinite(seconds) else None


def _suspended_s() -> float:
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    return 0.0 if boot is None else time.clock_gettime(boot) - time.monotonic()
