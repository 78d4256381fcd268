"""What ended a run: heat, the path of the power, a crash, a hang, a program or a person; with reasons, never as proven.

The weighing follows the trade's reading of shut-offs: hot at the cut speaks for heat; cool at the cut, at a step of
the load or with a sagging rail for the power; wrong results, crash records and hardware errors for the software,
memory or processor. What the system's own log says outweighs all of it. The weights (natural logarithms of odds) are
judgement, held against simulated machines by a benchmark; common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.trace import Trace
from verifyrig.runs.contract import PostMortemObject
from verifyrig.runs.last_moments import CutTemperature, LastMoments, last_moments
from verifyrig.system.history.entries import LogEntry
from verifyrig.system.history.words import Speaks, speaks_for, words_of


class Reason(StrEnum):
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
    """The finding on one run that broke off.

    Attributes:
        verdict: The likeliest reason; `UNCLEAR` where none stands out.
        sentence: The verdict in words for a person.
        reasons, against: What speaks for it and against it, as clauses.
        shares: How the weighing divides between heat, power and software; empty where nothing had to be weighed.
        moments: The figures behind it.
        restart_s: From the last sample to the next start of the system, s, where that is known.
        remembered: What the system's logs say of the time around the end.
    """

    verdict: Reason
    sentence: str
    reasons: tuple[str, ...]
    against: tuple[str, ...]
    shares: dict[Reason, float]
    moments: LastMoments
    restart_s: float | None = None
    remembered: tuple[LogEntry, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sign:
    """One piece of evidence: how far it moves each reason, and what it says."""

    what: str
    heat: float = 0.0
    power: float = 0.0
    software: float = 0.0

    def weight(self, reason: Reason) -> float:
        return {Reason.HEAT: self.heat, Reason.POWER: self.power, Reason.SOFTWARE: self.software}[reason]


_WEIGHED = (Reason.HEAT, Reason.POWER, Reason.SOFTWARE)
_PRIOR = {Reason.HEAT: 0.0, Reason.POWER: 0.0, Reason.SOFTWARE: -1.5}
_CLEAR_SHARE = 0.6
# Below this no processor, board or system cuts for heat: trade limits lie at 85 °C and above.
_NEVER_HEAT_BELOW_C = 70.0
_HOT_BOARD_C = 100.0
_SOON_AFTER_EDGE_S = 5.0
_BY_ITSELF_S = 60.0
_TOLD: dict[str, tuple[Reason, str]] = {
    CauseClass.OPERATOR: (Reason.OPERATOR, "A person ended it."),
    CauseClass.TERMINATED: (
        Reason.OPERATOR,
        "It was told to end, by a person or by the system shutting down in order.",
    ),
    CauseClass.KILLED: (
        Reason.SOFTWARE,
        "The program was killed while the system went on; that says nothing of the machine.",
    ),
    CauseClass.SUSPEND: (Reason.SLEEP, "The system went to sleep."),
}
_SENTENCES = {
    Reason.HEAT: "Most likely it was switched off because of heat.",
    Reason.POWER: "Most likely the power gave way: supply, its leads, the outlet, or the board's input.",
    Reason.SOFTWARE: "Most likely it crashed and restarted: memory, processor or software, not heat or lost power.",
    Reason.UNCLEAR: "What the record holds does not tell heat, power and crash apart.",
}


def explain_end(
    trace: Trace, remembered: Sequence[LogEntry] = (), restarted_utc_s: float | None = None
) -> PostMortem | None:
    """Return what ended a run; None where it ended in order, was tripped or stopped, or is not over.

    Args:
        remembered: What the system's logs say of the time around the end.
        restarted_utc_s: When the system started again, s since 1970, where that is known.
    """
    cause = trace.recorded.cause
    if trace.recorded.outcome != Outcome.INTERRUPTED or cause is None:
        return None
    moments = last_moments(trace)
    restart_s = _restart_s(trace, restarted_utc_s)
    kind, why = str(cause.get("class")), tuple(map(str, cause.get("why") or ()))
    if kind in _TOLD:
        verdict, sentence = _TOLD[kind]
        return _finding(verdict, sentence, why, (), {}, moments, restart_s)
    if kind == CauseClass.HANG:
        found = _hang(why, moments, restart_s)
    else:
        found = _weigh(moments, list(_signs(moments, remembered, restart_s)), remembered, restart_s)
    return replace(found, remembered=tuple(remembered))


def _finding(
    verdict: Reason,
    sentence: str,
    reasons: Iterable[str],
    against: Iterable[str],
    shares: dict[Reason, float],
    moments: LastMoments,
    restart_s: float | None,
) -> PostMortem:
    return PostMortem(
        verdict=verdict,
        sentence=sentence,
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


def _hang(why: Iterable[str], moments: LastMoments, restart_s: float | None) -> PostMortem:
    reasons = list(why)
    if moments.compute_errors:
        reasons.append(f"{moments.compute_errors} wrong results came before: memory or processor")
    sentence = "The system hung: it had power, and nothing went on."
    return _finding(Reason.HANG, sentence, reasons, (), {}, moments, restart_s)


# ---- weighing -----------------------------------------------------------------------------------------------------


def _weigh(
    moments: LastMoments, signs: Sequence[_Sign], remembered: Sequence[LogEntry], restart_s: float | None
) -> PostMortem:
    if any(speaks_for(entry) is Speaks.BUTTON for entry in remembered):
        what = [words_of(entry) for entry in remembered if speaks_for(entry) is Speaks.BUTTON]
        sentence = "A button or its lead ended it, by hand or by a fault of the wiring."
        return _finding(Reason.OPERATOR, sentence, what, (), {}, moments, restart_s)
    odds = {reason: _PRIOR[reason] + sum(sign.weight(reason) for sign in signs) for reason in _WEIGHED}
    if not _may_be_heat(moments, remembered):
        odds[Reason.HEAT] = -math.inf
    shares = _shares(odds)
    likeliest = max(shares, key=lambda reason: shares[reason])
    verdict = likeliest if shares[likeliest] >= _CLEAR_SHARE else Reason.UNCLEAR
    return _finding(
        verdict,
        _SENTENCES[verdict],
        [sign.what for sign in signs if sign.weight(likeliest) > 0],
        [sign.what for sign in signs if sign.weight(likeliest) < 0],
        shares,
        moments,
        restart_s,
    )


def _shares(odds: dict[Reason, float]) -> dict[Reason, float]:
    top = max(odds.values())
    weights = {reason: math.exp(value - top) for reason, value in odds.items()}
    return {reason: weight / sum(weights.values()) for reason, weight in weights.items()}


def _may_be_heat(moments: LastMoments, remembered: Sequence[LogEntry]) -> bool:
    """Whether anything was hot enough to be cut for heat, or the system says that it was, or nobody measured."""
    if any(speaks_for(entry) is Speaks.HEAT for entry in remembered):
        return True
    hot = [t for t in (moments.die, *moments.others) if t is not None and t.channel not in _COOL_SIDE]
    return not hot or any(t.high_c >= _NEVER_HEAT_BELOW_C for t in hot)


_COOL_SIDE = ("ambient_temp_c", "inlet_temp_c", "exhaust_temp_c", "radiator_temp_c", "coolant_temp_c")


def _signs(moments: LastMoments, remembered: Sequence[LogEntry], restart_s: float | None) -> Iterable[_Sign]:
    yield from _signs_of_log(remembered)
    yield from _signs_of_heat(moments)
    yield from _signs_of_load(moments)
    yield from _signs_of_rails(moments)
    if moments.compute_errors:
        yield _Sign(what=f"{moments.compute_errors} wrong results before the end", software=4.5, heat=-0.5, power=-0.5)
    if restart_s is not None:
        yield from _signs_of_restart(restart_s)


def _signs_of_log(remembered: Sequence[LogEntry]) -> Iterable[_Sign]:
    for entry in remembered:
        what = f"the system says: {words_of(entry)}"
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
            yield _Sign(what=f"the board's regulators were at {other.estimate_c:.0f} °C", heat=4.0)
    if moments.throttled:
        yield _Sign(what="the processor had slowed down because of heat", heat=1.5)


def _sign_of_die(die: CutTemperature) -> _Sign:
    margin_k = die.limit_c - die.high_c
    limit = f"{'its' if die.limit_known else 'a usual'} limit of {die.limit_c:.0f} °C"
    if die.capped or margin_k <= 2:
        more = "at or above " if die.capped else ""
        return _Sign(what=f"the die was {more}{_range_text(die)}, at {limit}", heat=4.0, power=-0.5, software=-0.5)
    if margin_k <= 10:
        return _Sign(what=f"the die was at {_range_text(die)}, close to {limit}", heat=1.5)
    if margin_k <= 20:
        return _Sign(what=f"the die was at {_range_text(die)}, {margin_k:.0f} K below {limit}", heat=-1.5)
    return _Sign(what=f"the die was only at {_range_text(die)}, {margin_k:.0f} K below {limit}", heat=-5.0)


def _range_text(die: CutTemperature) -> str:
    if die.high_c - die.low_c < 1.5:
        return f"{die.estimate_c:.0f} °C"
    return f"{die.estimate_c:.0f} °C ({die.low_c:.0f} to {die.high_c:.0f})"


def _signs_of_load(moments: LastMoments) -> Iterable[_Sign]:
    if not moments.under_load or moments.load_s is None:
        yield _Sign(what="no load was on", heat=-1.0)
    elif moments.load_s <= _SOON_AFTER_EDGE_S:
        yield _Sign(what=f"the load had risen {moments.load_s:.1f} s before", power=2.5, heat=-1.0)
    else:
        yield _Sign(what=f"the load had been on for {moments.load_s:.0f} s", power=-0.7)


_RAIL_NAMES = {"rail_12v_v": "12 V", "rail_5v_v": "5 V", "rail_3v3_v": "3.3 V"}


def _signs_of_rails(moments: LastMoments) -> Iterable[_Sign]:
    for rail in moments.rails:
        name = _RAIL_NAMES[rail.channel]
        drop = rail.below_rest if rail.below_rest is not None else rail.below_nominal
        if rail.below_nominal >= 0.05 or drop >= 0.04:
            yield _Sign(what=f"the {name} rail fell to {rail.lowest_v:.2f} V", power=2.0)
        elif rail.channel == "rail_12v_v" and drop < 0.015:
            yield _Sign(what=f"the {name} rail held ({rail.lowest_v:.2f} V)", power=-0.7)


def _signs_of_restart(restart_s: float) -> Iterable[_Sign]:
    if restart_s <= _BY_ITSELF_S:
        yield _Sign(what=f"it was up again after {restart_s:.0f} s", software=1.0)
    elif restart_s >= 2 * _BY_ITSELF_S:
        yield _Sign(what=f"it was up again only after {restart_s / 60:.0f} min", heat=0.3, power=0.3)


# ---- as JSON ------------------------------------------------------------------------------------------------------


def as_json(found: PostMortem) -> PostMortemObject:
    """Return the finding as JSON can hold it."""
    die = found.moments.die
    return {
        "verdict": found.verdict.value,
        "sentence": found.sentence,
        "for": list(found.reasons),
        "against": list(found.against),
        "shares": {reason.value: round(share, 3) for reason, share in found.shares.items()},
        "die_at_cut_c": None
        if die is None
        else {"last": die.last_c, "estimate": die.estimate_c, "low": die.low_c, "high": die.high_c, "age_s": die.age_s},
        "power_w": found.moments.power_w,
        "load_s": found.moments.load_s,
        "restart_s": found.restart_s,
    }
