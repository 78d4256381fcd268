"""The page of all places: rendered here, kept live by server-sent events (HTML Living Standard, section 9.2)."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator, Callable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from verifyrig import __version__
from verifyrig.bench.folder import ID_PATTERN
from verifyrig.serve.hub import Hub
from verifyrig.serve.panel import Panel, Tone, ident_of, panel_of
from verifyrig.serve.places import Place

if TYPE_CHECKING:
    from jinja2 import Environment

FOLDER = Path(__file__).parent / "templates"
_LEAST_S = 0.4  # between two pictures of one place; a new word does not wait
_BEAT_S = 1.0
_LOUD = (Tone.ALARM, Tone.ASKS)


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader

    return Environment(loader=FileSystemLoader(FOLDER), autoescape=True, trim_blocks=True, lstrip_blocks=True)


class Page:
    """The page as one kind of reader sees it: paired or not, on a wall or not.

    Args:
        still_paired: Asked while the page is live: pairing ends by time, by a person, and with it the names shown.
    """

    def __init__(self, hub: Hub, *, still_paired: Callable[[], bool], wall: bool) -> None:
        self._hub = hub
        self._still_paired = still_paired
        self._paired = still_paired()
        self._wall = wall

    def whole(self, refused: str = "") -> str:
        """Return the page."""
        panels = self._panels()
        return _environment().get_template("bench.html.j2").render(
            name=self._hub.name, panels=panels, waits=_waiting(panels), paired=self._paired, wall=self._wall,
            refused=refused, footer=self._footer(), live=True,
        )  # fmt: skip

    async def live(self) -> AsyncIterator[str]:
        """Yield events until nobody listens, or may any more: first all panels, then those that changed."""
        told: dict[str, tuple[int, int, float]] = {}
        waits, beat_s = "", 0.0
        while self._still_paired() is self._paired:
            now_s = time.monotonic()
            places = self._hub.places.newest()
            waits_may_change = not waits
            for place in places:
                changed, urgent, at_s = told.get(place.run, (-1, -1, 0.0))
                fresh = place.changed != changed or place.waits_for_end
                if place.urgent != urgent or (fresh and now_s - at_s >= _LEAST_S):
                    told[place.run] = (place.changed, place.urgent, now_s)
                    waits_may_change = True
                    yield self._event_of(place)
            for run in set(told) - {place.run for place in places}:
                told.pop(run)
                waits_may_change = True
                yield _event("gone", {"id": f"p-{ident_of(run)}"})
            html = self._waits(places) if waits_may_change else waits
            if html != waits:
                waits = html
                yield _event("waits", {"html": html})
            if now_s - beat_s >= _BEAT_S:
                beat_s = now_s
                yield _event("beat", {})
            await self._hub.news(_LEAST_S)
            await asyncio.sleep(0.05)  # what comes together is told together

    def _event_of(self, place: Place) -> str:
        """Return the event of a place's panel; readers of one kind share it."""
        key = (self._paired, self._wall)
        changed, event = place.drawn.get(key, (-1, ""))
        if changed != place.changed or place.waits_for_end:
            changed, event = place.changed, self._new_event_of(place)
            place.drawn[key] = (changed, event)
        return event

    def _new_event_of(self, place: Place) -> str:
        panel = self._panel(place)
        html = _environment().get_template("panel.html.j2").render(panel=panel, paired=self._paired, wall=self._wall)
        return _event("panel", {"id": f"p-{panel.ident}", "html": html.strip()})

    def _panels(self) -> list[Panel]:
        return [self._panel(place) for place in self._hub.places.newest()]

    def _panel(self, place: Place, *, draw: bool = True) -> Panel:
        job = str(place.shown.get("job") or "")
        has_report = bool(ID_PATTERN.fullmatch(job)) and (self._hub.bench.reports_dir / f"{job}.html").is_file()
        return panel_of(place, paired=self._paired, now_s=self._hub.clocks.steady_s(), has_report=has_report, draw=draw)

    def _waits(self, places: list[Place]) -> str:
        panels = [self._panel(place, draw=False) for place in places]
        return _environment().get_template("waits.html.j2").render(waits=_waiting(panels)).strip()

    def _footer(self) -> str:
        refused = {what: n for what, n in self._hub.places.refused.items() if n}
        told = ", ".join(f"{n} {what}" for what, n in refused.items())
        return f"verifyrig {__version__}. Refused since the start: {told or 'nothing'}."


def _waiting(panels: list[Panel]) -> list[Panel]:
    """Return the panels for which somebody must do something, the loud ones first."""
    return sorted((panel for panel in panels if panel.todo), key=lambda panel: panel.tone not in _LOUD)


def _event(name: str, data: dict[str, str]) -> str:
    return f"event: {name}\ndata: {json.dumps(data)}\n\n"
