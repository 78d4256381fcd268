"""Takes a load up a climb: asks `Climb` after the samples, commands what it decides, and notes it."""

from __future__ import annotations

import math
import time
from collections.abc import Iterable

import numpy as np

from verifyrig.analysis.climb import Climb
from verifyrig.analysis.climb_terms import STOP_S, ClimbAct, ClimbRules, Decision, Sight, look_ahead_s
from verifyrig.analysis.plausible import History, Outlook, Settling, UnwatchedParts, outlook_of
from verifyrig.analysis.signals import held_s
from verifyrig.core.channels import base_name
from verifyrig.core.event_kind import EventKind
from verifyrig.core.heat_sources import CARD, DIE, HeatSource, heated_by, of_same_part, part_of
from verifyrig.core.outcome import StageEnd
from verifyrig.core.profile import LoadPattern, Stage
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import FloatArray
from verifyrig.rig.arming import limits_of
from verifyrig.rig.load_permit import held_temp_c
from verifyrig.rig.parts import Parts, Rig
from verifyrig.rig.reactions import REACTION_WITHIN_S
from verifyrig.rig.run_buffer import BufferRows
from verifyrig.rig.run_notes import kept
from verifyrig.rig.stage_forecasts import StageForecasts
from verifyrig.rig.stops import StopKind
from verifyrig.rig.trip import Trip

# A look costs tens of milliseconds for each temperature: one of them a sample, and at full share now and then.
_EVERY_S, _AT_FULL_EVERY_S = 2.0, 10.0
_DEFAULT_REFRESH_S = 2.0
_PROVEN_RISK = 0.03
# Where a temperature stands is its mean over so long: a card's memory was seen to flicker by a step of its sensor.
_SHOWN_OVER_S = 3.0
# What stays as it was is noted as often as this.
_NOTE_EVERY_S = 30.0
# How long parts that nobody watches are thought to go on at a share before the next look at them.
_UNWATCHED_S = 30.0


class Climbing:
    """The climb of one stage; nothing where the stage has another pattern.

    Args:
        forecasts: Those of the stage: at every step they begin anew.
    """

    def __init__(self, rig: Rig, parts: Parts, forecasts: StageForecasts) -> None:
        self._rig = rig
        self._parts = parts
        self._forecasts = forecasts
        self._unwatched = UnwatchedParts(rig.not_watched)
        self._unwatched_row = 0
        self._climb: Climb | None = None
        self._stage: Stage | None = None
        self._channels: tuple[str, ...] = ()
        self._outlooks: dict[str, Outlook] = {}
        self._fresh: set[str] = set()
        self._next_look_s = math.inf
        self._full_since_s = math.inf
        self._noted_s = -math.inf
        self._last: Decision | None = None

    def from_s(self, start_s: float) -> float:
        """Return since when the stage's least time counts, s: from its start, of a climb from its full share."""
        return start_s if self._climb is None else self._full_since_s

    @property
    def is_below_full(self) -> bool:
        """Whether a climb is under way that is not, or no longer, at its full share."""
        return self._climb is not None and not self._climb.reached

    def begin(self, stage: Stage, t_s: float) -> None:
        """Begin a stage."""
        self._climb, self._stage, self._last = None, stage, None
        plan = stage.load
        if plan is None or plan.pattern != LoadPattern.CLIMB:
            return
        rules = self._rules(stage)
        self._channels = tuple(rules.limits_c)
        self._outlooks, self._fresh = {}, set()
        self._climb, self._next_look_s, self._full_since_s = Climb(rules, t_s), t_s, math.inf

    def time_is_up(self, t_s: float) -> None:
        """End a climb whose stage may last no longer, and which is not at its full share."""
        if self._climb is not None:
            self._stop(self._climb.share, reason("climb-out-of-time"), t_s)

    def end(self, ended: StageEnd) -> None:
        """Take what a stage proved that is over: a share that can go on for ever needs no other forecast."""
        climb, stage, last = self._climb, self._stage, self._last
        self._climb = None
        if climb is None or not climb.reached or ended not in (StageEnd.SETTLED, StageEnd.TIME):
            return
        if stage is not None and stage.load is not None and last is not None and last.full is not None:
            limit_c = limits_of(self._rig.armed)[last.nearest]
            if last.full.risk(limit_c) < _PROVEN_RISK:
                self._rig.permit.climbed(stage.load, climb.share)

    def follow(self, t_s: float) -> None:
        """Look after a sample, where a look is due, and do what the climb decides."""
        climb, driver = self._climb, self._parts.load.driver
        if climb is None or driver is None or t_s < self._next_look_s or self._parts.dips.leaves_out(t_s):
            return
        channel = next(name for name in self._channels if name not in self._fresh)
        self._look_at(channel)
        if len(self._fresh) < len(self._channels):
            return
        self._fresh.clear()
        if climb.held:
            climb.share = driver.share
        self._do(climb.look(self._sight(t_s)), t_s)
        seldom = climb.reached and not climb.awaits_answer
        self._next_look_s = t_s + (_AT_FULL_EVERY_S if seldom else _EVERY_S)

    # ---- what is seen

    def _rules(self, stage: Stage) -> ClimbRules:
        assert stage.load is not None
        infos, heated = self._rig.bank.infos, heated_by(stage.load.work)
        limits_c = {
            channel: limit_c
            for channel, limit_c in limits_of(self._rig.armed).items()
            if (part := part_of(channel)) is not None and part.temp in heated
        }
        slowest_s = max((self._refresh_s(channel) for channel in limits_c), default=_DEFAULT_REFRESH_S)
        own = {channel: infos[channel].limit for channel in limits_c}
        return ClimbRules(
            full_share=stage.load.share,
            limits_c=limits_c,
            own_limits_c={channel: limit for channel, limit in own.items() if limit is not None},
            any_of=_one_of_several(limits_c),
            resolution_k={channel: infos[channel].resolution or 1.0 for channel in limits_c},
            look_ahead_s=look_ahead_s(
                period_s=self._rig.profile.period_s,
                refresh_s=slowest_s,
                stale_after_s=self._rig.profile.stale_after_s,
                # A machine whose own loads took longer to end is given so long.
                stop_s=max(STOP_S, self._parts.load.longest_stop_s),
            ),
            held_c={name: held_c for name in limits_c if (held_c := held_temp_c(stage.load, name)) is not None},
            fails_above_c={
                threshold.metric.removeprefix(f"{stage.name}.").removesuffix(".settled"): threshold.maximum
                for threshold in self._rig.profile.thresholds
                if threshold.maximum is not None
                and threshold.metric in {f"{stage.name}.{name}.settled" for name in limits_c}
            },
        )

    def _refresh_s(self, channel: str) -> float:
        """Return for how long the sensor shows one value: as it says, and no less than was seen of it."""
        rows = self._parts.buffer.rows(with_left_out=False)
        seen_s = held_s(rows.t_s, rows.column(channel)) if len(rows.t_s) else 0.0
        return max(self._rig.bank.infos[channel].refresh_s or _DEFAULT_REFRESH_S, seen_s)

    def _look_at(self, channel: str) -> None:
        before = self._outlooks.get(channel)
        found = outlook_of(self._history(channel), before.peaks if before is not None else None)
        if found is None:
            self._outlooks.pop(channel, None)
        else:
            self._outlooks[channel] = found
        self._fresh.add(channel)

    def _history(self, channel: str) -> History:
        infos, rows = self._rig.bank.infos, self._parts.buffer.rows(with_left_out=False)
        part, info = part_of(channel) or DIE, infos[channel]
        power = of_same_part(channel, part.power, infos)
        # Which of several fans cools which die is not known; a card shows its own.
        fan = of_same_part(channel, part.fan, infos) if part is CARD else part.fan
        return History(
            t_s=rows.t_s,
            temp_c=rows.column(channel),
            share=rows.heating(part.temp),
            power_w=rows.column(power),
            fan_rpm=rows.column(fan),
            ambient_c=rows.ambient_c,
            part=part,
            resolution_k=info.resolution,
            refresh_s=info.refresh_s,
            power_limit_w=infos[power].limit if part is CARD and power is not None else None,
        )

    def _sight(self, t_s: float) -> Sight:
        buffer = self._parts.buffer
        rows = buffer.rows(buffer.row_at(t_s - _SHOWN_OVER_S) + 1, with_left_out=False)
        shown = {name: column[np.isfinite(column)] for name in self._channels if len(column := rows.column(name))}
        temps_c = {name: float(np.mean(values)) for name, values in shown.items() if len(values)}
        complete = len(self._outlooks) == len(self._channels)
        if complete:
            self._follow_unwatched()
        return Sight(
            t_s=t_s,
            temps_c=temps_c,
            outlooks=dict(self._outlooks),
            unwatched=self._unwatched_risks if complete else lambda _share: {},
            ends={name: Settling(one.settles_at_c, one.u95_k) for name, one in self._forecasts.found.items()},
        )

    def _unwatched_risks(self, share: float) -> dict[str, float]:
        infos = self._rig.bank.infos
        own = {name: limit for name in self._channels if (limit := infos[name].limit) is not None}
        roles = {(part_of(name) or DIE).temp for name in self._channels}
        return self._unwatched.risks(self._outlooks, dict.fromkeys(roles, share), _UNWATCHED_S, own)

    def _follow_unwatched(self) -> None:
        """Let the unwatched parts follow the power of all samples since the last look."""
        rows = self._parts.buffer.rows(self._unwatched_row, with_left_out=True)
        self._unwatched_row = self._parts.buffer.end
        power = {part.temp: self._power_w(part, rows) for part in {part_of(name) or DIE for name in self._channels}}
        for row, t_s in enumerate(rows.t_s.tolist()):
            self._unwatched.take(t_s, {temp: float(column[row]) for temp, column in power.items()})

    def _power_w(self, part: HeatSource, rows: BufferRows) -> FloatArray:
        """Return the part's power in the terms of its outlook, W."""
        outlook = next(self._outlooks[name] for name in self._channels if part_of(name) is part)
        samples = outlook.samples
        return np.asarray(np.interp(rows.t_s, samples.t_s, samples.power_w))

    # ---- what is done

    def _do(self, decision: Decision, t_s: float) -> None:
        stage, load = self._stage, self._parts.load
        assert stage is not None and load.driver is not None
        if decision.act in (ClimbAct.RISE, ClimbAct.STEP_BACK, ClimbAct.HAND_OVER):
            if load.driver.share != decision.share:
                load.driver.go_to(decision.share, t_s)
                load.step(t_s, decision.share)
            self._full_since_s = t_s if self._climb is not None and self._climb.reached else math.inf
            self._forecasts.begin(stage, t_s)
        if decision.act is ClimbAct.HAND_OVER:
            load.driver.hold_from_here()
        self._note(decision, t_s)
        if decision.act is ClimbAct.END:
            if decision.why.code == "climb-no-answer":
                self._trip(decision, stage, t_s)
            else:
                self._stop(decision.share, decision.why, t_s)

    def _stop(self, share: float, why: Reason, t_s: float) -> None:
        name = self._stage.name if self._stage is not None else ""
        ended = reason("climb-ended-below-full", stage=name, share=share, why=(why,))
        self._parts.safety.stop(StopKind.CLIMB_ENDED, ended, t_s)

    def _trip(self, decision: Decision, stage: Stage, t_s: float) -> None:
        """A reading that does not answer guards nothing: the same trip as under any other load."""
        values = decision.why.values
        channel, moved_k, least_k = str(values["channel"]), values["moved_k"], values["least_k"]
        assert isinstance(moved_k, float)
        assert isinstance(least_k, float)
        why = reason("trip-no-reaction", moved_k=moved_k, within_s=REACTION_WITHIN_S)
        trip = Trip(rule="no-reaction", channel=channel, value=moved_k, limit=least_k, why=why)
        self._parts.safety.trip(trip, stage, t_s, time.perf_counter())

    def _note(self, decision: Decision, t_s: float) -> None:
        last, self._last = self._last, decision
        both_hold = last is not None and last.act is ClimbAct.HOLD and decision.act is ClimbAct.HOLD
        goes_on = both_hold and last is not None and last.why.code == decision.why.code
        if goes_on and t_s < self._noted_s + _NOTE_EVERY_S:
            return
        self._noted_s = t_s
        full = decision.full
        self._parts.notes.event(
            EventKind.CLIMB,
            t_s=t_s,
            act=decision.act,
            share=decision.share,
            channel=decision.nearest,
            full_c=full.at_c if full is not None else None,
            full_u95_k=full.u95_k if full is not None else None,
            risk=decision.risk,
            not_watched=dict(decision.unwatched),
            **kept(decision.why),
        )
        if decision.act is ClimbAct.HAND_OVER:
            self._parts.notes.say(f"The load went up to {decision.share:.0%}: {decision.why}.")
        elif decision.act in (ClimbAct.RISE, ClimbAct.STEP_BACK):
            word = "up" if decision.act is ClimbAct.RISE else "back"
            self._parts.notes.say(f"The load goes {word} to {decision.share:.0%}: {decision.why}.")


def _one_of_several(channels: Iterable[str]) -> tuple[frozenset[str], ...]:
    """Return the cards' temperatures of each kind, where there are several: which card a load reaches is unknown."""
    by_role: dict[str, set[str]] = {}
    for channel in channels:
        if part_of(channel) is CARD:
            by_role.setdefault(base_name(channel), set()).add(channel)
    return tuple(frozenset(group) for group in by_role.values() if len(group) > 1)
