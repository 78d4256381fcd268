"""What is kept of one record: who it is of, and every figure, packed so that a hundred thousand are read at once."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NotRequired, TypedDict

import numpy as np

from verifyrig.core.outcome import CauseClass, Outcome
from verifyrig.core.trace import FloatArray
from verifyrig.qa import UnitFigure, UnitRun

__all__ = ["Kept", "all_figures", "figure_picker", "json_of", "pack_figures", "unit_run"]


class UnitHead(TypedDict):
    """Who a record is of, as `UnitRun` has it; what may be left out counts as not known."""

    run: str
    unit: str
    batch: str | None
    model: str | None
    profile: str | None
    recipe: str | None
    started_utc_s: float
    outcome: Outcome
    cause: CauseClass | None
    lost_power: bool
    ambient_c: float | None
    states: dict[str, str]
    simulated: bool
    job: NotRequired[str | None]
    bench: NotRequired[str | None]
    operator: NotRequired[str | None]
    rework: NotRequired[str]
    board: NotRequired[str | None]
    duration_s: NotRequired[float]
    stopped_by: NotRequired[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """The figures of one record under one version of the analysis.

    Attributes:
        digest: Of the record, as `inspect` prints it.
        head: Who it is of, JSON-able.
        names: Metric and unit of each figure.
        figures: Values and U95, shape (2, n), NaN for None.
        remarks: {"note" | "why_no_pass": {text: [places in `names`]}}.
    """

    digest: str
    head: UnitHead
    names: tuple[tuple[str, str], ...]
    figures: FloatArray
    remarks: Mapping[str, Mapping[str, list[int]]]


def pack_figures(figures: Mapping[str, UnitFigure]) -> tuple[tuple[tuple[str, str], ...], FloatArray, dict[str, Any]]:
    """Return names with units, the array of values and U95, and the remarks, as `Kept` holds them."""
    names = tuple((name, figure.unit) for name, figure in figures.items())
    pairs = [(figure.value, figure.u95) for figure in figures.values()]
    packed = np.array([[np.nan if x is None else x for x in pair] for pair in pairs], dtype=np.float64)
    remarks: dict[str, dict[str, list[int]]] = {"note": {}, "why_no_pass": {}}
    for at, figure in enumerate(figures.values()):
        for kind, text in (("note", figure.note), ("why_no_pass", figure.why_no_pass)):
            if text:
                remarks[kind].setdefault(text, []).append(at)
    return names, packed.reshape(-1, 2).T.copy(), remarks


Picker = Callable[[FloatArray, str], dict[str, UnitFigure]]


def figure_picker(names: tuple[tuple[str, str], ...], wanted: Callable[[str], bool]) -> Picker:
    """Return what takes the wanted figures out of any record with these names: (figures, remarks as JSON text)."""
    picked = [(at, name, unit) for at, (name, unit) in enumerate(names) if wanted(name)]
    places = [at for at, _, _ in picked]

    @lru_cache(maxsize=1024)  # runs of one recipe often have the same remarks
    def read(remarks: str) -> tuple[dict[int, str], dict[int, str]]:
        texts = json.loads(remarks)
        return _by_place(texts.get("note", {}), places), _by_place(texts.get("why_no_pass", {}), places)

    def pick(figures: FloatArray, remarks: str) -> dict[str, UnitFigure]:
        notes, whys = read(remarks)
        values, u95 = figures[:, places].tolist()
        return {
            name: UnitFigure(
                None if value != value else value,
                None if u != u else u,
                unit,
                notes.get(at, ""),
                whys.get(at, ""),
            )
            for (at, name, unit), value, u in zip(picked, values, u95, strict=True)
        }

    return pick


def _by_place(texts: Mapping[str, list[int]], wanted: Sequence[int]) -> dict[int, str]:
    by_place = {at: text for text, places in texts.items() for at in places}
    return {at: by_place[at] for at in wanted if at in by_place}


def unit_run(head: UnitHead, figures: Mapping[str, UnitFigure], version: str) -> UnitRun:
    """Return the run as QA takes it."""
    return UnitRun(
        run=head["run"],
        unit=head["unit"],
        metrics=figures,
        batch=head["batch"],
        model=head["model"],
        recipe=head["recipe"],
        version=version,
        started_utc_s=head["started_utc_s"],
        outcome=Outcome(head["outcome"]),
        cause=None if head["cause"] is None else CauseClass(head["cause"]),
        lost_power=head["lost_power"],
        ambient_c=head["ambient_c"],
        states=head["states"],
        simulated=head["simulated"],
        bench=head.get("bench"),
        operator=head.get("operator"),
        rework=head.get("rework", ""),
        board=head.get("board"),
        duration_s=head.get("duration_s", 0.0),
        stopped_by=head.get("stopped_by", ""),
    )


def all_figures(kept: Kept, wanted: Callable[[str], bool] = lambda _name: True) -> dict[str, UnitFigure]:
    """Return the wanted figures of one record, by default all."""
    return figure_picker(kept.names, wanted)(kept.figures, json_of(kept.remarks))


def json_of(data: Any) -> str:
    """Return JSON text in one form only, so that equal data give equal text."""
    return json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
