"""How a stage that climbs ended, from its record."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from verifyrig.analysis.climb_terms import ClimbAct
from verifyrig.core.event_kind import EventKind
from verifyrig.core.load_changes import LoadChange, load_changes
from verifyrig.core.profile import LoadPattern, LoadPlan
from verifyrig.core.reason import Reason
from verifyrig.core.trace import Event, StageSpan, Trace

__all__ = ["ClimbEnd", "at_full_share", "climb_end", "climb_plan"]

_HAIR = 1e-6
# An event stands at the moment of its sample or of the step, the stage at its own.
_NEAR_S = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ClimbEnd:
    """The end of a climb.

    Attributes:
        share: The share that it ended at, 0 to 1; `full_share` the one that it was to reach.
        full_from_s: Since when it had its full share, or was held at its temperature, s since the run began; None where
            it ended below it, or gave up there.
        channel: The temperature that full share would bring nearest to its limit; empty where none was named.
        full_c, full_u95_k: Where that was forecast to settle at full share, °C, and its u95, K.
        why: Why it went no further, or what was said last.
    """

    share: float
    full_share: float
    full_from_s: float | None
    channel: str
    full_c: float | None
    full_u95_k: float | None
    why: Reason | None

    @property
    def reached(self) -> bool:
        """Whether it ended at full share."""
        return self.full_from_s is not None


def climb_plan(trace: Trace, stage: StageSpan) -> LoadPlan | None:
    """Return the plan of the stage's climb, None where the stage has another load or none."""
    planned = trace.profile.stage(stage.name) if trace.profile else None
    plan = planned.load if planned is not None else None
    return plan if plan is not None and plan.pattern == LoadPattern.CLIMB else None


def climb_end(trace: Trace, stage: StageSpan) -> ClimbEnd | None:
    """Return how the stage's climb ended, None where it has none."""
    plan = climb_plan(trace, stage)
    if plan is None:
        return None
    changes = _rises(trace, stage)
    share = changes[-1].share if changes else 0.0
    looks = _looks(trace, stage)
    full_from_s = changes[-1].t_s if changes and share >= plan.share - _HAIR else _handed_over_s(looks)
    if looks and looks[-1].detail.get("act") == ClimbAct.END:
        full_from_s = None  # what full share would come to was seen at full share only
    last = next((e.detail for e in reversed(looks) if isinstance(e.detail.get("full_c"), int | float)), {})
    return ClimbEnd(
        share=share,
        full_share=plan.share,
        full_from_s=full_from_s,
        channel=str(last.get("channel", "")),
        full_c=last.get("full_c"),
        full_u95_k=last.get("full_u95_k"),
        why=looks[-1].why if looks else None,
    )


def at_full_share(trace: Trace, stage: StageSpan) -> StageSpan:
    """Return the part of the stage in which its climb was at full share, or held; all of it where it is no climb.

    Of a climb that ended below its full share it is the part at its last share: what is read there passes nothing.
    """
    changes = _rises(trace, stage) if climb_plan(trace, stage) is not None else []
    if not changes:
        return stage
    from_s = max(changes[-1].t_s, _handed_over_s(_looks(trace, stage)) or -math.inf)
    return replace(stage, start_s=max(stage.start_s, from_s))


def _looks(trace: Trace, stage: StageSpan) -> list[Event]:
    """Return the looks of the stage's climb."""
    end_s = math.inf if stage.end_s is None else stage.end_s
    own = [e for e in trace.events if e.kind == EventKind.CLIMB]
    return [e for e in own if stage.start_s - _NEAR_S <= e.t_s <= end_s + _NEAR_S]


def _handed_over_s(looks: Sequence[Event]) -> float | None:
    """Return when a climb handed over to what holds a temperature, s; None where it did not."""
    return next((e.t_s for e in looks if e.detail.get("act") == ClimbAct.HAND_OVER), None)


def _rises(trace: Trace, stage: StageSpan) -> list[LoadChange]:
    """Return the changes of the share within the stage, but for its end."""
    end_s = math.inf if stage.end_s is None else stage.end_s - _HAIR
    return [c for c in load_changes(trace) if stage.start_s - _NEAR_S <= c.t_s < end_s and c.share > 0]
