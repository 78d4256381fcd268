"""One stage of a run: waits for what is due, follows the pattern, samples, and says when the stage is over."""

from __future__ import annotations

import math

from verifyrig.core.channels import of_role
from verifyrig.core.event_kind import EventKind
from verifyrig.core.outcome import StageEnd
from verifyrig.core.pattern import pattern_duration_s
from verifyrig.core.profile import Stage, StageKind
from verifyrig.core.reason import reason
from verifyrig.rig.blind_time import BlindTime
from verifyrig.rig.climbing import Climbing
from verifyrig.rig.dip_control import DipControl
from verifyrig.rig.gate import StageGate
from verifyrig.rig.interruptions import Interruptions
from verifyrig.rig.observer import Attention
from verifyrig.rig.parts import Parts, Rig
from verifyrig.rig.run_notes import kept
from verifyrig.rig.sampler import Sampler
from verifyrig.rig.stops import StopKind

# How long a run goes on recording, without load, after its gate closed, or after a stop with no cooldown planned.
AFTER_STOP_S = 60.0
_HAIR_S = 1e-6


class StageLoop:
    """Runs the stages of one run, one at a time."""

    def __init__(
        self,
        rig: Rig,
        parts: Parts,
        interruptions: Interruptions,
        dipping: DipControl,
        sampler: Sampler,
        blind: BlindTime,
    ) -> None:
        self._rig = rig
        self._parts = parts
        self._interruptions = interruptions
        self._dipping = dipping
        self._sampler = sampler
        self._blind = blind
        self._gate: StageGate | None = None
        self._climbing = Climbing(rig, parts, sampler.forecasts)

    def run(self, stage: Stage, start_s: float) -> StageEnd:
        """Run a stage that began at the run's time `start_s`; return how it ended, its load still on."""
        parts = self._parts
        self._gate = self._new_gate(stage)
        self._sampler.forecasts.begin(stage, start_s)
        parts.load.begin(start_s)
        self._climbing.begin(stage, start_s)
        last_s = start_s + self._longest_s(stage)
        while True:
            step_s = parts.load.next_step_s(parts.schedule.t_s)
            next_s = min(step_s, last_s, self._dipping.next_look_s)
            self.wait_until(min(parts.schedule.next_sample_s, parts.schedule.on_clock_s(next_s)))
            t_s = parts.schedule.t_s
            self._dipping.look()
            # A step at the stage's very end begins nothing: a pulse that is not to be run must not flash up.
            if step_s - _HAIR_S <= t_s < last_s - _HAIR_S:
                parts.load.follow_pattern(t_s)
            if parts.schedule.is_due():
                self._sampler.take(stage, start_s, last_s)
                self._sampler.forecasts.update(t_s)
                self._climbing.follow(t_s)
            ended = self._why_end(stage, start_s, last_s)
            if ended is not None:
                self._climbing.end(ended)
                return ended

    def record_after_stop(self, stage: Stage) -> None:
        """Keep recording for a while, without load, after the last stage."""
        parts = self._parts
        end_s = parts.schedule.t_s + AFTER_STOP_S
        while parts.schedule.t_s < end_s and not parts.stops.run_is_over:
            self.wait_until(parts.schedule.next_sample_s)
            self._sampler.take(stage)
            self._interruptions.obey(stage)

    def wait_until(self, clock_s: float) -> None:
        """Sleep to an absolute time of the clock, with heartbeats on the way, or until somebody wants something."""
        clock, controls = self._rig.clock, self._rig.controls
        while not controls.wake.is_set():
            now_s = clock.now_s()
            if now_s >= clock_s - 1e-9:
                return
            clock.sleep_until(min(clock_s, now_s + self._rig.beat_every_s), controls.wake)
            self._interruptions.watch_reads(self._parts.schedule.t_s)
            self._rig.load.beat()

    def _why_end(self, stage: Stage, start_s: float, last_s: float) -> StageEnd | None:
        t_s, stops = self._parts.schedule.t_s, self._parts.stops
        asked = self._interruptions.obey(stage)
        if asked is not None:
            return asked
        if stops.happened(StopKind.RECORD_FAILED):
            return StageEnd.STOPPED
        if stops.tripped and stage.kind is not StageKind.COOLDOWN:
            return StageEnd.TRIPPED
        if stops.for_safety and stage.kind is StageKind.LOAD:
            return StageEnd.STOPPED
        enough = stage.load is None and self._rig.controls.enough.is_set()
        timed_out = enough or t_s >= last_s - _HAIR_S
        if self._gate_closes(stage, final=timed_out):
            return StageEnd.GATE
        if t_s - self._climbing.from_s(start_s) >= stage.min_duration_s and self._end_is_known(stage):
            return StageEnd.GATE if self._gate_closes(stage, final=True) else StageEnd.SETTLED
        if timed_out and stage.load is not None and self._climbing.is_below_full:
            self._climbing.time_is_up(t_s)
            return StageEnd.STOPPED
        return StageEnd.TIME if timed_out else None

    def _end_is_known(self, stage: Stage) -> bool:
        """Return whether the forecast says well enough where the stage will settle."""
        return stage.settle is not None and self._sampler.forecasts.known and not self._climbing.is_below_full

    def _longest_s(self, stage: Stage) -> float:
        longest_s = stage.max_duration_s if stage.max_duration_s is not None else math.inf
        if stage.load is not None:
            longest_s = min(longest_s, pattern_duration_s(stage.load))
            if self._rig.blind:
                longest_s = min(longest_s, self._blind.stage_s(stage))
        # A machine that is hot while idle is to be switched off, not watched; a tripped one shows much by its cooldown.
        return min(longest_s, AFTER_STOP_S) if self._parts.stops.happened(StopKind.GATE) else longest_s

    def _new_gate(self, stage: Stage) -> StageGate | None:
        if stage.gate is None:
            return None
        infos = self._rig.bank.infos
        channels = [name for name in of_role(stage.gate.channel, infos) if not infos[name].unreadable]
        return StageGate(stage.gate, channels, self._rig.profile.stale_after_s, blind=self._rig.blind)

    def _gate_closes(self, stage: Stage, *, final: bool) -> bool:
        parts = self._parts
        if self._gate is None or parts.stops.for_safety or parts.stops.tripped:
            return False
        buffer, found = parts.buffer, self._sampler.forecasts.found
        closed = self._gate.closed_by(parts.schedule.t_s, buffer.newest, found, buffer.ambient_c, final=final)
        if closed is None:
            return False
        parts.notes.event(
            EventKind.GATE_CLOSED,
            stage=stage.name,
            channel=closed.channel,
            value=closed.value,
            limit=closed.limit,
            **kept(closed.why),
        )
        why = reason("gate-closed", stage=stage.name, channel=closed.channel, why=(closed.why,))
        parts.stops.add(StopKind.GATE, why)
        hot = " Switch the machine off now: it cannot carry its heat away even while idle." if closed.limit else ""
        parts.notes.say(f"The gate is closed: {closed.channel}: {closed.why}. No load will be run.{hot}", loud=True)
        parts.notes.attend(Attention.GATE)
        return True
