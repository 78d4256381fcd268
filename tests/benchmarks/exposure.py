"""What a climb asks of a machine, beside today's rule and full load at once that only the trip limit watches.

Machines are those of `_exposure_runs`: each case, sound ones in hot rooms and with weak coolers that hold, and some
from outside the usual ranges; sampled at 1 Hz and 0.5 Hz by sensors of whole degrees that are fresh every 1 to 4 s.
Sensors that lie are counted apart.

`python -m tests.benchmarks.exposure FILE [--machines N] [--sound]` runs it in one process and adds a line of JSON to
FILE for each machine and rule, so that it can be stopped and goes on where it was; then it prints the table of what is
there. `--sound` runs nothing but the climb of the sound machines, for the wait alone.
"""

from __future__ import annotations

import argparse
import json
import math
import os
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from mock_hw.physics.parameters import CASES
from tests.benchmarks._exposure_runs import DISHONEST, SOUND, Job, Seen, run_job

RULES = ("climb", "today", "trip-only")
ALL_CASES = (*(case for case in CASES if case not in SOUND), *SOUND)
_OUTSIDE = ("healthy-air", "healthy-liquid", "paste-dried", "coolant-slow", "radiator-blocked", "fan-stopped")
# Of what was tuned by looking, seeds lie below this one; what is judged by are others.
FIRST_SEED = 9921
WAIT_MIN = 20.0


def jobs_of(seeds: Iterable[int], cases: Sequence[str] = ALL_CASES, strange: Sequence[str] = _OUTSIDE) -> list[Job]:
    """Return each machine under each rule; every second one is sampled at 0.5 Hz."""
    every = [(case, seed, False) for seed in seeds for case in cases]
    every += [(case, seed, True) for _, seed, _ in every[:: max(1, len(cases))] for case in strange]
    return [
        Job(case=case, seed=seed, rule=rule, period_s=1.0 + seed % 2, strange=is_strange)
        for case, seed, is_strange in every
        for rule in RULES
    ]


def run_all(jobs: Sequence[Job]) -> list[tuple[Job, Seen]]:
    """Run them on all cores."""
    with ProcessPoolExecutor(max_workers=os.cpu_count(), initializer=threadpool_limits, initargs=(1,)) as pool:
        return list(zip(jobs, pool.map(run_job, jobs, chunksize=2), strict=True))


def campaign(path: Path, machines: int, *, sound_only: bool = False) -> list[tuple[Job, Seen]]:
    """Run what is not in the file yet, machine by machine, and add it there; return all that the file holds then."""
    found = _read(path)
    done = {job for job, _ in found}
    with path.open("a", encoding="utf-8") as file:
        for seed in range(FIRST_SEED, FIRST_SEED + machines):
            jobs = jobs_of([seed], SOUND, _OUTSIDE[:2]) if sound_only else jobs_of([seed])
            for job in jobs:
                if job in done or (sound_only and job.rule != "climb"):
                    continue
                seen = run_job(job)
                file.write(json.dumps({"job": asdict(job), "seen": asdict(seen)}) + "\n")
                file.flush()
                found.append((job, seen))
    return found


def _read(path: Path) -> list[tuple[Job, Seen]]:
    if not path.exists():
        return []
    rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    return [(Job(**row["job"]), Seen(**row["seen"])) for row in rows]


def measure(full: bool = True, machines: int | None = None) -> dict[str, Any]:
    """Return the table by rule: all machines, sound ones, those that full load at once takes past their trip limit."""
    count = machines or (200 if full else 1)
    found = run_all(jobs_of(range(FIRST_SEED, FIRST_SEED + count)))
    return {"machines_a_case": count, **{rule: table(found, rule) for rule in RULES}, "by_case": by_case(found)}


def table(found: Sequence[tuple[Job, Seen]], rule: str) -> dict[str, Any]:
    """Return one rule's figures."""
    own = [(job, seen) for job, seen in found if job.rule == rule]
    honest = [seen for job, seen in own if job.case not in DISHONEST]
    lying = [seen for job, seen in own if job.case in DISHONEST]
    # One from outside the usual ranges may come to its trip limit, sound as it is: nothing is sound that does not hold.
    ended = {_machine(job) for job, seen in found if job.rule == "trip-only" and seen.outcome != "completed"}
    sound = [seen for job, seen in own if job.case in SOUND and _machine(job) not in ended]
    known = [seen for seen in honest if math.isfinite(seen.known_min)]
    figures: dict[str, Any] = {
        "machines": len(own),
        "sound_without_verdict": _share(seen.outcome != "completed" or not seen.reached_full for seen in sound),
        "dies_past_own_limit": _share(seen.die_over_k > 0 for seen in honest),
        "dies_past_trip_limit": _share(seen.trip_over_k > 0 for seen in honest),
        "worst_die_over_limit_k": max((seen.die_over_k for seen in honest), default=math.nan),
        "dies_past_own_limit_by_sensors_that_lie": _share(seen.die_over_k > 0 for seen in lying),
        "unwatched_past_limit": _share(max(seen.unwatched_over_k.values()) > 0 for seen in honest),
        **{
            f"unwatched_past_limit_{part}": _share(seen.unwatched_over_k.get(part, -1.0) > 0 for seen in honest)
            for part in ("regulator", "hot-spot", "coolant")
        },
        "degree_minutes_of_those_that_would_trip": _exposure(found, rule),
        "near_limit_s_mean": float(np.mean([seen.near_limit_s for seen in honest])),
        "joules_mean": float(np.mean([seen.joules for seen in honest])),
    }
    if rule == "trip-only":
        return figures
    # Of a sound machine in a hot room the room is no fault, and what is the right cause is open.
    judged = [seen for job, seen in own if job.case in CASES]
    until_right = [seen.sure_min if seen.sure_is_right else math.inf for seen in judged]
    waits = [min(seen.known_min, WAIT_MIN) / WAIT_MIN for seen in sound]
    return figures | {
        "wait_median_sound": float(np.median(waits)),
        "wait_slowest_tenth_sound": float(np.quantile(waits, 0.9)),
        "inside_u95": _share(abs(seen.error_k) <= seen.u95_k for seen in known),
        "minutes_until_the_right_cause_stands_first_median": float(np.median(until_right)),
        "right_where_a_cause_stands_first": _share(
            seen.sure_is_right for seen in judged if math.isfinite(seen.sure_min)
        ),
        "bench_minutes_median_sound": float(np.median([seen.took_min for seen in sound])),
    }


def _exposure(found: Sequence[tuple[Job, Seen]], rule: str) -> float:
    """Return the degree-minutes of machines that full load at once takes past their trip limit, over what that asks."""
    trips = {_machine(job) for job, seen in found if job.rule == "trip-only" and seen.trip_over_k > 0}
    honest = {machine for machine in trips if machine[0] not in DISHONEST}
    ours = sum(seen.degree_min for job, seen in found if job.rule == rule and _machine(job) in honest)
    at_once = sum(seen.degree_min for job, seen in found if job.rule == "trip-only" and _machine(job) in honest)
    return ours / at_once if at_once else math.nan


def _machine(job: Job) -> tuple[str, int, bool]:
    return job.case, job.seed, job.strange


def by_case(found: Sequence[tuple[Job, Seen]]) -> dict[str, Any]:
    """Return how the climbs ended by case, and what they asked of the machine beside full load at once."""
    rows: dict[str, Any] = {}
    for job, seen in found:
        row = rows.setdefault(job.case + (" (outside)" if job.strange else ""), {})
        key = f"{job.rule}: {seen.outcome}" + ("" if seen.reached_full else " below full share")
        row[key] = row.get(key, 0) + 1
        row[f"{job.rule}: degree-min"] = row.get(f"{job.rule}: degree-min", 0.0) + seen.degree_min
    return rows


def main() -> None:
    """Go on with a campaign, and print its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("file", type=Path)
    parser.add_argument("--machines", type=int, default=200, help="of each case")
    parser.add_argument("--sound", action="store_true")
    args = parser.parse_args()
    with threadpool_limits(1):
        found = campaign(args.file, args.machines, sound_only=args.sound)
    rules = [rule for rule in RULES if any(job.rule == rule for job, _ in found)]
    print(json.dumps({**{rule: table(found, rule) for rule in rules}, "by_case": by_case(found)}, indent=1))


def _share(flags: Iterable[bool]) -> float:
    values = list(flags)
    return float(np.mean(values)) if values else math.nan


if __name__ == "__main__":
    main()
