"""Answers that carry a figure are checked where they are typed: temperatures, times, months. Pure.

An earlier job file may hold any text there; it is read as it is.
"""

from __future__ import annotations

import re

from verifyrig.core.errors import UsageError
from verifyrig.files.toml_table import shown
from verifyrig.jobs.soak import always, plan_soak, time_until_h

LONGEST_WARRANTY_MONTHS = 240
_NOT_KNOWN = ("not-known", "not known", "?", "-", "once", "only once")
# Where a machine may stand: the same bounds as for the room of a run.
_LOWEST_AMBIENT_C, _HIGHEST_AMBIENT_C = -20.0, 60.0
_DEGREES = re.compile(r"([+-]?\d+(?:[.,]\d+)?)\s*°?\s*C?", re.IGNORECASE)
_A_TIME = re.compile(r"(?:after\s+)?\d+(?:[.,]\d+)?\s*[a-z]+", re.IGNORECASE)


def check_answer(key: str, value: str, where: str) -> str:
    """Return an answer to a question of the intake unchanged.

    Raises:
        UsageError: It is to be a temperature, a time or how often, and is none.
    """
    text = value.strip()
    if not text or text.casefold() in _NOT_KNOWN:
        return value
    if key == "room":
        _check_ambient(text, where)
    elif key == "time-from-start":
        check_time(text, where)
    elif key == "how-often" and not always(text):
        plan_soak(text)
    return value


def _check_ambient(text: str, where: str) -> None:
    found = _DEGREES.fullmatch(text)
    if not found or not _LOWEST_AMBIENT_C <= float(found[1].replace(",", ".")) <= _HIGHEST_AMBIENT_C:
        raise UsageError(
            f"{shown(text)} is no temperature of a room",
            where=where,
            mend=f"Type °C between {_LOWEST_AMBIENT_C:g} and {_HIGHEST_AMBIENT_C:g}, as in 24.",
        )


def check_time(text: str, where: str) -> float:
    """Return a typed time, h: a number and its unit, and nothing besides.

    Raises:
        UsageError: It is none.
    """
    if always(text):
        return 0.0
    if not _A_TIME.fullmatch(text):
        raise UsageError(
            f"{shown(text)} is no time", where=where, mend="Write a number and its unit: 40 s, 20 min, 2 h."
        )
    return time_until_h(text)


def check_months(text: str, where: str = "--warranty") -> int:
    """Return a typed number of months; raise `UsageError` where it is none of a warranty."""
    if not text.isascii() or not text.isdigit() or int(text[:9]) > LONGEST_WARRANTY_MONTHS:
        raise UsageError(
            f"{shown(text)} is no number of months", where=where, mend=f"Type 0 to {LONGEST_WARRANTY_MONTHS}."
        )
    return int(text)
