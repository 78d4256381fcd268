"""What watching a batch costs in false alarms and how soon it finds a drift, beside tests at every unit.

Batches of five metrics that depend on one another, in units that belong together; "every unit" is what is done where a
finished batch's test (5 %) is repeated as each unit comes, from the eighth on. Intervals: Clopper and Pearson (1934).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.stats import beta

from verifyrig.capability import LOOKS, alpha_of_a_look, find_order

ALPHA = 0.049
_METRICS = 5


def _values(rng: np.random.Generator, units: int, drift_sd: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    values = 0.6 * rng.normal(size=(units, 1)) + rng.normal(size=(units, _METRICS))
    values[:, 0] += drift_sd * np.sqrt(1.36) * np.linspace(0, 1, units)
    return values


def _first_alarm(values: Any, looks: tuple[int, ...], alpha: float) -> int | None:
    for look in looks:
        if find_order({str(k): values[:look, k].tolist() for k in range(_METRICS)}, [None] * look, alpha=alpha):
            return look
    return None


def _share(found: int, of: int) -> dict[str, float]:
    low = float(beta.ppf(0.025, found, of - found + 1)) if found else 0.0
    high = float(beta.ppf(0.975, found + 1, of - found)) if found < of else 1.0
    return {"share": found / of, "low": low, "high": high}


def measure(full: bool) -> dict[str, Any]:
    """Return shares of batches with an alarm, and at how many units a drift over 90 units is found."""
    batches, naive, drifting = (1000, 60, 100) if full else (60, 10, 10)
    own, alpha = LOOKS[:8], alpha_of_a_look(ALPHA)
    sound = [_first_alarm(_values(np.random.default_rng([71, n]), own[-1], 0.0), own, alpha) for n in range(batches)]
    every = tuple(range(8, 61))
    naively = [_first_alarm(_values(np.random.default_rng([71, n]), 60, 0.0), every, ALPHA) for n in range(naive)]
    answer: dict[str, Any] = {
        "budget": ALPHA,
        "sound_batches": batches,
        "alarm_in_sound_batches_of_135": _share(sum(one is not None for one in sound), batches),
        "tested_at_every_unit_to_60": _share(sum(one is not None for one in naively), naive),
    }
    for drift_sd in (1.0, 2.0, 3.0):
        found = [
            _first_alarm(_values(np.random.default_rng([72, n]), 90, drift_sd), LOOKS[:7], alpha)
            for n in range(drifting)
        ]
        seen = [one for one in found if one is not None]
        answer[f"drift_{drift_sd:g}_sd_over_90"] = {
            **_share(len(seen), drifting), "median_units": float(np.median(seen)) if seen else None
        }  # fmt: skip
    return answer
