"""How soon the settled value is known, and how often the truth lies inside what was stated.

Simulated machines idle for 150 s and then run a full load; all sensors of the die that the driver shows and the fan's
duty are read, as in a run. `wait` is the time until the settled value is known within 1 K, over the 20 minutes that
people wait; a run that never says so counts as 1. The truth is where the machine would settle in the room as it is at
that time. Who goes on waiting sees the room drift, too: `in_the_last_room` is the same against the room at the end of
those 20 minutes. Beside it, what a user would do instead: wait for a slope below 0.2 K/min, or fit one exponential and
believe its covariance.
"""

from __future__ import annotations

import math
import os
import warnings
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from threadpoolctl import threadpool_limits

from mock_hw.physics.parameters import CASES
from tests.benchmarks._settle_runs import FIRST_SEED, IDLE_S, LEFT_OUT, LOAD_S, Run, outside, record, share_within
from verifyrig.analysis.stage_forecaster import StageForecaster
from verifyrig.core.interfaces import ChannelInfo
from verifyrig.core.profile import Settle
from verifyrig.core.trace import FloatArray

FIXED_S = (180, 300, 600)
RULE = Settle(channel="die_temp_c", within_k=1.0, slowest_time_constant_s=400.0)
LEAST_S = 60
_OUTSIDE_CASES = ("healthy-air", "healthy-liquid", "paste-dried", "coolant-slow", "radiator-blocked", "fan-stopped")


class _Answer(NamedTuple):
    """Error for the room at that time, u95, and error for the room at the end of the 20 minutes, K."""

    error_k: float
    u95_k: float
    last_room_error_k: float


@dataclass(slots=True)
class _Told:
    """What one run was told: when known, the answer then, and answers at fixed times."""

    known_s: int | None = None
    at_known: _Answer | None = None
    fixed: dict[int, _Answer] = field(default_factory=dict)
    slow: bool = False


@dataclass(slots=True)
class _Row:
    """Runs of one row of the table."""

    ours: list[_Told] = field(default_factory=list)
    plain: list[_Told] = field(default_factory=list)
    fitted: list[_Told] = field(default_factory=list)

    def add(self, told: tuple[_Told, _Told, _Told]) -> None:
        self.ours.append(told[0])
        self.plain.append(told[1])
        self.fitted.append(told[2])


def _forecast(run: Run) -> _Told:
    sensor, told = run.machine.sensors["die_temp_c"], _Told()
    info = ChannelInfo(
        channel="die_temp_c", label="", device="", source="", quantity="temperature", unit="°C",
        resolution=sensor.step, limit=run.machine.processor.limit_c,
    )  # fmt: skip
    stage = StageForecaster(RULE, info)
    ask_at = 15.0
    for elapsed in range(1, len(run.rows) - IDLE_S + 1):
        # Asked as the runner asks, also past the moment it is known: a stage may go on, and each forecast is held
        # against those before it.
        due = elapsed >= ask_at
        if not due and elapsed not in FIXED_S:
            continue
        until = IDLE_S + elapsed
        ahead = stage.forecast(run.rows[:until], IDLE_S, run.fan_duty[:until])
        if due:
            ask_at = elapsed + max(5.0, 0.05 * elapsed)
        if ahead is None:
            continue
        found = _answer(run, elapsed, ahead.settles_at_c, ahead.u95_k)
        told.slow = ahead.slow
        if elapsed in FIXED_S:
            told.fixed[elapsed] = found
        if ahead.known and told.known_s is None and elapsed >= LEAST_S:
            told.known_s, told.at_known = elapsed, found
        if told.known_s is not None and elapsed >= FIXED_S[-1]:
            break
    return told


def _answer(run: Run, elapsed_s: int, settles_at_c: float, u95_k: float) -> _Answer:
    now = IDLE_S + elapsed_s - 1
    return _Answer(settles_at_c - run.end_c(now), u95_k, settles_at_c - run.end_c())


def _plain_wait(run: Run) -> _Told:
    """Wait until a line through the last two minutes rises by less than 0.2 K/min, then read the last half minute."""
    told = _Told()
    t, temp = run.rows[IDLE_S:, 0], run.rows[IDLE_S:, 1]
    for elapsed in range(125, LOAD_S + 1, 5):
        last = slice(elapsed - 120, elapsed)
        if abs(np.polyfit(t[last], temp[last], 1)[0]) * 60 < 0.2:
            read_c = float(np.mean(temp[elapsed - 30 : elapsed]))
            told.known_s, told.at_known = elapsed, _answer(run, elapsed, read_c, RULE.within_k)
            break
    return told


def _one_exponential(run: Run) -> _Told:
    told = _Told()
    for elapsed in (*FIXED_S, *range(60, LOAD_S + 1, 30)):
        if told.known_s is not None and elapsed > max(FIXED_S):
            break
        found = _fit_one(run.rows[IDLE_S : IDLE_S + elapsed])
        if found is None:
            continue
        answer = _answer(run, elapsed, *found)
        if elapsed in FIXED_S:
            told.fixed[elapsed] = answer
        if answer.u95_k <= RULE.within_k and elapsed >= LEAST_S and told.known_s is None and elapsed not in FIXED_S:
            told.known_s, told.at_known = elapsed, answer
    return told


def _fit_one(rows: FloatArray) -> tuple[float, float] | None:
    from scipy.optimize import OptimizeWarning, curve_fit

    t, temp = rows[:, 0] - rows[0, 0], rows[:, 1]
    start = (temp[-1], temp[-1] - temp[0] or 1.0, 60.0)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", OptimizeWarning)
            best, covariance = curve_fit(lambda x, end, way, tau: end - way * np.exp(-x / abs(tau)), t, temp, start)
    except RuntimeError:
        return None
    return float(best[0]), 1.96 * float(np.sqrt(covariance[0, 0]))


def _told(run: Run) -> tuple[_Told, _Told, _Told]:
    return _forecast(run), _plain_wait(run), _one_exponential(run)


def _figures(told: list[_Told]) -> dict[str, Any]:
    if not told:
        return {"runs": 0}
    wait = [(t.known_s or LOAD_S) / LOAD_S for t in told]
    known = [t.at_known for t in told if t.at_known is not None]
    found: dict[str, Any] = {
        "runs": len(told),
        "wait_median": round(float(np.median(wait)), 3),
        "wait_slowest_tenth": round(float(np.quantile(wait, 0.9)), 3),
        "inside_when_known": _inside(known),
        "inside_when_known_in_the_last_room": _inside(known, last_room=True),
        "never_known": sum(t.known_s is None for t in told),
    }
    for at in FIXED_S:
        answers = [t.fixed[at] for t in told if at in t.fixed]
        if answers:
            found[f"inside_at_{at}s"] = _inside(answers)
            found[f"inside_at_{at}s_in_the_last_room"] = _inside(answers, last_room=True)
            found[f"median_error_k_at_{at}s"] = round(float(np.median([abs(a.error_k) for a in answers])), 2)
            found[f"median_u95_k_at_{at}s"] = round(float(np.median([a.u95_k for a in answers])), 2)
    return found


def _inside(answers: list[_Answer], *, last_room: bool = False) -> float | None:
    errors = [a.last_room_error_k if last_room else a.error_k for a in answers]
    share = share_within(errors, [a.u95_k for a in answers])
    return None if math.isnan(share) else round(share, 4)


@dataclass(frozen=True, slots=True)
class _Job:
    case: str
    seed: int
    from_outside: bool


def _work_off(job: _Job) -> tuple[_Job, bool, tuple[_Told, _Told, _Told]] | None:
    """Return the job, whether the machine is slower than the bound, and what it was told; None without a load."""
    run = record(job.case, job.seed, outside(job.case, job.seed) if job.from_outside else None)
    if run is None:
        return None
    return job, run.slowest_s > RULE.slowest_time_constant_s, _told(run)


def measure(full: bool = True, machines: int | None = None) -> dict[str, Any]:
    """Return the table: within the bound, by case, beyond the bound, and machines from outside the usual ranges."""
    count = machines or (400 if full else 4)
    cases = [case for case in CASES if case not in LEFT_OUT]
    jobs = [_Job(case, FIRST_SEED + n, False) for n in range(count) for case in cases]
    jobs += [_Job(case, FIRST_SEED + n, True) for n in range(max(1, count // 2)) for case in _OUTSIDE_CASES]
    every, beyond, strange = _Row(), _Row(), _Row()
    by_case: dict[str, _Row] = {case: _Row() for case in cases}
    # One thread in each child: several that share the cores take longer than one.
    with ProcessPoolExecutor(max_workers=os.cpu_count(), initializer=threadpool_limits, initargs=(1,)) as pool:
        for found in pool.map(_work_off, jobs, chunksize=4):
            if found is None:
                continue
            job, too_slow, told = found
            if job.from_outside:
                if not too_slow:
                    strange.add(told)
            elif too_slow:
                beyond.add(told)
            else:
                every.add(told)
                by_case[job.case].add(told)
    return {
        "machines_a_case": count,
        "all": _figures(every.ours),
        "by_case": {case: _figures(row.ours) for case, row in by_case.items()},
        "outside_the_prior": _figures(strange.ours),
        "beyond_the_bound": {**_figures(beyond.ours), "found_out": _found_out(beyond.ours)},
        "instead_slope_below_0.2_k_per_min": _figures(every.plain),
        "instead_one_exponential": _figures(every.fitted),
        "ratio": _figures(every.ours).get("wait_median"),
    }


def _found_out(told: list[_Told]) -> float | None:
    """Share that was called slower than the bound in its last forecast."""
    return round(float(np.mean([t.slow for t in told])), 3) if told else None
