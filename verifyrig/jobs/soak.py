"""How long a clean soak must be, from how often the fault came, and what it leaves open. Pure.

With failures that come by chance at a rate r an hour of use, T hours without any exclude rates above 3/T at 95 %:
exp(-r T) = 0.05 gives r T = 2.9957, which the trade rounds to 3 (rule of three). After k failures the upper bound is
half the 95 % point of the chi-squared distribution with 2 (k + 1) degrees of freedom (exact Poisson bound;
NIST/SEMATECH e-Handbook, exponential model of failures, from memory).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from verifyrig.core.errors import UsageError
from verifyrig.core.plain_text import duration_text

RULE_OF_THREE = 3.0
CONFIDENCE = 0.95
_HOURS = {"s": 1 / 3600, "min": 1 / 60, "h": 1.0, "day": 24.0, "week": 168.0, "month": 730.5, "year": 8766.0}
_UNIT_WORDS = {
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s",
    "m": "min", "min": "min", "mins": "min", "minute": "min", "minutes": "min",
    "h": "h", "hr": "h", "hrs": "h", "hour": "h", "hours": "h",
    "d": "day", "day": "day", "days": "day", "w": "week", "week": "week", "weeks": "week",
    "month": "month", "months": "month", "year": "year", "years": "year",
}  # fmt: skip
_NUMBER_WORDS = {
    "a": 1.0, "an": 1.0, "one": 1.0, "once": 1.0, "two": 2.0, "twice": 2.0, "three": 3.0, "four": 4.0, "five": 5.0,
    "six": 6.0, "seven": 7.0, "eight": 8.0, "nine": 9.0, "ten": 10.0, "half": 0.5, "other": 2.0, "second": 2.0,
}  # fmt: skip
_NUMBER = r"(?P<{0}>\d+(?:[.,]\d+)?|[a-z]+)"
_UNIT = r"(?P<{0}>[a-z]+)"
_USE = re.compile(rf"(?:{_NUMBER.format('n')})\s*(?P<u>h|hrs?|hours?|min|mins|minutes?)\s*(?:a|per|each|every|/)\s*day")
_TIMES = re.compile(
    rf"{_NUMBER.format('n')}\s*(?:times|x|×)?\s*(?:/|\b(?:a|an|per|each|every|in)\b)\s*{_UNIT.format('u')}"
)
_EVERY = re.compile(rf"(?:every|each)\s+(?:{_NUMBER.format('n')}\s*)?{_UNIT.format('u')}")
_INTERVAL = re.compile(rf"(?:after|about|ca)?\s*{_NUMBER.format('n')}\s*{_UNIT.format('u')}")
# A fault that is there whenever the machine is: any clean use speaks against it.
_ALWAYS = ("always", "every time", "each time", "all the time", "constantly", "permanently", "at every start")
_AT_ONCE = ("at once", "at-once", "immediately", "straight away", "right away", "from the start")
_DAILY = {"daily": "once a day", "hourly": "once a hour", "weekly": "once a week", "monthly": "once a month"}


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakPlan:
    """What the customer's "how often" asks for.

    Attributes:
        text: The customer's words.
        rate_per_h: Failures an hour of use.
        hours: Length of a soak without any failure that excludes this rate at 95 %, h of equivalent use.
    """

    text: str
    rate_per_h: float
    hours: float

    @property
    def sentence(self) -> str:
        """What is planned, in one sentence."""
        return (
            f"One failure in {duration_text(3600 / self.rate_per_h)} of use asks for "
            f"{duration_text(3600 * self.hours)} of like use without any, so that this rate is excluded at 95 % "
            "(rule of three)."
        )


def plan_soak(how_often: str) -> SoakPlan:
    """Return the plan for words such as `2 h`, `every 20 min`, `twice a week 3 h a day`.

    Failures counted by the day, week or month need the hours of use a day, for a machine that is off cannot fail.

    Raises:
        UsageError: The words are not understood, or the hours of use are missing.
    """
    rate_per_h = _rate_per_h(how_often)
    return SoakPlan(text=how_often, rate_per_h=rate_per_h, hours=RULE_OF_THREE / rate_per_h)


def always(words: str) -> bool:
    """Return whether the words mean a fault that is always there, which no soak has to wait for."""
    return " ".join(words.casefold().split()).rstrip(".!") in (*_ALWAYS, *_AT_ONCE)


def time_until_h(words: str) -> float:
    """Return how long after the start the fault comes, h: `40 s`, `after 20 min`; 0 for `at once`.

    Raises:
        UsageError: The words are not understood.
    """
    if always(words):
        return 0.0
    text = " ".join(words.casefold().replace(",", ".").replace("~", " ").split())
    found = _INTERVAL.search(text)
    if found is None or found["u"] not in _UNIT_WORDS or not 0 < _number(found["n"]) < 1e6:
        raise UsageError(
            f"{words[:80]!r} does not say how long it takes", where="time from start", mend="Write it like: 20 min."
        )
    return _number(found["n"]) * _hours(found["u"])


def rate_not_excluded_per_h(clean_hours: float, failures: int = 0) -> float:
    """Return the failure rate up to which a soak excludes nothing at 95 %, 1/h.

    Args:
        clean_hours: Length of the soak, h of use, above 0.
        failures: How many failures came in it.

    Raises:
        ValueError: The length is not above 0, or the number is negative.
    """
    if clean_hours <= 0 or failures < 0:
        raise ValueError(f"a soak of {clean_hours} h with {failures} failures")
    if failures == 0:
        return RULE_OF_THREE / clean_hours
    # Half a quantile of chi-squared; all of `scipy.stats` would take a second to load for it.
    from scipy.special import gammaincinv

    return float(gammaincinv(failures + 1, CONFIDENCE) / clean_hours)


def _rate_per_h(words: str) -> float:
    text = " ".join(words.casefold().replace(",", " , ").replace("~", " ").split())
    text = re.sub(r"(\d) , (\d)", r"\1.\2", text)
    for word, meant in _DAILY.items():
        text = re.sub(rf"\b{word}\b", meant, text)
    use = _USE.search(text)
    rest = text if use is None else (text[: use.start()] + " " + text[use.end() :]).strip(" ,;")
    use_h_per_day = None if use is None else _number(use["n"]) * _hours(use["u"])
    period_h, count = _period(rest, words)
    if use_h_per_day is not None and not 0 < use_h_per_day <= 24:
        raise _not_understood(words)
    if period_h >= _HOURS["day"]:
        if use_h_per_day is None:
            raise UsageError(
                f"{words[:80]!r} does not say how long the machine is used a day",
                where="how often",
                mend="Add it, as in: twice a week 3 h a day.",
            )
        period_h = period_h / 24 * use_h_per_day
    return count / period_h


def _period(text: str, words: str) -> tuple[float, float]:
    """Return a stretch of time, h, and how many failures come in it."""
    for pattern, counts in ((_EVERY, False), (_TIMES, True), (_INTERVAL, False)):
        found = pattern.search(text)
        if found is None or found["u"] not in _UNIT_WORDS:
            continue
        number = 1.0 if found["n"] is None else _number(found["n"])
        if not 0 < number < 1e6:
            continue
        hours = _hours(found["u"])
        return (hours, number) if counts else (number * hours, 1.0)
    raise _not_understood(words)


def _number(word: str) -> float:
    if word[0].isdigit():
        return float(word.replace(",", "."))
    return _NUMBER_WORDS.get(word, 0.0)


def _hours(unit: str) -> float:
    return _HOURS[_UNIT_WORDS[unit]]


def _not_understood(words: str) -> UsageError:
    return UsageError(
        f"{words[:80]!r} does not say how often",
        where="how often",
        mend="Write it like: 2 h, or every 20 min, or twice a week 3 h a day.",
    )
