"""What ended a run: heat, the path of the power, a crash, a hang, a program or a person; with reasons, never as proven.

The weighing follows the trade's reading of shut-offs: hot at the cut speaks for heat; cool at the cut, at a step of
the load or with a sagging rail for the power; wrong results, crash records and hardware errors for the software,
memory or processor. What the system's own log says outweighs all of it. The weights (natural logarithms of odds) are
judgement, checked against simulated machines by a benchmark; common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.reason import Reason, reason
from verifyrig.core.trace import Trace
from verifyrig.runs.contract import PostMortemObject
from verifyrig.runs.last_moments import CutTemperature, LastMoments, last_moments
from verifyrig.system.history.entries import LogEntry
from verifyrig.system.history.words import Speaks, meaning_of, speaks_for


class EndedBy(StrEnum):
    """What ended a run."""

    HEAT = "thermal-cut"
    POWER = "power-path"
    SOFTWARE = "software"
    HANG = "hang"
    OPERATOR = "operator"
    SLEEP = "suspend"
    UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True, kw_only=True)
class PostMortem:
    """The finding on one interrupted run.

    Attributes:
        verdict: What ended it most likely; `UNCLEAR` where nothing stands out.
        conclusion: The verdict as one sentence.
        reasons, against: What speaks for it and against it, as clauses; texts from outside as they are.
        shares: How the weighing divides between heat, power and software; empty where nothing had to be weighed.
        moments: The figures behind it.
        restart_s: From the last sample to the next start of the system, s, where that is known.
        remembered: What the system's logs say of the time around the end.
    """

    verdict: EndedBy
    conclusion: Reason
    reasons: tuple[Reason | str, ...]
    against: tuple[Reason, ...]
    shares: dict[EndedBy, float]
    moments: LastMoments
    restart_s: float | None = None
    remembered: tuple[LogEntry, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sign:
    """One piece of evidence: how far it speaks for each, and what it says."""

    what: Reason
    heat: float = 0.0
    power: float = 0.0
    software: float = 0.0

    def weight(self, ended_by: EndedBy) -> float:
        return {EndedBy.HEAT: self.heat, EndedBy.POWER: self.power, EndedBy.SOFTWARE: self.software}[ended_by]


_WEIGHED = (EndedBy.HEAT, EndedBy.POWER, EndedBy.SOFTWARE)
_PRIOR = {EndedBy.HEAT: 0.0, EndedBy.POWER: 0.0, EndedBy.SOFTWARE: -1.5}
_CLEAR_SHARE = 0.6
# Below this no processor, board or system cuts for heat: trade limits lie at 85 °C and above.
_NEVER_HEAT_BELOW_C = 70.0
_HOT_BOARD_C = 100.0
_SOON_AFTER_STEP_S = 5.0
_BY_ITSELF_S = 60.0
_OF_LOG: dict[str, tuple[EndedBy, Reason]] = {
    CauseClass.OPERATOR: (EndedBy.OPERATOR, reason("end-person")),
    CauseClass.TERMINATED: (EndedBy.OPERATOR, reason("end-told")),
    CauseClass.KILLED: (EndedBy.SOFTWARE, reason("end-killed")),
    CauseClass.SUSPEND: (EndedBy.SLEEP, reason("end-asleep")),
}
_WEIGHED_TOLD = {
    EndedBy.HEAT: reason("end-heat"),
    EndedBy.POWER: reason("end-power"),
    EndedBy.SOFTWARE: reason("end-crash"),
    EndedBy.UNCLEAR: reason("end-unclear"),
}


def explain_end(
    trace: Trace, remembered: Sequence[LogEntry] = (), restarted_utc_s: float | None = None
) -> PostMortem | None:
    """Return what ended a run; None where it ended in order, was tripped or stopped, had no load, or is not over.

    Args:
        remembered: What the system's logs say of the time around the end.
        restarted_utc_s: When the system started again, s since 1970, where that is known.
    """
    cause = trace.recorded.cause
    if trace.recorded.outcome != Outcome.INTERRUPTED or cause is None:
        return None
    moments = last_moments(trace)
    restart_s = _restart_s(trace, restarted_utc_s)
    kind, why = str(cause.get("class")), trace.why_interrupted
    if kind == CauseClass.LOAD_FAILED:
        return None
    if kind in _OF_LOG:
        verdict, conclusion = _OF_LOG[kind]
        return _finding(verdict, conclusion, why, (), {}, moments, restart_s)
    if kind == CauseClass.HANG:
        found = _hang(why, moments, restart_s)
    else:
        # A system that runs from memory would not know of its own crash: that it tells of none says nothing then.
        crash_is_kept = not any(isinstance(part, Reason) and part.code == "no-log-left" for part in why)
        signs = list(_signs(moments, remembered, restart_s, crash_is_kept=crash_is_kept))
        found = _weigh(moments, signs, remembered, restart_s, crash_is_kept=crash_is_kept)
    return replace(found, remembered=tuple(remembered))


def _finding(
    verdict: EndedBy,
    conclusion: Reason,
    reasons: Iterable[Reason | str],
    against: Iterable[Reason],
    shares: dict[EndedBy, float],
    moments: LastMoments,
    restart_s: float | None,
) -> PostMortem:
    return PostMortem(
        verdict=verdict,
        conclusion=conclusion,
        reasons=tuple(reasons),
        against=tuple(against),
        shares=shares,
        moments=moments,
        restart_s=restart_s,
    )


def _restart_s(trace: Trace, restarted_utc_s: float | None) -> float | None:
    if restarted_utc_s is None or not len(trace.utc_s):
        return None
    delay_s = restarted_utc_s - float(trace.utc_s[-1])
    return delay_s if delay_s >= 0 else None


def _hang(why: Iterable[Reason | str], moments: LastMoments, restart_s: float | None) -> PostMortem:
    reasons = list(why)
    if moments.compute_errors:
        reasons.append(reason("errors-before-hang", count=moments.compute_errors))
    return _finding(EndedBy.HANG, reason("end-hang"), reasons, (), {}, moments, restart_s)


# ---- weighing -----------------------------------------------------------------------------------------------------


def _weigh(
    moments: LastMoments,
    signs: Sequence[_Sign],
    remembered: Sequence[LogEntry],
    restart_s: float | None,
    *,
    crash_is_kept: bool,
) -> PostMortem:
    if any(speaks_for(entry) is Speaks.BUTTON for entry in remembered):
        what = [meaning_of(entry) for entry in remembered if speaks_for(entry) is Speaks.BUTTON]
        return _finding(EndedBy.OPERATOR, reason("end-button"), what, (), {}, moments, restart_s)
    prior = _PRIOR if crash_is_kept else dict.fromkeys(_WEIGHED, 0.0)
    odds = {ended_by: prior[ended_by] + sum(sign.weight(ended_by) for sign in signs) for ended_by in _WEIGHED}
    if not _may_be_heat(moments, remembered):
        odds[EndedBy.HEAT] = -math.inf
    shares = _shares(odds)
    likeliest = max(shares, key=lambda ended_by: shares[ended_by])
    # By elimination alone nothing is found: a crash that nobody wrote down looks like a cut of the power.
    spoken_for = any(sign.weight(likeliest) > 0 for sign in signs)
    verdict = likeliest if spoken_for and shares[likeliest] >= _CLEAR_SHARE else EndedBy.UNCLEAR
    return _finding(
        verdict,
        _WEIGHED_TOLD[verdict],
        [sign.what for sign in signs if sign.weight(likeliest) > 0],
        [sign.what for sign in signs if sign.weight(likeliest) < 0],
        shares,
        moments,
        restart_s,
    )


def _shares(odds: dict[EndedBy, float]) -> dict[EndedBy, float]:
    top = max(odds.values())
    weights = {ended_by: math.exp(value - top) for ended_by, value in odds.items()}
    return {ended_by: weight / sum(weights.values()) for ended_by, weight in weights.items()}


def _may_be_heat(moments: LastMoments, remembered: Sequence[LogEntry]) -> bool:
    """Whether anything was hot enough to be cut for heat, or the system says that it was, or nobody measured."""
    if any(speaks_for(entry) is Speaks.HEAT for entry in remembered):
        return True
    hot = [t for t in (moments.die, *moments.others) if t is not None and t.channel not in _COOL_SIDE]
    return not hot or any(t.high_c >= _NEVER_HEAT_BELOW_C for t in hot)


_COOL_SIDE = ("ambient_temp_c", "inlet_temp_c", "exhaust_temp_c", "radiator_temp_c", "coolant_temp_c")


def _signs(
    moments: LastMoments, remembered: Sequence[LogEntry], restart_s: float | None, *, crash_is_kept: bool
) -> Iterable[_Sign]:
    yield from _signs_of_log(remembered)
    yield from _signs_of_heat(moments)
    yield from _signs_of_load(moments, crash_is_kept=crash_is_kept)
    yield from _signs_of_rails(moments)
    if moments.compute_errors:
        yield _Sign(what=reason("errors-before-end", count=moments.compute_errors), software=4.5, heat=-0.5, power=-0.5)
    # A kernel that runs from memory stands still after a crash; whoever is there starts it again, soon or late.
    if restart_s is not None and crash_is_kept:
        yield from _signs_of_restart(restart_s)


def _signs_of_log(remembered: Sequence[LogEntry]) -> Iterable[_Sign]:
    for entry in remembered:
        what = reason("system-says", what=(meaning_of(entry),))
        speaks = speaks_for(entry)
        if speaks is Speaks.HEAT:
            yield _Sign(what=what, heat=6.0)
        elif speaks in (Speaks.CRASH, Speaks.HARDWARE_ERROR, Speaks.WATCHDOG):
            yield _Sign(what=what, software=5.0)
        elif speaks is Speaks.POWER:
            yield _Sign(what=what, power=1.0)


def _signs_of_heat(moments: LastMoments) -> Iterable[_Sign]:
    die = moments.die
    if die is not None:
        yield _sign_of_die(die)
    for other in moments.others:
        if other.channel.startswith("vrm") and other.high_c >= _HOT_BOARD_C:
            yield _Sign(what=reason("regulators-hot", temp_c=other.estimate_c), heat=4.0)
    if moments.throttled:
        yield _Sign(what=reason("slowed-by-heat"), heat=1.5)


def _sign_of_die(die: CutTemperature) -> _Sign:
    margin_k = die.limit_c - die.high_c
    at = {
        "die": (_range(die),),
        "limit": (reason("its-limit" if die.limit_known else "usual-limit", limit_c=die.limit_c),),
    }
    if die.capped or margin_k <= 2:
        what = Reason("die-at-or-above-limit" if die.capped else "die-at-limit", at)
        return _Sign(what=what, heat=4.0, power=-0.5, software=-0.5)
    if margin_k <= 10:
        return _Sign(what=Reason("die-close-to-limit", at), heat=1.5)
    if margin_k <= 20:
        return _Sign(what=Reason("die-below-limit", {**at, "margin_k": margin_k}), heat=-1.5)
    return _Sign(what=Reason("die-far-below-limit", {**at, "margin_k": margin_k}), heat=-5.0)


def _range(die: CutTemperature) -> Reason:
    if die.high_c - die.low_c < 1.5:
        return reason("temperature", temp_c=die.estimate_c)
    return reason("temperature-range", temp_c=die.estimate_c, low_c=die.low_c, high_c=die.high_c)


def _signs_of_load(moments: LastMoments, *, crash_is_kept: bool) -> Iterable[_Sign]:
    if not moments.under_load or moments.load_s is None:
        yield _Sign(what=reason("no-load-on"), heat=-1.0)
    elif moments.load_s <= _SOON_AFTER_STEP_S:
        # It brings down a weak supply and a processor that no longer computes at its voltage alike: what parts them is
        # the log of the crash.
        software = 0.0 if crash_is_kept else 2.5
        yield _Sign(what=reason("load-just-risen", load_s=moments.load_s), power=2.5, heat=-1.0, software=software)
    else:
        yield _Sign(what=reason("load-long-on", load_s=moments.load_s), power=-0.7)


_RAIL_NAMES = {"rail_12v_v": "12 V", "rail_5v_v": "5 V", "rail_3v3_v": "3.3 V"}


def _signs_of_rails(moments: LastMoments) -> Iterable[_Sign]:
    for rail in moments.rails:
        name = _RAIL_NAMES[rail.channel]
        drop = rail.below_idle if rail.below_idle is not None else rail.below_nominal
        if rail.below_nominal >= 0.05 or drop >= 0.04:
            yield _Sign(what=reason("rail-fell", rail=name, lowest_v=rail.lowest_v), power=2.0)
        elif rail.channel == "rail_12v_v" and drop < 0.015:
            yield _Sign(what=reason("rail-held", rail=name, lowest_v=rail.lowest_v), power=-0.7)


def _signs_of_restart(restart_s: float) -> Iterable[_Sign]:
    if restart_s <= _BY_ITSELF_S:
        yield _Sign(what=reason("up-again-soon", restart_s=restart_s), software=1.0)
    elif restart_s >= 2 * _BY_ITSELF_S:
        yield _Sign(what=reason("up-again-late", restart_min=restart_s / 60), heat=0.3, power=0.3)


# ---- as JSON ------------------------------------------------------------------------------------------------------


def as_json(found: PostMortem) -> PostMortemObject:
    """Return the finding as JSON can hold it."""
    die = found.moments.die
    return {
        "verdict": found.verdict.value,
        "sentence": str(found.conclusion),
        "for": list(map(str, found.reasons)),
        "against": list(map(str, found.against)),
        "shares": {ended_by.value: round(share, 3) for ended_by, share in found.shares.items()},
        "die_at_cut_c": None
        if die is None
        else {"last": die.last_c, "estimate": die.estimate_c, "low": die.low_c, "high": die.high_c, "age_s": die.age_s},
        "power_w": found.moments.power_w,
        "load_s": found.moments.load_s,
        "restart_s": found.restart_s,
    }
