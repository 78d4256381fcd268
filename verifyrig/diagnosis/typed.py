"""Temperatures that a person read by hand and typed, turned into the words that the tables know."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from verifyrig.jobs.model import JobEntry

__all__ = ["findings_of"]

# Hand-held readings are good to some kelvin, so only clear differences make a word (common practice, no source).
_HOSES_APART_K, _HOT_OVER_AMBIENT_K = 4.0, 10.0
_RADIATOR_WARM_K, _RADIATOR_HOT_K = 4.0, 15.0
_USUAL_AMBIENT_C = 22.0


def findings_of(entries: Sequence[JobEntry]) -> dict[str, str]:
    """Return findings by name to word, the newest of a name; typed hoses and radiator count where no word was given."""
    words = {entry.what: entry.text("value") for entry in entries}
    temps = {entry.what: _temp_c(entry) for entry in entries}
    from_temps = _hoses(temps) | _radiator(temps)
    return from_temps | words


def _temp_c(entry: JobEntry) -> float:
    value = entry.detail.get("value")
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan


def _ambient_c(temps: Mapping[str, float]) -> float:
    ambient = temps.get("room", math.nan)
    return ambient if math.isfinite(ambient) else _USUAL_AMBIENT_C


def _hoses(temps: Mapping[str, float]) -> dict[str, str]:
    one, other = temps.get("hose-in", math.nan), temps.get("hose-out", math.nan)
    if not (math.isfinite(one) and math.isfinite(other)):
        return {}
    if abs(one - other) >= _HOSES_APART_K:
        return {"hoses": "one-hot"}
    return {"hoses": "both-hot" if min(one, other) - _ambient_c(temps) >= _HOT_OVER_AMBIENT_K else "both-cold"}


def _radiator(temps: Mapping[str, float]) -> dict[str, str]:
    radiator = temps.get("radiator-temp", math.nan)
    if not math.isfinite(radiator):
        return {}
    over_k = radiator - _ambient_c(temps)
    return {"radiator": "cold" if over_k < _RADIATOR_WARM_K else "warm" if over_k < _RADIATOR_HOT_K else "hot"}
