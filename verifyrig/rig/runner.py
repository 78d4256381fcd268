"""The runner: takes a profile through its stages, brings each load up, and ends with record closed and load off."""

from __future__ import annotations

import math

from verifyrig.core.event_kind import EventKind
from verifyrig.core.outcome import StageEnd
from verifyrig.core.pattern import is_gentle
from verifyrig.core.profile import LoadPlan, Stage, StageKind
from verifyrig.core.reason import Reason, reason
from verifyrig.rig.blind_time import BlindTime
from verifyrig.rig.dip_control import DipControl
from verifyrig.rig.interruptions import Interruptions, hang_reason
from verifyrig.rig.parts import BEAT_EVERY_S, Ambient, Parts, Rig, RunEnd
from verifyrig.rig.run_notes import kept
from verifyrig.rig.sampler import Sampler
from verifyrig.rig.stage_loop import StageLoop
from verifyrig.rig.stage_notes import OwnCost, busy_while_idle
from verifyrig.rig.stops import StopKind

__all__ = ["BEAT_EVERY_S", "Ambient", "Rig", "RunEnd", "Runner"]

BRING_UP_STEP_S = 0.02


class Runner:
    """One run of a profile on a rig."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._parts = Parts(rig)
        self._blind = BlindTime(rig.profile)
        self._interruptions = Interruptions(rig, self._parts)
        dipping = DipControl(rig, self._parts)
        self._sampler = Sampler(rig, self._parts, self._interruptions, dipping)
        self._loop = StageLoop(rig, self._parts, self._interruptions, dipping, self._sampler, self._blind)
        self._cost = OwnCost()
        self._before: Stage | None = None

    def run(self) -> RunEnd:
        """Run all stages; on every exit, except when the machine loses power, the load is off and the record closed."""
        stages, stops = self._rig.profile.stages, self._parts.stops
        try:
            for index, stage in enumerate(stages):
                if stops.run_is_over:
                    break
                self._run_stage(stage, index)
            stopped = stops.tripped or stops.for_safety
            if stopped and not stops.run_is_over and stages[-1].kind is not StageKind.COOLDOWN:
                self._loop.record_after_stop(stages[-1])
        finally:
            self._parts.load.close()
        return self._close()

    def _run_stage(self, stage: Stage, index: int) -> None:
        if self._rig.no_load and stage.load is not None and not is_gentle(stage.load):
            # Nobody wants it: nothing is wrong, and the run goes on.
            self._skip(stage)
            self._parts.notes.event(EventKind.LOAD_LEFT_OUT, stage=stage.name)
            return
        why = self._why_not(stage)
        if why is None and stage.load is not None:
            why = self._bring_up(stage, stage.load)
        if why is not None:
            self._refuse(stage, why)
            return
        parts, t_s = self._parts, self._parts.schedule.t_s
        parts.notes.stage_started(stage, t_s)
        self._rig.observer.stage(stage, index, t_s)
        self._before, first_row = stage, parts.buffer.end
        ended = self._loop.run(stage, t_s)
        self._blind.use(stage)
        # One moment for both: a load that ends with its stage is no pulse in it.
        end_s = parts.schedule.t_s
        parts.load.end(end_s)
        parts.notes.stage_ended(stage, end_s, ended)
        self._say_of_background_load(stage, first_row)

    def _why_not(self, stage: Stage) -> Reason | None:
        """Return why a load stage must not start, None where it may."""
        if stage.load is None:
            return None
        if self._parts.stops.no_more_load:
            return reason("no-load-after-stop")
        if self._rig.controls.link_silent:
            return reason("link-silent")
        hanging = self._rig.bank.hanging()
        if hanging:
            return hang_reason(hanging)
        if self._rig.blind and self._blind.on_s(stage) <= 0:
            return reason("blind-time-used-up", time_s=self._rig.profile.blind_load_s or 0.0)
        if not is_gentle(stage.load):
            return self._rig.permit.why_not(stage, self._rig.blind, self._parts.buffer)
        return None

    def _bring_up(self, stage: Stage, plan: LoadPlan) -> Reason | None:
        """Start the workers while sampling goes on and people are obeyed; return why the load did not come up."""
        parts, clock, wake = self._parts, self._rig.clock, self._rig.controls.wake
        # A simulated load is up at once; while one waited for it in steps, simulated time would run away.
        parts.load.come_up(plan, wake, BRING_UP_STEP_S if math.isfinite(self._rig.beat_every_s) else BEAT_EVERY_S)
        while not parts.load.is_up():
            clock.sleep_until(min(parts.schedule.next_sample_s, clock.now_s() + BRING_UP_STEP_S), wake)
            self._interruptions.obey(stage)
            if parts.schedule.is_due():
                self._sampler.take(self._before or stage)
        # Once more, for what came since: the first command to the workers is the next thing that is done.
        self._interruptions.obey(stage)
        if parts.stops.no_more_load:
            parts.load.end(parts.schedule.t_s)
            return reason("ended-while-coming-up")
        failure = parts.load.take_over()
        if failure is not None:
            return reason("load-failed", what=failure.what)
        for note in getattr(self._rig.load, "notes", ()):
            parts.notes.event(EventKind.LOAD_NOTE, stage=stage.name, note=str(note), reason=note.as_json())
            parts.notes.say(f"Load: {note}.")
        return None

    def _refuse(self, stage: Stage, why: Reason) -> None:
        parts = self._parts
        self._skip(stage)
        parts.notes.event(EventKind.LOAD_REFUSED, stage=stage.name, **kept(why))
        if not parts.stops.no_more_load:
            kind = StopKind.LOAD_FAILED if why.code == "load-failed" else StopKind.LOAD_REFUSED
            parts.stops.add(kind, reason("of-stage", stage=stage.name, why=(why,)))
            parts.notes.say(f"No load in stage {stage.name}: {why}.", loud=True)

    def _skip(self, stage: Stage) -> None:
        t_s = self._parts.schedule.t_s
        self._parts.notes.stage_started(stage, t_s)
        self._parts.notes.stage_ended(stage, t_s, StageEnd.SKIPPED)

    def _say_of_background_load(self, stage: Stage, first_row: int) -> None:
        busy = busy_while_idle(self._parts.buffer, first_row) if stage.kind is StageKind.IDLE else None
        if busy is not None:
            self._parts.notes.event(EventKind.IDLE_DISTURBED, stage=stage.name, busy_share=busy)
            self._parts.notes.say(
                f"Background load during idle stage {stage.name}: other programs kept {busy:.0%} of the processor busy."
            )

    def _close(self) -> RunEnd:
        stops, notes = self._parts.stops, self._parts.notes
        stops.add_quit()
        self._sampler.end()
        self._parts.person.say_at_end()
        cost = self._cost.share() if math.isfinite(self._rig.beat_every_s) else None
        if cost is not None:
            notes.say(f"Measuring itself took {cost:.1%} of one core.")
        messages = tuple(map(str, stops.for_safety))
        danger = self._rig.controls.danger if stops.happened(StopKind.DANGER) else None
        interrupted = stops.interrupted
        failure = notes.close(
            {
                "own_cost_share": cost,
                "outcome": stops.outcome,
                "cause": stops.cause,
                "cause_reasons": [interrupted.why.as_json()] if interrupted is not None else [],
                "trip": stops.trip,
                "stopped_because": list(messages),
                "stopped_reasons": [why.as_json() for why in stops.for_safety],
                "danger": danger.code if danger is not None else None,
                **self._rig.controls.last_facts,
            }
        )
        reasons = tuple(stops.for_safety) or ((interrupted.why,) if interrupted is not None else ())
        if failure is not None:
            reasons = reasons or (reason("record-not-writable", cause=failure.cause),)
        return RunEnd(
            outcome=stops.outcome,
            cause=stops.cause,
            trip=stops.trip,
            messages=messages,
            reasons=reasons,
            recorded=failure is None,
        )
