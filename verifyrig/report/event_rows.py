"""What happened in the runs, line by line, for the archive: kinds and facts of events in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from verifyrig.core.channels import is_channel
from verifyrig.core.event_kind import EventKind
from verifyrig.core.plain_text import plain_line
from verifyrig.core.trace import SENTENCE_KEYS, Event
from verifyrig.report.done import plain
from verifyrig.report.inputs import ReportInput
from verifyrig.report.names import channel_label
from verifyrig.report.reasons import reason_text
from verifyrig.report.wording import Words

_MOST_EVENTS, _LONGEST = 400, 400
KINDS: Mapping[EventKind, str] = {
    EventKind.LOAD: "load commanded",
    EventKind.CLIMB: "look of a climbing load",
    EventKind.LOAD_REFUSED: "load refused",
    EventKind.LOAD_LEFT_OUT: "load left out",
    EventKind.LOAD_NOTE: "note on the load",
    EventKind.BRING_UP_ENDED: "load ended while it came up",
    EventKind.HOLD_LIMITED: "target not held",
    EventKind.COMPUTE_ERROR: "wrong result",
    EventKind.DIP: "dip of the load",
    EventKind.DIP_NOT_POSSIBLE: "no dip possible",
    EventKind.GATE_CLOSED: "gate closed",
    EventKind.TRIP: "trip",
    EventKind.STOPPED: "stopped",
    EventKind.OPERATOR: "by the operator",
    EventKind.SUSPEND: "went to sleep",
    EventKind.DANGER: "danger noted",
    EventKind.READ_HANGS: "reading hangs",
    EventKind.BENCH_COMPUTER: "bench computer",
    EventKind.SWITCH_OFF_ORDERED: "told to switch the load off",
    EventKind.SWITCH_OFF_ADVISED: "advised to switch off",
    EventKind.LOAD_NOT_SEEN_OFF: "load not seen off",
    EventKind.TOUCH: "when to touch",
    EventKind.FINDING: "finding",
    EventKind.IDLE_DISTURBED: "idle disturbed",
}
FACTS: Mapping[str, str] = {
    "act": "act",
    "answered": "answered",
    "asked": "asked",
    "at_s": "at, s",
    "busy_share": "share busy",
    "channel": "channel",
    "channels": "channels",
    "checks_done": "results checked",
    "code": "code",
    "core": "core",
    "detail": "detail",
    "fair": "all answered",
    "full_c": "at full load, °C",
    "full_u95_k": "its uncertainty, K",
    "gone_s": "gone after, s",
    "left_out_until_s": "left out until, s",
    "limit": "limit",
    "load_off_s": "load off after, s",
    "note": "note",
    "noted": "noted",
    "risk": "risk",
    "rule": "rule",
    "seen": "seen",
    "share": "share",
    "slept_s": "slept, s",
    "stage": "stage",
    "text": "text",
    "until_s": "until, s",
    "value": "value",
    "why": "why",
    "work": "work",
}


def event_rows(report: ReportInput, words: Words) -> list[tuple[str, str, str, str]]:
    """Return run, time, kind and facts of each event, oldest first; what is left out is counted."""
    rows = [
        (run.run_id, f"{words.number(event.t_s, 1)}\u202fs", _kind(event.kind, words), _facts(event, words))
        for run in report.runs
        for event in run.trace.events
        if event.kind != EventKind.PROBE_TIMES  # a figure for each sample: no news for a reader
    ]
    left = len(rows) - _MOST_EVENTS
    return rows if left <= 0 else [*rows[:_MOST_EVENTS], ("…", "", words.t("and {count} further", count=left), "")]


def _kind(kind: str, words: Words) -> str:
    return words.t(KINDS[EventKind(kind)]) if kind in set(EventKind) else kind


def facts_of(event: Event, words: Words) -> dict[str, object]:
    """Return what an event says by its keys, its reason in words."""
    if event.why is None:
        return dict(event.detail)
    detail = {key: value for key, value in event.detail.items() if key not in ("reason", *SENTENCE_KEYS)}
    return detail | {"why": reason_text(event.why, words)}


def _facts(event: Event, words: Words) -> str:
    detail = facts_of(event, words)
    said = [f"{words.t(FACTS[key]) if key in FACTS else key} {_value(value, words)}" for key, value in detail.items()]
    return plain_line(", ".join(said), _LONGEST)


def _value(value: Any, words: Words) -> str:
    if isinstance(value, (list, tuple)):
        return ", ".join(_value(one, words) for one in value)
    return channel_label(value, words) if isinstance(value, str) and is_channel(value) else plain(value, words)
