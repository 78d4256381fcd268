"""What the trail comes to: orders, what is on hold, and which limits were recorded last."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from verifyrig.line.contract import LineHold
from verifyrig.line.orders import Order, order_of_data
from verifyrig.line.trail import TrailEntry, TrailKind

__all__ = ["LineState", "state_of"]

_Key = tuple[str | None, str | None]


@dataclass(slots=True, kw_only=True)
class LineState:
    """The line as it stands.

    Attributes:
        orders: By batch and unit.
        holds: By batch and unit; a unit of None is the whole batch.
        limits: By profile, as `limits_of` gives them.
    """

    orders: dict[_Key, Order] = field(default_factory=dict)
    holds: dict[_Key, LineHold] = field(default_factory=dict)
    limits: dict[str, Any] = field(default_factory=dict)
    digest: str | None = None
    entries: int = 0

    def ordered(self, unit: str, batch: str | None) -> list[Order]:
        """Return the orders of a unit, of any batch where none is named."""
        return [one for one in self.orders.values() if one.unit == unit and batch in (None, one.batch)]

    def hold_of(self, unit: str | None, batch: str | None) -> LineHold | None:
        """Return what holds a unit: its own hold, or that of its batch."""
        own = self.holds.get((batch, unit)) or self.holds.get((None, unit))
        return own or (self.holds.get((batch, None)) if batch is not None else None)


def state_of(entries: Sequence[TrailEntry]) -> LineState:
    """Return what the entries come to, in their order."""
    state = LineState(entries=len(entries), digest=entries[-1].digest if entries else None)
    for entry in entries:
        data = entry.data
        key = (data.get("batch"), data.get("unit"))
        if entry.kind is TrailKind.ORDER:
            state.orders[key] = order_of_data(data)
        elif entry.kind is TrailKind.HOLD:
            state.holds[key] = {
                "unit": key[1], "batch": key[0], "by": entry.by, "at": entry.at, "why": str(data.get("why", ""))
            }  # fmt: skip
        elif entry.kind is TrailKind.RELEASE:
            state.holds.pop(key, None)
        elif entry.kind is TrailKind.LIMITS:
            state.limits[str(data.get("profile"))] = data.get("limits")
    return state
