"""What the page says of one place in words: a big one, stage, forecast, what is left, what a person must do."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

from verifyrig.core.outcome import Outcome
from verifyrig.core.profile import StageKind
from verifyrig.rig.observer import Attention
from verifyrig.serve.picture import channel_of, picture
from verifyrig.serve.places import Place, PlaceState
from verifyrig.terminal.words import clock, part_word

_SOON_S = 120.0
_LAST_WORD = {PlaceState.RUNNING: "now", PlaceState.ENDED: "at the end"}


class Tone(StrEnum):
    """How loud a panel is: by shape and word first, by colour after them."""

    CALM = "calm"
    LOAD = "load"
    ASKS = "asks"
    ALARM = "alarm"
    OVER = "over"


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One place as the page shows it.

    Attributes:
        ident: Names its elements; says nothing of the run.
        word: The big word.
        left_k, left: What is left to the limit, as a figure to be read from afar, and of which channel.
        call: Changes where somebody is to be called, and says for what; empty for nothing.
        todo: What a person must do next, and who; empty where nobody waits.
        may_end: Whether its load can be ended from here now.
    """

    ident: str
    run: str
    title: str
    under: str
    word: str
    detail: str
    tone: Tone
    call: str
    stage: str
    forecast: str
    left_k: str
    left: str
    now: str
    todo: str
    whose: str
    ended: str
    mortem: tuple[str, ...]
    notes: tuple[str, ...]
    picture: str
    report: str
    may_end: bool
    is_over: bool


def ident_of(run: str) -> str:
    """Return what names a run's panel in the page."""
    return hashlib.sha256(run.encode()).hexdigest()[:10]


def panel_of(place: Place, *, paired: bool, now_s: float, has_report: bool, draw: bool = True) -> Panel:
    """Return what is to be shown of a place; names of customers only to whoever is paired."""
    view, shown = place.view, place.shown
    ident = ident_of(place.run)
    word, detail, tone, call = _word(place)
    todo, whose = _todo(place)
    name = (shown.get("customer") or "") if paired else ("customer's name hidden" if shown.get("customer") else "")
    heading = shown.get("place") or ""
    device = shown.get("device") or place.machine_name
    job = f"Job {shown['job']}" if shown.get("job") else "No job"
    under = [job, *([f"ticket {shown['ticket']}"] if shown.get("ticket") and paired else []), name]
    forecast, (left_k, left), now = _forecast(place), _left(place), _now(place)
    told = " ".join(filter(None, (now, forecast, left_k, left)))
    drawn = view if place.state is PlaceState.RUNNING else {**view, "forecast": None}
    return Panel(
        ident=ident,
        run=place.run,
        title=" · ".join(filter(None, (heading, device))),
        under=", ".join(filter(None, under)),
        word=word,
        detail=detail,
        tone=tone,
        call=call,
        stage=_stage(place),
        forecast=forecast,
        left_k=left_k,
        left=left,
        now=now,
        todo=todo,
        whose=whose,
        ended=_ended(place, now_s),
        mortem=place.mortem,
        notes=_notes(place),
        picture=picture(place.series, drawn, told or "No picture yet.", ident) if draw else "",
        report=f"/reports/{shown['job']}.html" if has_report and paired and shown.get("job") else "",
        may_end=place.send is not None and place.state is PlaceState.RUNNING,
        is_over=place.state is PlaceState.ENDED,
    )


def _word(place: Place) -> tuple[str, str, Tone, str]:
    attention = place.view.get("attention")
    if place.state is PlaceState.DARK:
        at = datetime.fromtimestamp(place.heard_utc_s, UTC).astimezone().strftime("%H:%M:%S")
        why = f"Last sign at {at}. The machine is off or hangs, or its cable is out."
        return "WENT DARK", why, Tone.ALARM, f"dark-{place.urgent}"
    if place.state is PlaceState.PROGRAM_GONE:
        why = "The measuring program ended; its machine is up. The load ended with it."
        return "PROGRAM GONE", why, Tone.ALARM, f"gone-{place.urgent}"
    if place.state is PlaceState.UNLINKED:
        why = (
            "This service began anew, and the machine has not linked again yet."
            if place.awaited_until_s is not None
            else "The connection was closed. The run may go on: look at the machine."
        )
        return "NOT LINKED", why, Tone.ASKS, ""
    outcome = place.view.get("outcome")
    if place.state is PlaceState.ENDED:
        return _word_of_end(place, str(outcome or ""))
    if attention == Attention.TRIP:
        return "TRIPPED", place.view.get("said") or "", Tone.ALARM, f"trip-{place.run}"
    if attention in (Attention.STOP, Attention.GATE):
        return "STOPPED", place.view.get("said") or "", Tone.ALARM, f"stop-{place.run}"
    if attention == Attention.QUESTION:
        return "ASKS", place.view.get("said") or "", Tone.ASKS, f"asks-{place.urgent}"
    if place.view.get("order"):
        return "DO THIS", str(place.view["order"]), Tone.ASKS, f"order-{place.view['order']}"
    if (place.view.get("share") or 0) > 0:
        return "LOAD ON", f"at {place.view['share']:.0%}", Tone.LOAD, ""
    kind = place.view.get("kind")
    words: dict[str, str] = {StageKind.IDLE: "IDLE", StageKind.COOLDOWN: "COOLING", StageKind.LOAD: "LOAD OFF"}
    return words.get(kind, "STARTS") if kind else "STARTS", "", Tone.CALM, ""


_ENDS = {
    Outcome.COMPLETED: ("FINISHED", Tone.OVER),
    Outcome.TRIPPED: ("TRIPPED", Tone.ALARM),
    Outcome.STOPPED: ("STOPPED", Tone.ALARM),
    Outcome.INTERRUPTED: ("INTERRUPTED", Tone.OVER),
}


def _word_of_end(place: Place, outcome: str) -> tuple[str, str, Tone, str]:
    word, tone = _ENDS.get(Outcome(outcome) if outcome in tuple(Outcome) else None, ("ENDED", Tone.OVER))  # type: ignore[arg-type]
    said = place.view.get("said") or "" if tone is Tone.ALARM else ""
    back = "It is back, and sent what it still had. " if place.came_back else ""
    return word, f"{back}{said}".strip(), tone, f"end-{place.run}"


def _stage(place: Place) -> str:
    view = place.view
    if not view.get("stage"):
        return str(view.get("profile") or "")
    stages = view.get("stages") or []
    at = f" ({stages.index(view['stage']) + 1} of {len(stages)})" if view["stage"] in stages else ""
    stage_s, until_end_s = view.get("stage_s"), view.get("until_end_s")
    since = f", {clock(stage_s)}" if stage_s is not None else ""
    until_end = f", at most {clock(until_end_s)} until the end" if until_end_s is not None else ""
    return f"{view.get('profile') or ''}: {view['stage']}{at}{since}{until_end}"


def _now(place: Place) -> str:
    channel = channel_of(place.series, place.view)
    value = place.series.newest.get(channel)
    if not channel or value is None:
        return ""
    when = _LAST_WORD.get(place.state, "at the last sample")
    return f"{part_word(channel)} {value:.0f} °C {when}."


def _forecast(place: Place) -> str:
    forecast = place.view.get("forecast")
    if not forecast or place.state is not PlaceState.RUNNING:
        return ""
    sentence = f"Settles at {forecast['value_c']:.0f} ± {forecast['u95_k']:.0f} °C"
    if forecast["known"]:
        return f"{sentence}, known."
    if forecast["remaining_s"] is not None:
        return f"{sentence}, known in about {clock(forecast['remaining_s'])}."
    return f"{sentence}."


def _left(place: Place) -> tuple[str, str]:
    """Return the figure and its words; of a machine that says nothing any more nobody knows what is left."""
    margin_k, channel = place.view.get("margin_k"), place.view.get("margin_channel") or ""
    if place.state is not PlaceState.RUNNING:
        return "", ""
    if margin_k is None:
        return "", "No temperature limit is armed." if place.samples else ""
    whose = f" of {part_word(channel)}" if channel else ""
    return f"{margin_k:.0f} K", f"left to the limit{whose}."


def _todo(place: Place) -> tuple[str, str]:
    """Return what waits for a person, and for whom; empty for nothing."""
    view = place.view
    whose = str(place.shown.get("operator") or "whoever is at the bench")
    match place.state:
        case PlaceState.DARK:
            return "Look whether the machine is off, hot, or unplugged.", "whoever is nearest"
        case PlaceState.PROGRAM_GONE | PlaceState.UNLINKED:
            return "Look at the machine's own screen.", whose
        case PlaceState.ENDED:
            return "Read the result and take the next step.", whose
    if view.get("attention") in (Attention.TRIP, Attention.STOP, Attention.GATE):
        return "Look at the machine, and read what it says.", whose
    if view.get("attention") == Attention.QUESTION:
        return "Answer at the machine: who is here?", "whoever is nearest"
    if view.get("order"):
        return str(view["order"]), "whoever is nearest"
    until_s = view.get("until_question_s")
    if until_s is not None and until_s < _SOON_S:
        # By half minutes: what changes each second is read out each second.
        return f"Be there within {clock(math.ceil(max(until_s, 1.0) / 30) * 30)}: it will ask who is here.", whose
    return "", ""


def _ended(place: Place, now_s: float) -> str:
    if place.end_asked_s is None:
        return ""
    if place.end_took_s is not None:
        return f"Load ended from here: off after {place.end_took_s * 1000:.0f} ms, the way included."
    waits_s = now_s - place.end_asked_s
    late = " Go to the machine." if waits_s > 1.0 else ""
    return f"Asked for the load's end {waits_s:.1f} s ago; no answer yet.{late}"


def _notes(place: Place) -> tuple[str, ...]:
    notes = []
    if place.shown.get("simulated"):
        notes.append("Simulated hardware.")
    if place.silent_for_s and place.state is PlaceState.RUNNING:
        notes.append(f"Was silent for {place.silent_for_s:.1f} s; what was missed came afterwards.")
    return tuple(notes)
