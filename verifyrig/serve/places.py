"""The runs that the bench computer sees, each as one place of the page, and what is true of each now."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any, cast

from verifyrig.core.plain_text import plain_line
from verifyrig.core.run_view import ForecastView, RunView
from verifyrig.record.shape import is_number
from verifyrig.serve.series import Series

# Beats come four times a second: three missed ones, and the word stands on the page well within 2 s of the last sample.
SILENT_AFTER_S = 0.9
_MOST_ENDED = 24  # a service that runs for months does not remember every run; their twins stay


class PlaceState(StrEnum):
    """What the bench computer knows of a run."""

    RUNNING = "running"
    ENDED = "ended"
    DARK = "dark"  # silence on a connection that nobody closed: the machine is off or hangs, or the cable is out
    PROGRAM_GONE = "program-gone"  # the machine says so itself
    UNLINKED = "unlinked"  # the connection was closed in order, the run was not


@dataclass(slots=True, kw_only=True, eq=False)
class Place:
    """One run.

    Attributes:
        key: Names it on the page.
        machine: Id of the machine that sends, as it was paired.
        twin: Where its record's twin lies.
        shown: What the run said of itself at its start: job, machine, customer, place.
        view: What it said last.
        heard_s: When anything came last, by the steady clock, s.
        changed: Goes up with every change, `urgent` with those that cannot wait.
        send: Sends a message to the machine; None while it is not linked.
        end_number, end_asked_s, end_took_s: The last wish to end its load, and how long until it was off.
        awaited_until_s: Where the service began anew: until then its machine may link again before it counts as dark.
        mortem: What the records say of its end, once it went dark.
        drawn: Its panel as it was drawn last, with the `changed` that it shows, by kind of reader.
    """

    key: str
    run: str
    machine: str
    machine_name: str
    twin: Path
    channels: tuple[str, ...]
    series: Series
    shown: RunView = field(default_factory=RunView)
    view: RunView = field(default_factory=RunView)
    state: PlaceState = PlaceState.RUNNING
    samples: int = 0
    heard_s: float = 0.0
    heard_utc_s: float = 0.0
    began_utc_s: float = 0.0
    silent_for_s: float = 0.0
    awaited_until_s: float | None = None
    changed: int = 0
    urgent: int = 0
    send: Callable[[str], None] | None = None
    end_number: int = 0
    end_asked_s: float | None = None
    end_took_s: float | None = None
    came_back: bool = False
    mortem: tuple[str, ...] = ()
    drawn: dict[tuple[bool, bool], tuple[int, str]] = field(default_factory=dict)

    @property
    def waits_for_end(self) -> bool:
        """Whether its load was to be ended, and the answer is not here yet."""
        return self.end_asked_s is not None and self.end_took_s is None

    def touch(self, *, urgent: bool = False) -> None:
        """Note that something is to be shown anew."""
        self.changed += 1
        self.urgent += urgent


class Places:
    """All runs, the newest last, and who waits for their changes."""

    def __init__(self) -> None:
        self.by_run: dict[str, Place] = {}
        self.refused: dict[str, int] = {"malformed": 0, "replayed": 0, "unknown": 0, "wrong-code": 0, "not-fitting": 0}

    def count(self, what: str) -> None:
        """Count something that was refused."""
        self.refused[what] += 1

    def newest(self, most: int = 24) -> list[Place]:
        """Return those of the page: what runs, then what ended last."""
        places = sorted(self.by_run.values(), key=lambda place: place.began_utc_s)
        over = [place for place in places if place.state is PlaceState.ENDED]
        gone = set(map(id, over[: max(0, len(places) - most)]))
        return [place for place in places if id(place) not in gone]

    def _beyond(self, most: int) -> list[Place]:
        """Return the runs that ended and are not linked any more, without the newest of them."""
        ended = [p for p in self.by_run.values() if p.state is PlaceState.ENDED and p.send is None]
        return sorted(ended, key=lambda place: place.began_utc_s)[:-most]

    def look(self, now_s: float) -> list[Place]:
        """Return the runs that went dark just now: linked, not ended, and silent; drop those that ended long ago."""
        dark = []
        for place in self._beyond(_MOST_ENDED):
            del self.by_run[place.run]
        for place in self.by_run.values():
            silent_s = now_s - place.heard_s
            silent = place.state is PlaceState.RUNNING and place.send is not None and silent_s > SILENT_AFTER_S
            in_vain = place.state is PlaceState.UNLINKED and now_s > (place.awaited_until_s or math.inf)
            if silent or in_vain:
                place.state, place.awaited_until_s = PlaceState.DARK, None
                place.touch(urgent=True)
                dark.append(place)
        return dark


def heard(place: Place, steady_s: float, utc_s: float) -> bool:
    """Note that something came from a run; return whether it had been silent."""
    was_silent = place.state in (PlaceState.DARK, PlaceState.UNLINKED)
    if was_silent:
        place.silent_for_s = steady_s - place.heard_s
        place.state = PlaceState.RUNNING
        place.touch(urgent=True)
    place.heard_s, place.heard_utc_s = steady_s, utc_s
    return was_silent


_TEXTS = (
    "stage", "kind", "profile", "said", "order", "attention", "margin_channel", "job", "ticket", "customer", "device",
    "place", "operator", "verdict", "outcome",
)  # fmt: skip
_NUMBERS = ("t_s", "stage_s", "stage_index", "share", "margin_k", "remaining_s", "until_end_s", "until_question_s",
            "period_s")  # fmt: skip


def plain_view(view: Any) -> RunView:
    """Return what a run shows of itself, each value of its kind and no longer than a screen; the rest is left out."""
    if not isinstance(view, dict):
        return {}
    found: dict[str, object] = {}
    for key, value in view.items():
        if value is None and (key in _TEXTS or key in _NUMBERS or key == "forecast"):
            found[key] = None
        elif key in _TEXTS and isinstance(value, str):
            found[key] = plain_line(value, 300)
        elif key in _NUMBERS and is_number(value) and math.isfinite(value):
            found[key] = float(value)
        elif key == "simulated" and isinstance(value, bool):
            found[key] = value
        elif key == "stages" and isinstance(value, list):
            found[key] = [plain_line(one, 60) for one in value[:50] if isinstance(one, str)]
        elif key == "limits_c" and isinstance(value, dict):
            found[key] = {plain_line(str(k), 60): float(v) for k, v in list(value.items())[:100] if is_number(v)}
        elif key == "forecast" and isinstance(value, dict):
            found[key] = _forecast(value)
    return cast(RunView, found)


def _forecast(value: Mapping[str, Any]) -> ForecastView | None:
    if not (is_number(value.get("value_c")) and is_number(value.get("u95_k"))) or not isinstance(
        value.get("channel"), str
    ):
        return None
    return {
        "channel": plain_line(value["channel"], 60),
        "value_c": float(value["value_c"]),
        "u95_k": float(value["u95_k"]),
        "known": value.get("known") is True,
        "remaining_s": float(value["remaining_s"]) if is_number(value.get("remaining_s")) else None,
    }
