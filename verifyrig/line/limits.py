"""The limits of a profile as the trail keeps them, and how they differ from those that it has now."""

from __future__ import annotations

from typing import Any

from verifyrig.core.profile import Profile
from verifyrig.line.contract import ChangedLimit

__all__ = ["changed_limits", "limits_of"]


def limits_of(profile: Profile) -> dict[str, dict[str, float]]:
    """Return every limit by its place in the profile: thresholds, trip limits and gates, in their units."""
    found: dict[str, dict[str, float]] = {}
    for threshold in profile.thresholds:
        _put(found, f"threshold {threshold.metric}", min=threshold.minimum, max=threshold.maximum)
    for trip in profile.trip_limits:
        place = " in ".join([f"trip {trip.channel}", *([", ".join(trip.stages)] if trip.stages else [])])
        _put(
            found,
            place,
            min=trip.minimum,
            max=trip.maximum,
            below_machine_limit_k=trip.below_machine_limit_k,
            max_rate_k_per_s=trip.max_rate_k_per_s,
        )
    for stage in profile.stages:
        if stage.gate is not None:
            _put(found, f"gate of {stage.name}", max=stage.gate.max_c, max_rise_k=stage.gate.max_rise_k)
    return found


def _put(found: dict[str, dict[str, float]], place: str, **limits: float | None) -> None:
    found.setdefault(place, {}).update({name: float(value) for name, value in limits.items() if value is not None})


def changed_limits(before: Any, now: dict[str, dict[str, float]]) -> list[ChangedLimit]:
    """Return each limit that is not as the trail has it, old and new; a value of null stands for none.

    Args:
        before: As an entry of the trail holds it.
    """
    old = before if isinstance(before, dict) else {}
    changed: list[ChangedLimit] = []
    for place in dict.fromkeys([*old, *now]):
        was, is_now = old.get(place) or {}, now.get(place, {})
        for name in dict.fromkeys([*was, *is_now]):
            if was.get(name) != is_now.get(name):
                changed.append({"limit": f"{place} {name}", "old": was.get(name), "new": is_now.get(name)})
    return changed
