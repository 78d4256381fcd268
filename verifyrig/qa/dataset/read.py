"""Reads a dataset as `qa` takes runs: filters by profile, batch, bench and time reach the files before their rows do.

pyarrow's own dataset reader does this on one machine: it skips months and row groups by their statistics and reads
only the columns that are asked for. DuckDB and Polars read the same files for questions of one's own.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import lru_cache, partial
from typing import Any, NamedTuple

import numpy as np

from verifyrig.core.errors import RecordError, UsageError
from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.profile import Profile
from verifyrig.core.run_columns import Coded, FigureColumn, RowArray, RunColumns, RunFilter, in_utf8
from verifyrig.qa.dataset.place import open_place, saying
from verifyrig.qa.dataset.schema import HEAD_COLUMNS, SCHEMA_VERSION, UNCERTAINTY, arrow
from verifyrig.qa.findings import may_be_asked
from verifyrig.qa.unit_run import UnitFigure, UnitRun

__all__ = ["Dataset"]

_CODED = ("unit", "batch", "model", "bench", "board", "recipe", "version", "rework", "outcome", "cause", "states")
_FLAGS, _NUMBERS = ("lost_power", "simulated"), ("started_utc_s", "ambient_c")


class _Part(NamedTuple):
    """What one file holds of what was asked for.

    Attributes:
        names: Every metric of the file, in the order in which remarks count.
        units: Unit of each wanted one.
    """

    table: Any
    names: list[str]
    units: dict[str, str]


class Dataset:
    """A dataset at a path or URL, as a `RunTable`.

    A run that stands in several files (two sites collected the same bench) counts once, by its record's digest; of
    figures by several versions of the analysis the newest is taken.
    """

    def __init__(self, url: str) -> None:
        self._url = url

    def runs(self, profile: Profile, asked: RunFilter) -> list[UnitRun]:
        """Return the runs of a profile's name or recipe, each once, in order of time.

        Raises:
            UsageError: There is no dataset, or the extra is missing.
            RecordError: A file is none of ours, or of a later schema, or cannot be read.
        """
        found: dict[str, tuple[str, UnitRun]] = {}
        for part in self._parts(profile, asked, HEAD_COLUMNS):
            for digest, version, run in _runs(part):
                known = found.get(digest)
                if known is None or known[0] < version:
                    found[digest] = (version, run)
        return sorted((run for _, run in found.values()), key=lambda run: (run.started_utc_s, run.run))

    def columns(self, profile: Profile, asked: RunFilter) -> RunColumns:
        """Return the same runs as columns, in any order; raises what `runs` does."""
        parts = _each_once(list(self._parts(profile, asked, ("digest", "run", "remarks", *_CODED, *_FLAGS, *_NUMBERS))))
        n = sum(part.table.num_rows for part in parts)
        own: dict[str, Any] = {name: Coded.joined([_coded(part, name) for part in parts]) for name in _CODED}
        own |= {
            name: np.concatenate([np.empty(0, dtype=kind), *(_array(part, name) for part in parts)])
            for names, kind in ((_FLAGS, np.bool_), (_NUMBERS, np.float64))
            for name in names
        }
        return RunColumns(
            run=tuple(name for part in parts for name in part.table.column("run").to_pylist()),
            refused=Coded(np.zeros(n, dtype=np.int64), ("",)),
            broken=np.zeros(n, dtype=np.bool_),
            figures=_figures(parts),
            **own,
        )

    def _parts(self, profile: Profile, asked: RunFilter, heads: Sequence[str]) -> Iterator[_Part]:
        """Yield what each file holds of the runs that are asked for."""
        arrow()
        from pyarrow import dataset as ds
        from pyarrow import parquet

        place = open_place(self._url)
        names_there = place.names()
        if not names_there:
            raise UsageError("there is no dataset", where=self._url, mend="Write one with `verifyrig dataset`.")
        wanted = may_be_asked(profile)
        for file_name in names_there:
            path = place.path(file_name)
            if not _month_fits(path, asked):
                continue
            with saying("read", path, "Remove it, and export it anew."):
                with place.opened(file_name) as file:
                    if file is None:  # its list names it, and somebody removed it
                        continue
                    schema = parquet.read_schema(file)
                source = ds.dataset(path, filesystem=place.system, format="parquet", schema=schema)
                names = _metric_names(schema, path)
                picked = [name for name in names if wanted(name)]
                columns = [*heads, *(name + suffix for name in picked for suffix in ("", UNCERTAINTY))]
                table = source.to_table(columns=columns, filter=_expression(ds, profile, asked))
            if table.num_rows:
                yield _Part(table, names, {name: _unit_of(schema, name) for name in picked})


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


@lru_cache(maxsize=4096)  # runs of one recipe often have the same remarks
def _texts(remarks: str, kind: str) -> Mapping[int, str]:
    """Return the remark at each place of a file's metrics."""
    return {at: text for text, own in json.loads(remarks).get(kind, {}).items() for at in own}


# ---- as runs ------------------------------------------------------------------------------------------------------


def _runs(part: _Part) -> Iterator[tuple[str, str, UnitRun]]:
    table = part.table
    heads = {name: table.column(name).to_pylist() for name in HEAD_COLUMNS}
    picked = [(part.names.index(name), name, unit) for name, unit in part.units.items()]
    values = {name: table.column(name).to_pylist() for name in part.units}
    spreads = {name: table.column(name + UNCERTAINTY).to_pylist() for name in part.units}
    for row in range(table.num_rows):
        head = {name: column[row] for name, column in heads.items()}
        notes, whys = _texts(head["remarks"], "note"), _texts(head["remarks"], "why_no_pass")
        figures = {
            name: UnitFigure(values[name][row], spreads[name][row], unit, notes.get(at, ""), whys.get(at, ""))
            for at, name, unit in picked
        }
        yield str(head["digest"]), str(head["version"]), _run(head, figures)


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


# ---- as columns ---------------------------------------------------------------------------------------------------

_MEANING: dict[str, Callable[[Any], Any]] = {
    "rework": lambda word: word or "",
    "outcome": lambda word: None if word is None else Outcome(word),
    "cause": lambda word: None if word is None else CauseClass(word),
    "states": lambda word: tuple(json.loads(word or "{}").items()),
}


def _coded(part: _Part, name: str) -> Coded:
    pa = arrow()
    column = part.table.column(name)
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    whole = column.unify_dictionaries().combine_chunks()
    words = whole.dictionary.to_pylist()
    codes = whole.indices.fill_null(len(words)).to_numpy(zero_copy_only=False).astype(np.int64)
    meant = [*words, None] if whole.null_count else words
    told = _MEANING.get(name)
    return Coded(codes, tuple(meant if told is None else map(told, meant)))


def _array(part: _Part, name: str) -> Any:
    """Return a column as an array, NaN for null."""
    return part.table.column(name).to_numpy()


def _each_once(parts: list[_Part]) -> list[_Part]:
    """Return the parts with each record in one of them: of its newest version, of several the first."""
    pa = arrow()
    chunks = [chunk.cast(pa.large_string()) for part in parts for chunk in part.table.column("digest").chunks]
    encoded = pa.concat_arrays(chunks or [pa.array([], pa.large_string())]).dictionary_encode()
    if len(encoded.dictionary) == len(encoded):
        return [part._replace(table=part.table.drop_columns("digest")) for part in parts]
    codes: RowArray = encoded.indices.to_numpy(zero_copy_only=False).astype(np.int64)
    versions = Coded.joined([_coded(part, "version") for part in parts])
    rank = np.argsort(np.argsort(np.array(versions.words)))[versions.codes]
    order = np.lexsort((np.arange(codes.size), -rank, codes))
    taken = np.ones(codes.size, dtype=np.bool_)
    taken[order[1:]] = codes[order[1:]] != codes[order[:-1]]
    once, begin = [], 0
    while parts:  # each goes as soon as its rows are taken: a million runs are in memory once only
        part = parts.pop(0)
        end = begin + part.table.num_rows
        once.append(part._replace(table=part.table.drop_columns("digest").filter(pa.array(taken[begin:end]))))
        begin = end
    return once


def _figures(parts: list[_Part]) -> dict[str, FigureColumn]:
    """Return the figures by metric; the parts give theirs away, since a million runs have them in memory once only."""
    units = {name: unit for part in reversed(parts) for name, unit in part.units.items()}
    remarks = [_coded(part, "remarks") for part in parts]
    found = {}
    for name, unit in units.items():
        found[name] = _figure(name, unit, parts, remarks)
        gone = (name, name + UNCERTAINTY)
        parts[:] = [p._replace(table=p.table.drop_columns(list(gone))) if name in p.units else p for p in parts]
    return found


def _is_free(at: int, remarks: str) -> bool:
    """Return whether nothing in a run's remarks forbids the figure at this place to pass."""
    return at not in _texts(remarks, "why_no_pass")


def _figure(name: str, unit: str, parts: Sequence[_Part], remarks: Sequence[Coded]) -> FigureColumn:
    values, u95, may_pass = [], [], []
    for part, said in zip(parts, remarks, strict=True):
        n = part.table.num_rows
        if name not in part.units:
            values.append(np.full(n, np.nan))
            u95.append(np.full(n, np.nan))
            may_pass.append(np.ones(n, dtype=np.bool_))
            continue
        at = part.names.index(name)
        values.append(_array(part, name))
        u95.append(_array(part, name + UNCERTAINTY))
        may_pass.append(said.where(partial(_is_free, at)))
    return FigureColumn(
        unit=unit, values=np.concatenate(values), u95=np.concatenate(u95), may_pass=np.concatenate(may_pass)
    )
