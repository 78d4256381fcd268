"""Where and how a run ended before its plan: what the picture says of it, whatever became of the run afterwards."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from verifyrig.analysis.climb_end import climb_end
from verifyrig.core.event_kind import EventKind
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.reason import Reason
from verifyrig.report.inputs import RunInput
from verifyrig.report.story import RunStory, story_of
from verifyrig.report.timeline import last_s, load_end_s

# A forecast vaguer than this is no figure to be printed.
VAGUE_K = 40.0


class EndKind(StrEnum):
    """What ended it."""

    DARK = "dark"
    TRIPPED = "tripped"
    GATE = "gate"
    REFUSED = "refused"
    CLIMB = "climb"
    STOPPED = "stopped"
    INTERRUPTED = "interrupted"


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlyEnd:
    """How a run ended before its plan.

    Attributes:
        at_s: When, s since its first sample.
        channel: Temperature that a full load would have brought too high; empty where none was forecast.
        full_c, full_u95_k: What was forecast of it at full load, °C, and its u95, K.
    """

    kind: EndKind
    at_s: float
    channel: str = ""
    full_c: float | None = None
    full_u95_k: float | None = None

    @property
    def is_vague(self) -> bool:
        """Whether the forecast says no more than that it would have become too hot."""
        return self.full_u95_k is not None and self.full_u95_k > VAGUE_K


_KINDS = {RunStory.DARK: EndKind.DARK, RunStory.TRIPPED: EndKind.TRIPPED, RunStory.GATE: EndKind.GATE}


def early_end(run: RunInput) -> EarlyEnd | None:
    """Return how the run ended before its plan; None for one that went through all of it."""
    story = story_of(run)
    if story in _KINDS:
        at_s = last_s(run.trace) if story is RunStory.DARK else load_end_s(run.trace)
        return EarlyEnd(kind=_KINDS[story], at_s=at_s)
    # A climb that went no further leaves the stages after it refused: what came first ended it.
    found = [end for end in (_climbed(run), _refused(run)) if end is not None]
    if found:
        return min(found, key=lambda end: end.at_s)
    if run.outcome is Outcome.COMPLETED:
        return None
    kind = EndKind.STOPPED if run.outcome is Outcome.STOPPED else EndKind.INTERRUPTED
    return EarlyEnd(kind=kind, at_s=load_end_s(run.trace) if kind is EndKind.STOPPED else last_s(run.trace))


def _refused(run: RunInput) -> EarlyEnd | None:
    event = next((event for event in run.trace.events if event.kind == EventKind.LOAD_REFUSED), None)
    if event is None:
        return None
    if run.trace.recorded.cause_class == CauseClass.LOAD_FAILED:
        return EarlyEnd(kind=EndKind.INTERRUPTED, at_s=event.t_s)  # nobody refused it: it did not come up
    why = forecast_in(event.why)
    if why is None:
        return EarlyEnd(kind=EndKind.REFUSED, at_s=event.t_s)
    peak_c, u95_k, channel = (why.values.get(key) for key in ("peak_c", "u95_k", "channel"))
    return EarlyEnd(
        kind=EndKind.REFUSED,
        at_s=event.t_s,
        channel=str(channel or ""),
        full_c=float(peak_c) if isinstance(peak_c, int | float) else None,
        full_u95_k=float(u95_k) if isinstance(u95_k, int | float) else None,
    )


def _climbed(run: RunInput) -> EarlyEnd | None:
    for stage in run.trace.stages:
        end = climb_end(run.trace, stage)
        if end is not None and end.why is not None and not end.reached:
            at_s = stage.end_s if stage.end_s is not None else last_s(run.trace)
            full = (end.full_c, end.full_u95_k)
            return EarlyEnd(kind=EndKind.CLIMB, at_s=at_s, channel=end.channel, full_c=full[0], full_u95_k=full[1])
    return None


def forecast_in(why: Reason | None) -> Reason | None:
    """Return the part of a refusal that says how hot a part would get; None where none does."""
    if why is None or why.code == "foreseen-too-hot":
        return why
    inner = why.values.get("why")
    parts = inner if isinstance(inner, tuple) else ()
    return next((found for one in parts if (found := forecast_in(one)) is not None), None)
