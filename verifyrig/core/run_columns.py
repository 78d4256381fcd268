"""Runs as columns: what is kept of very many of them, one row a run, and which of them are asked for."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["BoolArray", "Coded", "FigureColumn", "RowArray", "RunColumns", "RunFilter", "in_utf8"]

BoolArray = NDArray[np.bool_]
RowArray = NDArray[np.int64]
_FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Coded:
    """A column whose values repeat: row i has the value `words[codes[i]]`.

    Attributes:
        codes: Shape (n,).
        words: Each value once.
    """

    codes: RowArray
    words: tuple[Any, ...]

    @classmethod
    def of(cls, values: Iterable[Hashable]) -> Coded:
        """Return a column of these values, in their order."""
        places: dict[Hashable, int] = {}
        codes = np.fromiter((places.setdefault(value, len(places)) for value in values), dtype=np.int64)
        return cls(codes, tuple(places))

    @classmethod
    def joined(cls, parts: Sequence[Coded]) -> Coded:
        """Return the columns one below the other."""
        places: dict[Hashable, int] = {}
        codes = [np.empty(0, dtype=np.int64)]
        for part in parts:
            own = np.array([places.setdefault(word, len(places)) for word in part.words], dtype=np.int64)
            codes.append(own[part.codes])
        return cls(np.concatenate(codes), tuple(places))

    def __getitem__(self, row: int) -> Any:
        return self.words[self.codes[row]]

    def where(self, test: Callable[[Any], bool]) -> BoolArray:
        """Return in which rows the value passes a test, which is asked once a word."""
        return np.array([test(word) for word in self.words], dtype=np.bool_)[self.codes]

    def present(self) -> RowArray:
        """Return the codes that some row has, in order."""
        return np.flatnonzero(np.bincount(self.codes, minlength=len(self.words)))

    def take(self, rows: RowArray | BoolArray) -> Coded:
        """Return some of the rows."""
        return Coded(self.codes[rows], self.words)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FigureColumn:
    """One metric of every run.

    Attributes:
        values, u95: In `unit`, shape (n,), NaN where there is none.
        may_pass: Where nothing forbids that the figure passes.
    """

    unit: str
    values: _FloatArray
    u95: _FloatArray
    may_pass: BoolArray

    def take(self, rows: RowArray | BoolArray) -> FigureColumn:
        """Return some of the rows."""
        return FigureColumn(unit=self.unit, values=self.values[rows], u95=self.u95[rows], may_pass=self.may_pass[rows])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunColumns:
    """Runs, a row each; the words of each column mean what they do in `qa.UnitRun`.

    Attributes:
        states: Each word is a tuple of (state, value).
        ambient_c: NaN where it is not known.
        figures: By metric.
    """

    run: tuple[str, ...]
    unit: Coded
    batch: Coded
    model: Coded
    bench: Coded
    board: Coded
    recipe: Coded
    version: Coded
    rework: Coded
    outcome: Coded
    cause: Coded
    states: Coded
    refused: Coded
    broken: BoolArray
    lost_power: BoolArray
    simulated: BoolArray
    started_utc_s: _FloatArray
    ambient_c: _FloatArray
    figures: Mapping[str, FigureColumn]

    def __len__(self) -> int:
        return len(self.run)

    def take(self, rows: RowArray) -> RunColumns:
        """Return some of the rows, in the order given."""
        own: dict[str, Any] = {
            field.name: value.take(rows) if isinstance(value := getattr(self, field.name), Coded) else value
            for field in fields(self)
        }
        for name in ("broken", "lost_power", "simulated", "started_utc_s", "ambient_c"):
            own[name] = own[name][rows]
        own["run"] = tuple(np.array(self.run, dtype=object)[rows].tolist())
        own["figures"] = {name: column.take(rows) for name, column in self.figures.items()}
        return RunColumns(**own)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFilter:
    """Runs of a batch (or model), of a bench, of a time; None asks for all.

    Attributes:
        since, until: Start of the run, `until` exclusive, with a zone.
    """

    batch: str | None = None
    bench: str | None = None
    since: datetime | None = None
    until: datetime | None = None

    def fits(self, groups: tuple[str | None, ...], bench: str | None, started_utc_s: float) -> bool:
        """Return whether a run of these groups (batch, model) and this bench is among those asked for."""
        begun = datetime.fromtimestamp(started_utc_s, UTC)
        return (
            (self.batch is None or self.batch in groups)
            and (self.bench is None or self.bench == bench)
            and (self.since is None or begun >= self.since)
            and (self.until is None or begun < self.until)
        )


def in_utf8(text: str) -> str:
    """Return a text as tables take it; half a character, which no record holds, becomes a question mark."""
    return text.encode("utf-8", "replace").decode("utf-8")
