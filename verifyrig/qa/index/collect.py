"""The runs of a bench with their figures: kept ones at once, the others computed on all cores and kept."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from verifyrig.core.profile import Profile
from verifyrig.core.run_columns import RunFilter
from verifyrig.qa import UnitRun
from verifyrig.qa.index.compute import Computed, Workers, compute_all, holds, sealed_digest, spread
from verifyrig.qa.index.kept import all_figures, figure_picker, unit_run
from verifyrig.qa.index.store import Index, open_index
from verifyrig.runs.index_file import INDEX_NAME

__all__ = ["INDEX_NAME", "collect_runs", "updated_index"]

_KEEP_EVERY = 64


def collect_runs(
    folder: Path,
    paths: Sequence[Path],
    wanted: Callable[[str], bool],
    *,
    profile: Profile | None = None,
    asked: RunFilter | None = None,
    workers: Workers = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[UnitRun]:
    """Return the runs of these records with the wanted metrics, in the order given.

    A record that cannot be used (altered, damaged, not readable) is returned with `refused` set.

    Args:
        folder: The bench folder, where the index is kept.
        profile: Return only runs of this name or of this recipe (limits may be tried on runs made under others);
            unusable records are returned all the same.
        asked: Return only runs of this batch, bench or time; the others' figures are computed and kept all the same.
        workers: Processes to compute with, as many as there are cores if None; or the address of a cluster's scheduler.
        progress: Called with how many records are computed, of how many.
    """
    from verifyrig.analysis import ANALYSIS_VERSION

    with open_index(folder / INDEX_NAME, ANALYSIS_VERSION) as index:
        known = index.digests(paths)
        known |= _moved(index, [path for path in paths if path not in known], workers)
        missing = [path for path in paths if path not in known]
        fresh = _compute(index, missing, workers, progress)
        found = _kept_runs(index, known, wanted, (profile, asked), ANALYSIS_VERSION)
    for path, computed in fresh.items():
        run = _fresh_run(computed, wanted, profile, ANALYSIS_VERSION)
        if (
            run is not None
            and asked is not None
            and not run.refused
            and not asked.fits((run.batch, run.model), run.bench, run.started_utc_s)
        ):
            continue
        if run is not None:
            found[path] = run
    return _each_once([found[path] for path in paths if path in found])


@contextlib.contextmanager
def updated_index(
    folder: Path,
    paths: Sequence[Path],
    *,
    workers: Workers = None,
    progress: Callable[[int, int], None] | None = None,
) -> Iterator[tuple[Index, dict[str, Path], list[tuple[str, str]]]]:
    """Yield the index brought up to date, the records that it keeps by digest, and what is refused, with why.

    A record that may yet change (it is still written, or was never sealed) is not kept.
    """
    from verifyrig.analysis import ANALYSIS_VERSION

    with open_index(folder / INDEX_NAME, ANALYSIS_VERSION) as index:
        known = index.digests(paths)
        known |= _moved(index, [path for path in paths if path not in known], workers)
        fresh = _compute(index, [path for path in paths if path not in known], workers, progress)
        known |= {path: item.kept.digest for path, item in fresh.items() if item.kept is not None and item.lasting}
        refused = [(item.run, item.refused) for item in fresh.values() if item.kept is None]
        yield index, {digest: path for path, digest in reversed(known.items())}, refused


def _each_once(runs: Sequence[UnitRun]) -> list[UnitRun]:
    """Return every run once: a copy of a record is dropped, another record with the same run id is refused."""
    first: dict[str, UnitRun] = {}
    others: list[UnitRun] = []
    for run in runs:
        before = first.setdefault(run.run, run)
        if before is not run and before != run:
            why = run.refused or "another record has the same run id and other content"
            others.append(replace(run, run=f"{run.run} (2)", refused=why))
    return [*first.values(), *others]


def _moved(index: Index, paths: Sequence[Path], workers: Workers) -> dict[Path, str]:
    """Return the digests of files that are new here but whose figures are kept: copied, moved, touched.

    Each is checked against its digest first, so that an altered copy borrows nothing.
    """
    kept = index.kept_digests() if paths else set()
    if not kept:
        return {}
    pairs = [(path, digest) for path in paths if (digest := sealed_digest(path)) in kept and digest is not None]
    sound = zip(pairs, spread(holds, pairs, workers), strict=True)
    found = {path: digest for (path, digest), holding in sound if holding}
    index.put_places(found)
    return found


def _compute(
    index: Index, paths: Sequence[Path], workers: Workers, progress: Callable[[int, int], None] | None
) -> dict[Path, Computed]:
    """Compute records; keep them in batches, so that little is lost where somebody interrupts."""
    fresh: dict[Path, Computed] = {}
    waiting: list[Computed] = []
    try:
        for path, computed in zip(paths, compute_all(paths, workers), strict=True):
            fresh[path] = computed
            waiting.append(computed)
            if len(waiting) == _KEEP_EVERY:
                index.add(waiting)
                waiting.clear()
            if progress is not None:
                progress(len(fresh), len(paths))
    finally:
        index.add(waiting)
    return fresh


def _kept_runs(
    index: Index,
    known: dict[Path, str],
    wanted: Callable[[str], bool],
    which: tuple[Profile | None, RunFilter | None],
    version: str,
) -> dict[Path, UnitRun]:
    pickers = {number: figure_picker(names, wanted) for number, names in index.layouts().items()}
    digests = list(dict.fromkeys(known.values()))
    by_digest = {
        row.digest: unit_run(row.head, pickers[row.layout](row.figures, row.remarks), version)
        for row in index.rows(digests, *which)
    }
    return {path: by_digest[digest] for path, digest in known.items() if digest in by_digest}


def _fresh_run(
    computed: Computed, wanted: Callable[[str], bool], profile: Profile | None, version: str
) -> UnitRun | None:
    kept = computed.kept
    without_profile = kept is None and computed.profile is None
    recipe = None if kept is None else kept.head["recipe"]
    if profile is not None and computed.profile != profile.name and recipe != profile.recipe and not without_profile:
        return None
    if kept is None:
        return UnitRun(
            run=computed.run,
            unit=computed.unit,
            metrics={},
            version=version,
            refused=computed.refused,
            broken=computed.broken,
            started_utc_s=computed.started_utc_s,
        )
    return unit_run(kept.head, all_figures(kept, wanted), version)
