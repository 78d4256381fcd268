"""What is kept of one record: who it is of, and every figure, packed so that a hundred thousand are read at once."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from verifyrig.qa import Figure, UnitRun
from verifyrig.trace import FloatArray

__all__ = ["Kept", "figure_picker", "pack_figures", "unit_run"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """The figures of one record under one version of the analysis.

    Attributes:
        digest: Of the record, as `inspect` prints it.
        head: JSON-able facts: run, unit, batch, model, profile, recipe, started_utc_s, outcome, cause, ambient_c,
            states, simulated.
        names: Metric and unit of each figure.
        figures: Values and U95, shape (2, n), NaN for None.
        remarks: {"note" | "why_no_pass": {text: [places in `names`]}}.
    """

    digest: str
    head: Mapping[str, Any]
    names: tuple[tuple[str, str], ...]
    figures: FloatArray
    remarks: Mapping[str, Mapping[str, list[int]]]


def pack_figures(figures: Mapping[str, Figure]) -> tuple[tuple[tuple[str, str], ...], FloatArray, dict[str, Any]]:
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


Picker = Callable[[FloatArray, Mapping[str, Mapping[str, list[int]]]], dict[str, Figure]]


def figure_picker(names: tuple[tuple[str, str], ...], wanted: Callable[[str], bool]) -> Picker:
    """Return what takes the wanted figures out of any record with these names."""
    picked = [(at, name, unit) for at, (name, unit) in enumerate(names) if wanted(name)]

    def pick(figures: FloatArray, remarks: Mapping[str, Mapping[str, list[int]]]) -> dict[str, Figure]:
        notes, whys = (_by_place(remarks.get(kind, {})) for kind in ("note", "why_no_pass"))
        values, u95 = figures.tolist()
        return {
            name: Figure(
                value=_none_for_nan(values[at]),
                u95=_none_for_nan(u95[at]),
                unit=unit,
                note=notes.get(at, ""),
                why_no_pass=whys.get(at, ""),
            )
            for at, name, unit in picked
        }

    return pick


def _by_place(texts: Mapping[str, list[int]]) -> dict[int, str]:
    return {at: text for text, places in texts.items() for at in places}


def _none_for_nan(value: float) -> float | None:
    return None if value != value else value


def unit_run(head: Mapping[str, Any], figures: Mapping[str, Figure], version: str) -> UnitRun:
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
        outcome=head["outcome"],
        cause=head["cause"],
        ambient_c=head["ambient_c"],
        states=head["states"],
        simulated=head["simulated"],
    )


def json_of(data: Any) -> str:
    """Return JSON text in one form only, so that equal data give equal text."""
    return json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
