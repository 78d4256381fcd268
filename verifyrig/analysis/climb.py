"""A climb: the share of a load goes up as far as is known to be safe, and no further. Pure: no clock, no threads.

The question before each rise is not where it would end but whether anything could pass its limit before the next look.
What no sensor shows may not pass with more than a small probability, heat that comes through after load-off included.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from verifyrig.analysis.climb_terms import ClimbAct, ClimbRules, Decision, Sight
from verifyrig.analysis.plausible.outlook import Settling
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import FloatArray

__all__ = ["Climb"]

# As long as the die's step takes: what plate and sink do comes after it. Also the guard's time for an answer.
_DWELL_S = 10.0
_FRESH_IN_DWELL = 2.5
# Beyond the look-ahead the die's own step is taken whole: lumps are slower than a die in its first second.
_INTERFACE_S = 8.0
# So long may one share last that leads to no other.
_STUCK_S = 60.0
# An answer that is late by more than this is none.
_LATE_S = 2.0
# One look may take a third of what is left of the risk, so that several rises can follow.
_OF_WHAT_IS_LEFT = 1 / 3
# Full share is given up where it would so surely settle above the limit, seen at two looks so far apart.
_SURELY, _SEEN_APART_S = 0.97, 10.0
# So far below its limit heat begins to wear a part. Where full share would more likely than not settle too hot, and
# this share or the next rise comes nearer than that, the climb stays where it is to learn; what it has learned after a
# minute of that ends it where it is likely enough, and after three minutes where it is as likely as not.
_WEARS_BELOW_LIMIT_K = 20.0
_AS_LIKELY, _LEARN_S = 0.5, 60.0
_ENOUGH_AFTER_S = ((60.0, 0.85), (180.0, _AS_LIKELY))
# So long at full share gives work rate, rails and causes their readings, even where its verdict is certain before.
_READ_S = 60.0
# So long the stage's own forecasts of full share may take to come.
_FORECASTS_COME_S = 60.0
# By so many u95 must it lie above its threshold: it is looked at again and again, and one look in forty errs by one.
_SURE_U95 = 1.5
# What no sensor shows sends the share back by a forecast, which may turn out wrong. That share comes back where the
# part is so much less likely to pass its limit; after a second time, less by as much again.
_TO_COME_BACK = 0.25
# Of the least that a machine would move by the power that it really draws, so much must be seen; where that is less
# than two steps of the reading, it is asked at the next share: a data-centre card lowers its clocks between short
# blocks, and draws a quarter of the way's first tenth at a quarter share. From half share on each must have moved by
# what the guard asks for.
_OF_LEAST, _LEAST_QUANTILE = 0.5, 0.05
_HALF, _REACTION_K = 0.5, 2.0
_HAIR = 1e-6


class Climb:
    """Decides about one load's share, look by look.

    Attributes:
        share: The share now.
        reached: Whether it is at full share, or came to the temperature that is held.
        held: Whether it has handed over to what holds a temperature; its share is the other's from then on.
    """

    def __init__(self, rules: ClimbRules, t_s: float) -> None:
        """Begin idle at `t_s`, s."""
        self._rules = rules
        self._since_s = self._looked_s = t_s
        self._ceiling, self._why_ceiling = rules.full_share, reason("climb-no-share-left")
        self._sent_back: dict[str, tuple[float, float]] = {}
        self._spent, self._level_risk = 0.0, 0.0
        self._hot_since_s: float | None = None
        self._learned_s = 0.0
        self._idle_c: Mapping[str, float] = {}
        self._before_c: Mapping[str, float] = {}
        self._least_k: Mapping[str, float] = {}
        self._drew: Mapping[str, tuple[float, float]] = {}
        self._silent: set[str] = set()
        self.share = 0.0
        self.reached = self.held = False

    def look(self, sight: Sight) -> Decision:
        """Decide; a rise or a step back is taken as done at `sight.t_s`."""
        rules, since_last_s = self._rules, sight.t_s - self._looked_s
        self._looked_s = sight.t_s
        if any(channel not in sight.outlooks for channel in rules.limits_c):
            return Decision(act=ClimbAct.HOLD, share=self.share, why=reason("climb-few-readings"))
        nearest, full = self._full(sight)
        answer = _Answer(self, sight, nearest, full)
        if self.held:
            unwatched = self._why_unwatched(sight, self.share)
            return answer.hold(reason("climb-held")) if unwatched is None else answer.end(unwatched)
        risky = self._why_back(sight, nearest)
        if risky is not None:
            return self._step_back(sight, risky, answer)
        # Where a temperature is held, full share is not what the load will come to.
        hot = 0.0 if rules.held_c else full.risk(rules.limits_c[nearest])
        if self.share >= _HALF - _HAIR and hot >= _AS_LIKELY and self._would_wear(sight):
            self._learned_s += since_last_s
        if self._is_too_hot(sight, hot):
            limit_c = rules.limits_c[nearest]
            return answer.end(reason("climb-full-too-hot", peak_c=full.at_c, u95_k=full.u95_k, limit_c=limit_c))
        if not self._answered(sight):
            return self._await_answer(sight, answer)
        failed = self._surely_fails(sight, nearest, full)
        if failed is not None:
            return answer.end(failed)
        if self.reached:
            return answer.hold(reason("climb-at-full"))
        if self.share > 0 and self._comes_to_held(sight):
            return self._hand_over(answer)
        return self._rise_or_not(sight, hot, answer)

    # ---- what is asked

    def _risk(self, sight: Sight, share: float) -> float:
        """Return the probability that a watched part passes its limit at a share before the next look."""
        rules = self._rules
        within_s = rules.look_ahead_s + _INTERFACE_S
        return sum(
            sight.outlooks[channel].risk(share, limit_c - rules.margin_k, within_s)
            for channel, limit_c in rules.limits_c.items()
        )

    def _full(self, sight: Sight) -> tuple[str, Settling]:
        """Return the channel that full share would bring nearest to its limit, and where it would settle."""
        limits_c, full_share = self._rules.limits_c, self._rules.full_share
        ends = sight.ends if self.reached else {}
        settlings = {name: ends.get(name) or sight.outlooks[name].settles(full_share) for name in limits_c}
        nearest = max(settlings, key=lambda name: settlings[name].risk(limits_c[name]))
        return nearest, settlings[nearest]

    def _why_back(self, sight: Sight, nearest: str) -> Reason | None:
        """Return why the present share must not go on, None where it may."""
        if self.share <= 0:
            return None
        risk = self._risk(sight, self.share)
        if risk > max(0.0, self._rules.risk - self._spent):
            return self._bound_reason(sight, self.share, nearest)
        self._level_risk = max(self._level_risk, risk)
        return self._why_unwatched(sight, self.share)

    def _why_unwatched(self, sight: Sight, share: float) -> Reason | None:
        """Return which part that nobody watches forbids a share, None where none does."""
        over = {part: risk for part, risk in sight.unwatched(share).items() if risk > self._allowed(part, share)}
        if not over:
            return None
        part = max(over, key=lambda name: over[name])
        return reason("climb-unwatched", part=(reason(f"part-{part}"),), risk=over[part])

    def _allowed(self, part: str, share: float) -> float:
        """Return with which probability a part that nobody watches may pass its limit at a share."""
        from_share, risk = self._sent_back.get(part, (math.inf, 0.0))
        comes_back = share > self.share and share >= from_share - _HAIR
        return risk if comes_back else self._rules.unwatched_risk

    def _is_too_hot(self, sight: Sight, hot: float) -> bool:
        """Return whether full share is to be given up, as probable as `hot` it would settle too hot."""
        if self._awaits_end(sight):
            return False
        if self.share > 0 and any(self._learned_s >= after_s and hot >= enough for after_s, enough in _ENOUGH_AFTER_S):
            return True
        if hot < _SURELY or sight.t_s - self._since_s < self._dwell_s(sight):
            self._hot_since_s = None
            return False
        self._hot_since_s = sight.t_s if self._hot_since_s is None else self._hot_since_s
        return sight.t_s - self._hot_since_s >= _SEEN_APART_S

    def _awaits_end(self, sight: Sight) -> bool:
        """Return whether full share has just begun and the stage's own forecasts of it are yet to come."""
        is_new = self.reached and sight.t_s - self._since_s < _FORECASTS_COME_S
        return is_new and any(channel not in sight.ends for channel in self._rules.limits_c)

    def _surely_fails(self, sight: Sight, nearest: str, full: Settling) -> Reason | None:
        """Return by what full share surely fails, where more heat would change nothing of that; None otherwise."""
        fails_above_c = self._rules.fails_above_c.get(nearest, math.inf)
        if (
            not self.reached
            or sight.t_s - self._since_s < _READ_S
            or full.at_c - _SURE_U95 * full.u95_k <= fails_above_c
        ):
            return None
        return reason("climb-surely-fails", channel=nearest, peak_c=full.at_c, u95_k=full.u95_k, limit_c=fails_above_c)

    def _would_wear(self, sight: Sight) -> bool:
        """Return whether this share, or the next rise, brings a part to where heat begins to wear it."""
        share = self._higher()[0] if not self.reached and self._higher() else self.share
        return any(
            sight.outlooks[channel].hottest_c(share, _LEARN_S)[0] > limit_c - _WEARS_BELOW_LIMIT_K
            for channel, limit_c in self._rules.limits_c.items()
        )

    def _dwell_s(self, sight: Sight) -> float:
        slowest_s = max(sight.outlooks[name].refresh_s for name in self._rules.limits_c)
        return max(_DWELL_S, _FRESH_IN_DWELL * slowest_s)

    def _answered(self, sight: Sight) -> bool:
        """Return whether every sensor has answered the last rise; one that has need not do so again."""
        self._silent = {channel for channel in self._silent if self._lacking(sight, channel) is not None}
        for group in self._rules.any_of:
            if group - self._silent:
                self._silent -= group
        return not self._silent

    def _lacking(self, sight: Sight, channel: str) -> tuple[float, float] | None:
        """Return how far a reading moved and how far it must have, K, where that is too little; else None."""
        now_c = sight.temps_c.get(channel)
        asked = [(self._before_c, self._must_move_k(sight, channel))]
        if self.share >= _HALF - _HAIR:
            asked.append((self._idle_c, _REACTION_K))
        for before_c, least_k in asked:
            moved_k = 0.0 if now_c is None else now_c - before_c.get(channel, now_c)
            # Where nothing is asked, a reading may fall too: a card that was woken for the load cools again.
            if least_k > 0 and moved_k < least_k:
                return moved_k, least_k
        return None

    def _comes_to_held(self, sight: Sight) -> bool:
        """Return whether the next rise would bring a held temperature to its target before the next look."""
        higher, within_s = self._higher(), self._rules.look_ahead_s + _INTERFACE_S
        share = higher[0] if higher else self.share
        return any(
            sight.outlooks[channel].hottest_c(share, within_s)[0] >= held_c
            for channel, held_c in self._rules.held_c.items()
        )

    def _higher(self) -> list[float]:
        """Return the shares to try next, the largest rise first."""
        rules = self._rules
        steps = (rules.step_share / part for part in (1, 2, 4))
        tried = (round(min(rules.full_share, self._ceiling, self.share + step), 4) for step in steps)
        return list(dict.fromkeys(share for share in tried if share > self.share + _HAIR))

    # ---- what is done

    def _rise_or_not(self, sight: Sight, hot: float, answer: _Answer) -> Decision:
        rules, held_s = self._rules, sight.t_s - self._since_s
        if held_s < self._dwell_s(sight) and self.share > 0:
            return answer.hold(reason("climb-dwells"))
        if self._hot_since_s is not None or (0 < self._learned_s < _LEARN_S and hot >= _AS_LIKELY):
            return answer.hold(reason("climb-learns", peak_c=answer.full.at_c, u95_k=answer.full.u95_k))
        allowed = max(0.0, rules.risk - self._spent - self._level_risk) * _OF_WHAT_IS_LEFT
        why = self._why_ceiling
        for share in self._higher():
            unwatched = self._why_unwatched(sight, share)
            risk = self._risk(sight, share)
            if unwatched is None and risk <= allowed:
                return self._rise(sight, share, risk, answer)
            why = unwatched or self._bound_reason(sight, share, answer.nearest)
        return answer.end(why) if held_s >= _STUCK_S else answer.hold(why)

    def _rise(self, sight: Sight, share: float, risk: float, answer: _Answer) -> Decision:
        if self.share <= 0:
            self._idle_c = dict(sight.temps_c)
        self._before_c = dict(sight.temps_c)
        outlooks = {channel: sight.outlooks[channel] for channel in self._rules.limits_c}
        self._least_k = {name: _low_quantile(one.answer_k(share, _DWELL_S)) for name, one in outlooks.items()}
        self._drew = {name: (one.power_w, one.power_at_w(share)) for name, one in outlooks.items()}
        self._go_to(share, sight.t_s)
        self._silent = set(self._rules.limits_c)
        self._level_risk = risk
        self.reached = share >= self._rules.full_share - _HAIR
        if self.reached and self._rules.held_c:
            self.held = True
            return answer.say(ClimbAct.HAND_OVER, reason("climb-held"))
        return answer.say(ClimbAct.RISE, reason("climb-bound-allows", share=share))

    def _must_move_k(self, sight: Sight, channel: str) -> float:
        """Return by how much a reading must have moved since the last rise, K, given what its part really draws.

        Two readings of whole steps show a rise by up to a step less than it was, and by half a step as a rule.
        """
        before_w, expected_w = self._drew.get(channel, (0.0, 0.0))
        drawn = (sight.outlooks[channel].power_w - before_w) / max(expected_w - before_w, _HAIR)
        least_k = self._least_k.get(channel, 0.0) * min(1.0, max(0.0, drawn))
        step_k = self._rules.resolution_k.get(channel, 1.0)
        return max(step_k, _OF_LEAST * least_k - step_k / 2) if least_k >= 2 * step_k else 0.0

    def _await_answer(self, sight: Sight, answer: _Answer) -> Decision:
        silent = min(self._silent)
        moved_k, least_k = self._lacking(sight, silent) or (0.0, 0.0)
        if sight.t_s - self._since_s >= self._dwell_s(sight) + _LATE_S:
            return answer.end(reason("climb-no-answer", channel=silent, moved_k=moved_k, least_k=least_k))
        return answer.hold(reason("climb-awaits-answer", channel=silent))

    def _step_back(self, sight: Sight, why: Reason, answer: _Answer) -> Decision:
        """Go back to a share that is safe; end where there is none.

        What a watched part forbids is not tried again; what no sensor shows may turn out cooler.
        """
        rules = self._rules
        hidden = [part for part, risk in sight.unwatched(self.share).items() if risk > rules.unwatched_risk]
        for part in hidden:
            from_share, risk = self._sent_back.get(part, (self.share, rules.unwatched_risk))
            self._sent_back[part] = min(from_share, self.share), _TO_COME_BACK * risk
        if why.code != "climb-unwatched":
            self._ceiling, self._why_ceiling = self.share - rules.step_share / 4, why
        share = self.share
        while share > 0:
            share = max(0.0, round(share - rules.step_share / 2, 4))
            if self._risk(sight, share) <= 0.5 * rules.risk and self._why_unwatched(sight, share) is None:
                break
        if share <= 0:
            return answer.end(why)
        # What the higher share risked is averted, and not spent.
        self._level_risk = 0.0
        self._go_to(share, sight.t_s)
        self._silent, self.reached = set(), False
        return answer.say(ClimbAct.STEP_BACK, why)

    def _hand_over(self, answer: _Answer) -> Decision:
        self.held = self.reached = True
        return answer.say(ClimbAct.HAND_OVER, reason("climb-held"))

    def _go_to(self, share: float, t_s: float) -> None:
        self._spent += self._level_risk
        self._level_risk = 0.0
        self.share, self._since_s, self._hot_since_s = share, t_s, None

    def _bound_reason(self, sight: Sight, share: float, nearest: str) -> Reason:
        hottest_c, u_k = sight.outlooks[nearest].hottest_c(share, self._rules.look_ahead_s + _INTERFACE_S)
        limit_c = self._rules.limits_c[nearest]
        return reason("climb-bound", share=share, peak_c=hottest_c, u95_k=1.96 * u_k, limit_c=limit_c)

    @property
    def awaits_answer(self) -> bool:
        """Whether a sensor has not answered the last rise yet."""
        return bool(self._silent)

    @property
    def risk_taken(self) -> float:
        """What of the risk is used up: at each share the worst look counts once."""
        return self._spent + self._level_risk


class _Answer:
    """Forms the answer to one look."""

    def __init__(self, climb: Climb, sight: Sight, nearest: str, full: Settling) -> None:
        self._climb, self._sight = climb, sight
        self.nearest, self.full = nearest, full

    def say(self, act: ClimbAct, why: Reason) -> Decision:
        climb = self._climb
        return Decision(
            act=act,
            share=climb.share,
            why=why,
            full=self.full,
            nearest=self.nearest,
            risk=climb.risk_taken,
            unwatched=dict(self._sight.unwatched(climb.share)),
        )

    def hold(self, why: Reason) -> Decision:
        return self.say(ClimbAct.HOLD, why)

    def end(self, why: Reason) -> Decision:
        return self.say(ClimbAct.END, why)


def _low_quantile(values: FloatArray) -> float:
    ordered = sorted(float(v) for v in values)
    return ordered[math.floor(_LEAST_QUANTILE * (len(ordered) - 1))]
