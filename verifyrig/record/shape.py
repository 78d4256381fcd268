"""What a record may hold: a value of another kind was not written by this program, and nothing is computed from it.

SQLite keeps any value in any column, and the facts and events are JSON. What reads a record counts on the kinds
below; they are held here, once, so that a record that somebody changed is refused with a sentence and nothing else
of the bench is.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Mapping
from typing import Any

from verifyrig.bench.folder import ID_PATTERN
from verifyrig.core.event_kind import EventKind
from verifyrig.core.interfaces import Quality
from verifyrig.core.outcome import Outcome, StageEnd
from verifyrig.core.profile import StageKind

# No quantity of a machine comes near; squares and sums of it are still numbers.
LARGEST_VALUE = 1e15
_LARGEST_INTEGER = 2**63
_LARGEST_FLOAT = 1e18
_DEEPEST = 30
_FIRST_UTC_S, _LAST_UTC_S = 0.0, 32_503_680_000.0  # 1970 to 3000: what every system's calendar can show
_LONGEST_S = 1e9  # thirty years
_KINDS = frozenset(StageKind)
_STAGE_ENDS = frozenset(StageEnd)
_OUTCOMES = tuple(Outcome)  # a tuple, since what stands in a record may not be hashable

Test = Callable[[Any], bool]


def read_json(text: Any, what: str) -> Any:
    """Return the value of a JSON text with numbers that can be calculated with.

    Raises:
        sqlite3.DatabaseError: It is no JSON, or holds NaN, infinity, an integer beyond 64 bits, or deep nesting.
    """
    try:
        return _Decoder.decode(text)
    except (ValueError, TypeError, RecursionError) as error:
        raise sqlite3.DatabaseError(f"{what} is no JSON of a record") from error


def _integer(digits: str) -> int:
    value = int(digits)
    if abs(value) > _LARGEST_INTEGER:
        raise ValueError("an integer beyond 64 bits")
    return value


def _float(digits: str) -> float:
    value = float(digits)
    if not abs(value) <= _LARGEST_FLOAT:
        raise ValueError("a number beyond all bounds")
    return value


def _no_constant(word: str) -> float:
    raise ValueError(f"{word} is no number")


_Decoder = json.JSONDecoder(parse_int=_integer, parse_float=_float, parse_constant=_no_constant)


def is_number(value: Any) -> bool:
    """Return whether this is a finite number of a size that can be calculated with."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= LARGEST_VALUE


def is_time_s(value: Any) -> bool:
    """Return whether this can be a time since a run began, s."""
    return is_number(value) and -1.0 <= value <= _LONGEST_S


def is_utc_s(value: Any) -> bool:
    """Return whether this can be a wall-clock time, s since 1970."""
    return is_number(value) and _FIRST_UTC_S <= value <= _LAST_UTC_S


def _is_text(value: Any) -> bool:
    return isinstance(value, str)


def _is_flag(value: Any) -> bool:
    return isinstance(value, bool)


def _is_id(value: Any) -> bool:
    return isinstance(value, str) and ID_PATTERN.fullmatch(value) is not None


def _or_none(test: Test) -> Test:
    return lambda value: value is None or test(value)


def _listed(test: Test) -> Test:
    return lambda value: isinstance(value, list) and all(map(test, value))


def _table(**keys: Test) -> Test:
    """Return a test for an object whose named keys, where they are there, hold the right kind; others are free."""
    return lambda value: isinstance(value, dict) and all(test(value[key]) for key, test in keys.items() if key in value)


def _each(test: Test) -> Test:
    return lambda value: isinstance(value, dict) and all(map(test, value.values()))


_NUMBER, _TEXT = _or_none(is_number), _or_none(_is_text)
_CHANNEL = _table(
    channel=_is_text, label=_TEXT, device=_TEXT, source=_TEXT, quantity=_TEXT, unit=_TEXT, driver=_TEXT,
    unreadable=_TEXT, note=_TEXT, limit=_NUMBER, resolution=_NUMBER, refresh_s=_NUMBER, expanded_uncertainty=_NUMBER,
    correction=_NUMBER, correction_slope=_NUMBER, correction_at=_NUMBER,
)  # fmt: skip
_FACTS: Mapping[str, Test] = {
    "run": _is_id,
    "schema_version": is_number,
    "tool_version": _TEXT,
    "analysis_version": _TEXT,
    "profile_name": _TEXT,
    "profile_text": _TEXT,
    "recipe": _TEXT,
    "purpose": _TEXT,
    "job": _TEXT,
    "unit": _TEXT,
    "batch": _TEXT,
    "operator": _TEXT,
    "bench": _TEXT,
    "rework": _TEXT,
    "board": _TEXT,
    "simulated": _is_flag,
    "simulated_case": _TEXT,
    "started_utc_s": _or_none(is_utc_s),
    "utc_known": _is_flag,
    "period_s": _or_none(is_number),
    "ambient": _or_none(_table(value_c=_NUMBER, u95_k=_NUMBER, source=_TEXT)),
    "states": _or_none(_each(_TEXT)),
    "machine": _or_none(_table(maker=_TEXT, model=_TEXT, board=_TEXT, firmware=_TEXT, processor=_TEXT, system=_TEXT,
                               kernel=_TEXT, boot_id=_TEXT, governor=_TEXT, memory_bytes=_NUMBER)),
    "channels": lambda value: _each(_CHANNEL)(value) or _listed(_CHANNEL)(value) or _listed(_is_text)(value),
    "not_armed": _or_none(_listed(_is_text)),
    "not_watched": _or_none(_listed(_is_text)),
    "blind": _is_flag,
    "refusals": _or_none(_listed(_is_text)),
    "stopped_because": _or_none(_listed(_is_text)),
    "attestation": _or_none(_table()),
    "imported": _or_none(_table()),
    "outcome": _or_none(lambda value: _is_text(value) and value in _OUTCOMES),
    "cause": _or_none(_table(**{"class": _TEXT, "why": _or_none(_listed(_is_text))})),
    "cause_reasons": _or_none(_listed(_table())),
    "refusal_reasons": _or_none(_listed(_table())),
    "stopped_reasons": _or_none(_listed(_table())),
    "trip": _or_none(_table(rule=_TEXT, channel=_TEXT, value=_NUMBER, limit=_NUMBER, stage=_TEXT, t_s=_NUMBER,
                            load_off_s=_NUMBER)),
    "keeper": _or_none(_table(boot_id=_TEXT, host=_TEXT, pid=_NUMBER, started=_NUMBER)),
    "live": _is_flag,
    "largest_lag_s": _NUMBER,
    "went_dark": _TEXT,
}  # fmt: skip
_EVENTS: Mapping[str, Test] = {
    EventKind.LOAD: _table(share=is_number, checks_done=is_number, gone_s=_NUMBER),
    EventKind.IDLE_DISTURBED: _table(busy_share=is_number, stage=_TEXT),
    EventKind.SUSPEND: _table(slept_s=is_number),
    EventKind.CLIMB: _table(
        act=_is_text,
        share=is_number,
        channel=_TEXT,
        full_c=_NUMBER,
        full_u95_k=_NUMBER,
        risk=is_number,
        not_watched=_each(is_number),
    ),
}


def sound_facts(facts: Mapping[str, Any]) -> tuple[dict[str, Any], str]:
    """Return the facts that are of their kind, and which is the first that is not, in words; empty where all are."""
    sound, odd = {}, ""
    for key, value in facts.items():
        if _FACTS.get(key, _is_anything)(value) and not _is_deep(value):
            sound[key] = value
        else:
            odd = odd or f"the fact {key!r} holds something that it never held"
    return sound, odd


def _is_anything(_value: Any) -> bool:
    return True


def _is_deep(value: Any) -> bool:
    left = [(value, 0)]
    while left:
        item, depth = left.pop()
        if depth > _DEEPEST:
            return True
        inner = item.values() if isinstance(item, dict) else item if isinstance(item, list) else ()
        left += [(one, depth + 1) for one in inner]
    return False


def check_stage(row: tuple[Any, ...], names: set[str], last_start_s: float) -> None:
    """Raise `sqlite3.DatabaseError` unless the row is a stage that can follow those before it.

    Args:
        row: name, kind, start_s, end_s, ended.
        names: Names of the stages before it.
        last_start_s: When the one before began, s.
    """
    name, kind, start_s, end_s, ended = row
    if not (_is_text(name) and 0 < len(name) <= 200 and name not in names):
        raise sqlite3.DatabaseError("a stage has no name, or that of another")
    if not (_is_text(kind) and kind in _KINDS):
        raise sqlite3.DatabaseError(f"a stage is of a kind that there never was: {str(kind)[:40]!r}")
    if not is_time_s(start_s) or start_s < last_start_s:
        raise sqlite3.DatabaseError("a stage begins before the one that it follows")
    if not (end_s is None or (is_time_s(end_s) and end_s >= start_s)):
        raise sqlite3.DatabaseError("a stage ends before it begins")
    if not (ended is None or (_is_text(ended) and ended in _STAGE_ENDS)):
        raise sqlite3.DatabaseError(f"a stage ended in a way that there never was: {str(ended)[:40]!r}")


def check_quality(row: tuple[Any, ...]) -> None:
    """Raise `sqlite3.DatabaseError` unless the row (channel, from_s, to_s, quality, note) is an interval of quality."""
    channel, from_s, to_s, quality, note = row
    times = is_time_s(from_s) and (to_s is None or is_time_s(to_s))
    if not (_is_text(channel) and times and _is_text(note) and quality in _QUALITIES):
        raise sqlite3.DatabaseError("an interval of quality holds something that it never held")


_QUALITIES = frozenset(quality.value for quality in Quality)


def check_event(t_s: Any, kind: Any, detail: Any) -> None:
    """Raise `sqlite3.DatabaseError` unless these are time, kind and detail of an event."""
    fits = is_time_s(t_s) and _is_text(kind) and isinstance(detail, dict) and not _is_deep(detail)
    if not fits or not _EVENTS.get(kind, _is_anything)(detail):
        raise sqlite3.DatabaseError(f"an event ({str(kind)[:40]!r}) holds something that it never held")
