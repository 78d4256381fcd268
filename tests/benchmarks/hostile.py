"""Hostile input to the whole command line: how many inputs, what each kind's commands ended with, and what broke.

The limit beside it is the only right answer: nothing broken, of however many inputs.
"""

from __future__ import annotations

import importlib
import multiprocessing
import os
import sys
import time
from typing import Any

KINDS = {"records": 0.25, "toml": 0.25, "tables": 0.15, "lines": 0.15, "sticks": 0.15, "trees": 0.05}
FULL, QUICK = 100_000, 200
SEED = 6_200
_AT_ONCE = 100


def campaign(kind: str, count: int, seed: int) -> dict[str, Any]:
    """Draw inputs of one kind and attack with each; return how many, the exit codes, and what must not happen."""
    from hypothesis import HealthCheck, Phase, given, settings
    from hypothesis import seed as seeded

    from tests.hostile import watch

    module = importlib.import_module(f"tests.hostile.{kind}")
    done: dict[str, Any] = {"inputs": 0, "exit_codes": {}, "broken": [], "longest_s": 0.0}

    @seeded(seed)
    @settings(
        max_examples=count,
        database=None,
        deadline=None,
        suppress_health_check=list(HealthCheck),
        phases=[Phase.generate],
    )
    @given(module.INPUTS)
    def attack(recipe: Any) -> None:
        began_s = time.monotonic()
        with watch.place() as place:
            module.attack(recipe, place)
        done["inputs"] += 1
        done["longest_s"] = max(done["longest_s"], time.monotonic() - began_s)
        for code, times in place.codes.items():
            done["exit_codes"][code] = done["exit_codes"].get(code, 0) + times
        done["broken"] += [f"{line} <- {recipe!r}"[:900] for line in place.broken]

    attack()
    return done


def _part(work: tuple[str, int, int]) -> tuple[str, dict[str, Any]]:
    return work[0], campaign(*work)


def measure(full: bool = True, count: int | None = None) -> dict[str, Any]:
    """Return the counts of each kind, and the first things that broke, of `count` inputs in all."""
    total = count or (FULL if full else QUICK)
    parts = [
        (kind, min(_AT_ONCE, round(share * total) - at), SEED + at)
        for kind, share in KINDS.items()
        for at in range(0, round(share * total), _AT_ONCE)
    ]
    found: dict[str, Any] = {kind: {"inputs": 0, "exit_codes": {}, "broken": 0, "longest_s": 0.0} for kind in KINDS}
    first: list[str] = []
    context = multiprocessing.get_context("spawn")
    with context.Pool(os.cpu_count() or 1, maxtasksperchild=4) as pool:
        for kind, done in pool.imap_unordered(_part, parts):
            one = found[kind]
            if sys.stderr.isatty():
                print(f"\r{sum(each['inputs'] for each in found.values())} inputs of {total}", end="", file=sys.stderr)
            one["inputs"] += done["inputs"]
            one["broken"] += len(done["broken"])
            one["longest_s"] = round(max(one["longest_s"], done["longest_s"]), 1)
            for code, times in done["exit_codes"].items():
                one["exit_codes"][code] = one["exit_codes"].get(code, 0) + times
            first += done["broken"]
    return {
        "simulated_hardware": True,
        "seed": SEED,
        "inputs": sum(one["inputs"] for one in found.values()),
        "broken": len(first),
        **found,
        "first_broken": first[:20],
    }
