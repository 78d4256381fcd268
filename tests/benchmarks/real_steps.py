"""Forecasts and time constants on steps of real machines (`tests/real_series.py`), tuned and kept aside apart.

`cut`: nothing but the stage before the step and the step so far. `whole`: all that was recorded before, half an hour at
most. The truth is where the step ended, as far as it was recorded. Beside it, what a user would do instead: take the
present reading for the end, as wide as the last minute moved.

Time constants are held against what independent fits accept (`tests/independent_fit.py`); beside them, what a user
would read off: the time to 63 % of the way.
"""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from tests.independent_fit import accepted
from tests.real_series import RealStep, real_steps
from verifyrig.analysis.forecast import forecast
from verifyrig.analysis.time_constants import find_modes

TIMES_S = (40.0, 60.0, 120.0, 180.0)
TRACES = Path(__file__).resolve().parents[3] / "shared" / "traces"
_LONGEST_S = 1800.0


def told(step: RealStep, elapsed_s: float, whole: bool) -> tuple[float, float] | None:
    """Return error and u95 of the forecast so long after the step, K; None where it gave none."""
    now = int(np.searchsorted(step.t_s, step.t_s[step.start] + elapsed_s, side="right"))
    first = int(np.searchsorted(step.t_s, step.t_s[step.start] - _LONGEST_S)) if whole else step.before
    span = slice(first, now)
    found = forecast(
        step.t_s[span],
        step.temp_c[span],
        power_w=None if step.power_w is None else step.power_w[span],
        load_share=step.share[span],
        resolution_k=step.resolution_k,
        part=step.part,
    )
    return None if found is None else (found.settles_at_c - step.end_c, found.u95_k)


def _all_told(step: RealStep) -> dict[str, list[tuple[float, float] | None]]:
    asked = [elapsed_s for elapsed_s in TIMES_S if step.length_s >= elapsed_s + 15.0]
    found = {f"{kind} {at:.0f}s": [told(step, at, kind == "whole")] for kind in ("cut", "whole") for at in asked}
    found.update({f"instead {at:.0f}s": [_as_it_stands(step, at)] for at in asked})
    return found


def _as_it_stands(step: RealStep, elapsed_s: float) -> tuple[float, float]:
    t, temp = step.own()
    late, earlier = temp[(t <= elapsed_s) & (t > elapsed_s - 5)], temp[(t <= elapsed_s - 30) & (t > elapsed_s - 35)]
    now_c = float(np.mean(late))
    return now_c - step.end_c, max(1.0, abs(now_c - float(np.mean(earlier))))


def _time_constant(step: RealStep) -> tuple[bool, bool]:
    """Return whether an independent fit accepts the dominant time constant, and the time to 63 % in its place."""
    t, temp = step.own()
    found, allowed = find_modes(t, temp, 0.05), accepted(t, temp, step.resolution_k)
    to_63_s = float(t[int(np.argmax((temp - temp[0]) / (step.end_c - temp[0]) >= 0.632))])
    return found is not None and allowed.holds(found.dominant.tau_s), allowed.holds(to_63_s)


def _group(step: RealStep) -> str:
    kind = "board" if step.series.startswith("board") else "card"
    return f"{'aside' if step.aside else 'looked at'}, {kind} {'heats' if step.heats else 'cools'}"


def measure(full: bool = True) -> dict[str, Any]:
    """Return, by group and time: steps, share inside u95, median error and median u95, K."""
    steps = real_steps(TRACES if TRACES.is_dir() else None)
    steps = steps if full else steps[::3]
    rows: dict[str, dict[str, list[tuple[float, float] | None]]] = {}
    with ProcessPoolExecutor(max_workers=os.cpu_count(), initializer=threadpool_limits, initargs=(1,)) as pool:
        for step, found in zip(steps, pool.map(_all_told, steps, chunksize=2), strict=True):
            for key, pairs in found.items():
                rows.setdefault(_group(step), {}).setdefault(key, []).extend(pairs)
        held = list(pool.map(_time_constant, [step for step in steps if step.aside]))
    table = {group: {key: _figures(pairs) for key, pairs in by_key.items()} for group, by_key in sorted(rows.items())}
    aside = [pair for group, by_key in rows.items() if group.startswith("aside")
             for key, pairs in by_key.items() if not key.startswith("instead") for pair in pairs]  # fmt: skip
    constants = {
        "steps_aside": len(held),
        "accepted": sum(ours for ours, _ in held),
        "time_to_63_pct_accepted_instead": sum(instead for _, instead in held),
    }
    return {"table": table, "aside": _figures(aside), "time_constants": constants, "ratio": _figures(aside)["inside"]}


def _figures(pairs: list[tuple[float, float] | None]) -> dict[str, Any]:
    known = [pair for pair in pairs if pair is not None]
    if not known:
        return {"steps": len(pairs), "inside": None}
    error, u95 = np.array(known).T
    return {
        "steps": len(pairs),
        "without": len(pairs) - len(known),
        "inside": round(float(np.mean(np.abs(error) <= u95)), 3),
        "median_error_k": round(float(np.median(error)), 2),
        "median_u95_k": round(float(np.median(u95)), 2),
    }
