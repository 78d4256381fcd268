"""Makes benches of many invented units for the benchmarks of QA, from one real run on simulated hardware."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.silent import Silent
from verifyrig.analysis import ANALYSIS_VERSION
from verifyrig.bench.find_profile import find_profile
from verifyrig.bench.folder import Bench
from verifyrig.qa.index import INDEX_NAME
from verifyrig.qa.index.compute import Computed, compute_one
from verifyrig.qa.index.kept import Kept, UnitHead
from verifyrig.qa.index.store import open_index
from verifyrig.rig.assemble import run
from verifyrig.rig.request import RunRequest

PROFILE = "desktop-air"
_AT_ONCE = 2000


def simulated_record(folder: Path, seed: int, profile: str = PROFILE) -> Path:
    """Run a whole profile on the simulated machine; return the sealed record."""
    bench = Bench(root=folder)
    request = RunRequest(
        profile=find_profile(profile, bench),
        purpose="build",
        unit=f"unit-{seed:06d}",
        mock=("healthy-air", seed),
        facts={"batch": "batch-1"},
    )
    return run(request, bench, Silent()).record


def template(folder: Path) -> Kept:
    """Return the figures of one real run, all some three hundred of them."""
    computed = compute_one(simulated_record(folder / "template", 3))
    if computed.kept is None:
        raise SystemExit(f"the template record cannot be used: {computed.refused}")
    return computed.kept


def fill_bench(folder: Path, n: int, kept: Kept) -> list[Path]:
    """Make a bench of `n` units with kept figures: a small file each, and its row in the index; return the files.

    Figures are those of the template, a few per cent apart. The files are never read while they are unchanged, so
    what stands in them does not matter to the time; that their size and times are looked at does.
    """
    rng = np.random.default_rng(n)
    runs = folder / "runs"
    runs.mkdir(parents=True)
    paths = []
    with open_index(folder / INDEX_NAME, ANALYSIS_VERSION) as index:
        for begin in range(0, n, _AT_ONCE):
            some = [_unit(runs, number, kept, rng) for number in range(begin, min(begin + _AT_ONCE, n))]
            index.add(some)
            paths += [Path(item.path) for item in some]
    return paths


def _unit(runs: Path, number: int, kept: Kept, rng: np.random.Generator) -> Computed:
    run_id = f"20260101-{number // 3600 % 24:02d}{number // 60 % 60:02d}{number % 60:02d}-{number:06d}"
    path = runs / f"{run_id}.sqlite"
    path.write_bytes(run_id.encode())
    figures = kept.figures.copy()
    figures[0] *= rng.normal(1.0, 0.02, figures.shape[1])
    unit = f"unit-{number:06d}"
    head: UnitHead = {**kept.head, "run": run_id, "unit": unit, "started_utc_s": 1.77e9 + 900.0 * number}
    own = replace(kept, digest=f"{number:064x}", head=head, figures=figures)
    return Computed(path=str(path), kept=own, run=run_id, unit=unit, profile=PROFILE, lasting=True)
