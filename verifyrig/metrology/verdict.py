"""Verdicts: a measured figure against its limits, with a guard band as wide as the uncertainty.

Source of the rule: ILAC-G8:09/2019, 4.2.3 (non-binary statement, guard band w = U); the wording of the
four outcomes was read in a public copy. Probabilities: JCGM 106:2012, clause 7 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from enum import StrEnum

__all__ = ["MILDEST_FIRST", "Verdict", "judge", "plain_word", "shape", "worst"]


class Verdict(StrEnum):
    """What may be said of a figure and its limits."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional-pass"
    CONDITIONAL_FAIL = "conditional-fail"
    FAIL = "fail"
    NOT_MEASURED = "not-measured"


MILDEST_FIRST = (
    Verdict.PASS,
    Verdict.CONDITIONAL_PASS,
    Verdict.CONDITIONAL_FAIL,
    Verdict.NOT_MEASURED,
    Verdict.FAIL,
)

_PLAIN_WORD = {
    Verdict.PASS: "passed",
    Verdict.CONDITIONAL_PASS: "inside the limit, not proven",
    Verdict.CONDITIONAL_FAIL: "over the limit, not proven",
    Verdict.FAIL: "failed",
    Verdict.NOT_MEASURED: "not measured",
}

# A round shape leans towards pass, a pointed one towards fail; filled is proven, hollow is not.
_SHAPE = {
    Verdict.PASS: "●",
    Verdict.CONDITIONAL_PASS: "○",
    Verdict.CONDITIONAL_FAIL: "△",
    Verdict.FAIL: "▲",
    Verdict.NOT_MEASURED: "◇",
}


def judge(
    value: float | None,
    u95: float | None,
    *,
    minimum: float | None = None,
    maximum: float | None = None,
) -> Verdict:
    """Return the verdict on `value` with expanded uncertainty `u95`, both in the limits' unit.

    A figure exactly on an acceptance limit is accepted, as in the rule's own wording. With two limits the
    worse of the two answers counts. A count has `u95` = 0 and is then only ever pass or fail. A value or
    uncertainty that is None, NaN or infinite was not measured.

    Raises:
        ValueError: No limit is given, the limits contradict one another, or `u95` is negative.

    Source: ILAC-G8:09/2019, 4.2.3.
    """
    if minimum is None and maximum is None:
        raise ValueError("judge() needs a minimum or a maximum")
    if minimum is not None and maximum is not None and minimum > maximum:
        raise ValueError(f"minimum {minimum} lies above maximum {maximum}")
    if value is None or u95 is None or not (math.isfinite(value) and math.isfinite(u95)):
        return Verdict.NOT_MEASURED
    if u95 < 0:
        raise ValueError(f"u95 is {u95}; an uncertainty is never negative")
    verdicts = []
    if maximum is not None:
        verdicts.append(_judge_upper(value, u95, maximum))
    if minimum is not None:
        verdicts.append(_judge_upper(-value, u95, -minimum))
    return worst(verdicts)


def _judge_upper(value: float, u95: float, limit: float) -> Verdict:
    if value <= limit - u95:
        return Verdict.PASS
    if value <= limit:
        return Verdict.CONDITIONAL_PASS
    return Verdict.CONDITIONAL_FAIL if value <= limit + u95 else Verdict.FAIL


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the worst of them, not-measured for none.

    Worst first: fail, not-measured, conditional-fail, conditional-pass, pass.
    """
    return max(verdicts, key=MILDEST_FIRST.index, default=Verdict.NOT_MEASURED)


def plain_word(verdict: Verdict) -> str:
    """Return the verdict in words for a person at the bench or the counter."""
    return _PLAIN_WORD[verdict]


def shape(verdict: Verdict) -> str:
    """Return one character whose form, not its colour, shows the verdict."""
    return _SHAPE[verdict]
