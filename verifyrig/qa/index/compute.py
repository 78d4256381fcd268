"""From record files to figures, on one core or on all: each record is computed alone, so the result is the same."""

from __future__ import annotations

import contextlib
import math
import multiprocessing
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from verifyrig.core.errors import FaultWithRecord, RecordError, kept_to
from verifyrig.core.integrity import Integrity
from verifyrig.core.outcome import Outcome, StageEnd
from verifyrig.core.plain_json import plain_number
from verifyrig.core.profile import StageKind
from verifyrig.core.reason import sentence
from verifyrig.core.recorded import Recorded, text_or_none
from verifyrig.core.trace import Trace
from verifyrig.qa import UnitFigure
from verifyrig.qa.index.cluster import on_cluster
from verifyrig.qa.index.kept import Kept, UnitHead, pack_figures

__all__ = ["Computed", "Workers", "compute_all", "compute_one", "computed_head", "holds", "sealed_digest", "spread"]

# Processes of this machine, all of its cores (None), or the address of a cluster's scheduler.
Workers = int | str | None
_Item = TypeVar("_Item")
_Result = TypeVar("_Result")

# Starting a process costs about as much as computing this many records.
_FEWEST_FOR_A_POOL = 8
_ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Computed:
    """What came of one file.

    Attributes:
        kept: Its figures, or None where it cannot be used; `refused` then says why, and `broken` that it is altered
            or damaged.
        lasting: Whether it may be kept: a record that is still written, or that was interrupted, may yet change.
        run, unit, profile: As the record itself says, as far as it can be read.
        started_utc_s: When, s since 1970, of a record that cannot be used; 0 where that cannot be read.
    """

    path: str
    kept: Kept | None
    run: str
    unit: str
    profile: str | None
    refused: str = ""
    broken: bool = False
    lasting: bool = False
    started_utc_s: float = 0.0


def compute_all(paths: Sequence[Path], workers: Workers = None) -> Iterator[Computed]:
    """Yield what comes of each file, in the order given, computed by as many processes as there are cores."""
    return spread(compute_one, paths, workers)


def spread(function: Callable[[_Item], _Result], items: Sequence[_Item], workers: Workers = None) -> Iterator[_Result]:
    """Yield the results of a function for each item, in the order given.

    Args:
        function: A function of a module, so that another process can find it.
        workers: Processes; as many as this machine has cores if None; of a cluster, the address of its scheduler.
    """
    if isinstance(workers, str):
        if items:
            yield from on_cluster(function, items, workers)
        return
    count = min(workers or os.cpu_count() or 1, len(items))
    if count < 2 or len(items) < _FEWEST_FOR_A_POOL:
        yield from map(function, items)
        return
    done = 0
    try:
        for result in _in_pool(function, items, count):
            yield result
            done += 1
    except (BrokenProcessPool, OSError, ImportError):
        # No semaphores, no memory for more processes: the rest is done here, only slower.
        yield from map(function, items[done:])


def _in_pool(function: Callable[[_Item], _Result], items: Sequence[_Item], count: int) -> Iterator[_Result]:
    context = multiprocessing.get_context("spawn")
    with _environment(_ONE_THREAD), ProcessPoolExecutor(count, mp_context=context) as pool:
        chunk = max(1, min(16, len(items) // (4 * count)))
        yield from pool.map(function, items, chunksize=chunk)


@contextlib.contextmanager
def _environment(values: Mapping[str, str]) -> Iterator[None]:
    """Set variables while children are started: linear algebra on several threads each would only get in the way."""
    before = {key: os.environ.get(key) for key in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for key, value in before.items():
            if value is None:
                os.environ.pop(key, None)
            else:
                os.environ[key] = value


def compute_one(path: Path) -> Computed:
    """Check one record against its digests and compute its figures; a record that cannot be used is a result."""
    from verifyrig.record import read_trace
    from verifyrig.record.check import check_record

    try:
        check = check_record(path)
        if check.integrity is Integrity.ALTERED:
            return _refused(path, f"it was altered after it was written: {check.fault}")
        if check.integrity is Integrity.DAMAGED or check.digest is None:
            return _refused(path, f"the file is damaged ({check.fault})")
        trace = read_trace(path)
        if check.integrity is Integrity.UNSEALED and trace.recorded.outcome == Outcome.COMPLETED:
            return _refused(path, "it was never sealed, so it proves nothing", broken=False)
        with kept_to(path):
            names, figures, remarks = pack_figures(_figures(trace))
            kept = Kept(digest=check.digest, head=computed_head(trace), names=names, figures=figures, remarks=remarks)
    except FaultWithRecord as error:
        return _refused(path, error.what, broken=False)
    except RecordError as error:
        return _refused(path, error.what)
    head = kept.head
    return Computed(
        path=str(path),
        kept=kept,
        run=head["run"],
        unit=head["unit"],
        profile=head["profile"],
        lasting=check.sealed,
    )


def sealed_digest(path: Path) -> str | None:
    """Return the digest that a record was sealed with, unchecked; None where there is none."""
    from verifyrig.record.schema import opened
    from verifyrig.record.seal import RECORD_PART

    try:
        with opened(path) as connection:
            row = connection.execute("SELECT digest FROM seal WHERE part = ?", (RECORD_PART,)).fetchone()
    except RecordError:
        return None
    return str(row[0]) if row is not None else None


def holds(path_and_digest: tuple[Path, str]) -> bool:
    """Return whether a record's content truly has this digest, sealed and unaltered."""
    from verifyrig.record.check import check_record

    path, digest = path_and_digest
    try:
        check = check_record(path)
    except RecordError:
        return False
    return check.integrity.proves and check.digest == digest


def _refused(path: Path, why: str, *, broken: bool = True) -> Computed:
    """Return a record that cannot be used, with what it says of itself where that can still be read."""
    from verifyrig.record import read_head

    run, facts = path.stem, Recorded()
    try:
        head = read_head(path)
        run, facts = head.run, head.recorded
    except RecordError:
        pass
    unit = facts.unit or facts.job or run
    return Computed(
        path=str(path),
        kept=None,
        run=run,
        unit=unit,
        profile=facts.profile_name,
        refused=why,
        broken=broken,
        started_utc_s=facts.started_utc_s or 0.0,
    )


def computed_head(trace: Trace) -> UnitHead:
    """Return who the record is of, as `Kept.head` has it."""
    facts = trace.recorded
    return {
        "run": trace.run_id,
        "unit": facts.unit or facts.job or trace.run_id,
        "batch": facts.batch,
        "model": text_or_none(facts.machine.get("model")),
        "profile": trace.profile.name if trace.profile else None,
        "recipe": trace.profile.recipe if trace.profile else None,
        "started_utc_s": _first_utc_s(trace) if facts.started_utc_s is None else facts.started_utc_s,
        "outcome": facts.outcome or Outcome.INTERRUPTED,
        "cause": facts.cause_class,
        "lost_power": trace.lost_power,
        "ambient_c": _ambient_c(trace),
        "states": dict(facts.states),
        "simulated": facts.simulated,
        "job": facts.job,
        "bench": facts.bench,
        "operator": facts.operator,
        "rework": facts.rework or "",
        "board": facts.board,
        "duration_s": float(trace.t_s[-1] - trace.t_s[0]) if len(trace.t_s) else 0.0,
        "stopped_by": "; ".join(facts.stopped_because) or (facts.cause_class or ""),
    }


def _text(value: Any) -> str | None:
    return None if value is None else str(value)


def _first_utc_s(trace: Trace) -> float:
    return float(trace.utc_s[0]) if len(trace.utc_s) else 0.0


def _ambient_c(trace: Trace) -> float | None:
    """Return the room during the longest load stage that knows it, else during any other, °C."""
    from verifyrig.analysis.ambient import ambient_of

    ran = [stage for stage in trace.stages if stage.ended != StageEnd.SKIPPED]
    for stage in sorted(
        ran, key=lambda stage: (stage.kind != StageKind.LOAD, stage.start_s - (stage.end_s or stage.start_s))
    ):
        ambient = ambient_of(trace, stage)
        if ambient is not None and math.isfinite(ambient.value_c):
            return float(ambient.value_c)
    return None


def _figures(trace: Trace) -> dict[str, UnitFigure]:
    """Return every single-valued metric, with the run's own reason where it may not pass."""
    from verifyrig.analysis import metrics_of

    metrics = metrics_of(trace)
    single = {name: metric for name, metric in metrics.items() if not isinstance(metric.value, tuple)}
    whys = _whys(trace, metrics)
    return {
        name: UnitFigure(
            value=plain_number(metric.value, None),  # type: ignore[arg-type]
            u95=plain_number(metric.u95, None),
            unit=metric.unit,
            note=metric.note,
            why_no_pass=whys.get(name, ""),
        )
        for name, metric in single.items()
    }


def _whys(trace: Trace, metrics: Mapping[str, Any]) -> dict[str, str]:
    """Return why a metric may not pass, by asking for its verdict against a limit that nothing exceeds."""
    from verifyrig.analysis import judge_thresholds
    from verifyrig.core.profile import Threshold

    if trace.profile is None:
        return {}
    endless = tuple(
        Threshold(metric=name, maximum=math.inf)
        for name, metric in metrics.items()
        if isinstance(metric.value, int | float) and metric.u95 is not None
    )
    asked = replace(trace, profile=replace(trace.profile, thresholds=endless))
    return {result.metric: sentence(result.why) for result in judge_thresholds(asked, metrics) if result.why}
