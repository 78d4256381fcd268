"""Reads a dataset as `qa` takes runs: filters by profile, batch, bench and time reach the files before their rows do.

pyarrow's own dataset reader does this on one machine: it skips months and row groups by their statistics and reads
only the columns that are asked for. DuckDB and Polars read the same files for questions of one's own.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import lru_cache
from typing import Any

from verifyrig.core.errors import RecordError, UsageError
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.profile import Profile
from verifyrig.core.run_columns import RunFilter, in_utf8
from verifyrig.qa.dataset.place import open_place, saying
from verifyrig.qa.dataset.schema import HEAD_COLUMNS, SCHEMA_VERSION, UNCERTAINTY, arrow
from verifyrig.qa.unit_run import UnitFigure, UnitRun

__all__ = ["dataset_runs"]

_KINDS = ("note", "why_no_pass")


def dataset_runs(url: str, profile: Profile, wanted: Callable[[str], bool], asked: RunFilter) -> list[UnitRun]:
    """Return the runs of a profile's name or recipe, each once, in order of time.

    A run that stands in several files (two sites collected the same bench) counts once, by its record's digest; of
    figures by several versions of the analysis the newest is taken.

    Raises:
        UsageError: There is no dataset, or the extra is missing.
        RecordError: A file is none of ours, or of a later schema.
    """
    arrow()
    from pyarrow import dataset as ds
    from pyarrow import parquet

    place = open_place(url)
    system, files = place.system, [place.path(name) for name in place.names()]
    if not files:
        raise UsageError("there is no dataset", where=url, mend="Write one with `verifyrig dataset`.")
    found: dict[str, tuple[str, UnitRun]] = {}
    for path in files:
        if not _month_fits(path, asked):
            continue
        with saying("read", path, "Remove it, and export it anew."):
            with system.open(path, "rb") as file:
                schema = parquet.read_schema(file)
            source = ds.dataset(path, filesystem=system, format="parquet", schema=schema)
            names = _metric_names(schema, path)
            columns = [*HEAD_COLUMNS, *(n + s for n in names if wanted(n) for s in ("", UNCERTAINTY))]
            table = source.to_table(columns=columns, filter=_expression(ds, profile, asked))
        units = {n: _unit_of(schema, n) for n in names}
        for digest, version, run in _runs(table, names, units, wanted):
            known = found.get(digest)
            if known is None or known[0] < version:
                found[digest] = (version, run)
    return sorted((run for _, run in found.values()), key=lambda run: (run.started_utc_s, run.run))


def _month_fits(path: str, asked: RunFilter) -> bool:
    """Return whether a file's month, as its folder names it, reaches into the time that is asked for."""
    month = next((part[6:] for part in path.split("/") if part.startswith("month=")), "")
    if len(month) != 7:
        return True
    early = asked.until is None or month <= f"{asked.until:%Y-%m}"
    return early and (asked.since is None or month >= f"{asked.since:%Y-%m}")


def _expression(ds: Any, profile: Profile, asked: RunFilter) -> Any:
    field = ds.field
    expression = (field("profile") == profile.name) | (field("recipe") == profile.recipe)
    if asked.batch is not None:
        batch = in_utf8(asked.batch)
        expression &= (field("batch") == batch) | (field("model") == batch)
    if asked.bench is not None:
        expression &= field("bench") == in_utf8(asked.bench)
    if asked.since is not None:
        expression &= field("started") >= asked.since
    if asked.until is not None:
        expression &= field("started") < asked.until
    return expression


def _metric_names(schema: Any, path: str) -> list[str]:
    metadata = {key.decode(): value.decode() for key, value in (schema.metadata or {}).items()}
    if "verifyrig.metrics" not in metadata:
        raise RecordError("this is no file of kept figures", where=path, mend="Take it out of the dataset.")
    if int(metadata["verifyrig.schema"]) > SCHEMA_VERSION:
        raise RecordError("it was written by a later version", where=path, mend="Update verifyrig here.")
    return list(json.loads(metadata["verifyrig.metrics"]))


def _unit_of(schema: Any, name: str) -> str:
    metadata = schema.field(name).metadata or {}
    return bytes(metadata.get(b"unit", b"")).decode("utf-8")


def _runs(
    table: Any, names: list[str], units: dict[str, str], wanted: Callable[[str], bool]
) -> list[tuple[str, str, UnitRun]]:
    heads = {name: table.column(name).to_pylist() for name in HEAD_COLUMNS}
    picked = [(at, name) for at, name in enumerate(names) if wanted(name)]
    values = {name: table.column(name).to_pylist() for _, name in picked}
    spreads = {name: table.column(name + UNCERTAINTY).to_pylist() for _, name in picked}

    @lru_cache(maxsize=1024)
    def texts(remarks: str) -> tuple[dict[int, str], dict[int, str]]:
        kinds = json.loads(remarks)
        notes, whys = ({at: text for text, own in kinds.get(k, {}).items() for at in own} for k in _KINDS)
        return notes, whys

    runs = []
    for row in range(table.num_rows):
        head = {name: column[row] for name, column in heads.items()}
        notes, whys = texts(head["remarks"])
        figures = {
            name: UnitFigure(values[name][row], spreads[name][row], units[name], notes.get(at, ""), whys.get(at, ""))
            for at, name in picked
        }
        runs.append((str(head["digest"]), str(head["version"]), _run(head, figures)))
    return runs


def _run(head: dict[str, Any], figures: dict[str, UnitFigure]) -> UnitRun:
    return UnitRun(
        run=head["run"],
        unit=head["unit"],
        metrics=figures,
        batch=head["batch"],
        model=head["model"],
        recipe=head["recipe"],
        version=head["version"],
        started_utc_s=head["started_utc_s"],
        outcome=Outcome(head["outcome"]),
        cause=None if head["cause"] is None else CauseClass(head["cause"]),
        lost_power=head["lost_power"],
        ambient_c=head["ambient_c"],
        states=json.loads(head["states"]),
        simulated=head["simulated"],
        bench=head["bench"],
        rework=head["rework"] or "",
        board=head["board"],
        duration_s=head["duration_s"],
        stopped_by=head["stopped_by"] or "",
    )
