"""What an import says of the log itself: rows left out, gaps, missing readings, units that nobody gave."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from verifyrig.core.channels import quantity_of, unit_of
from verifyrig.runs.contract import ImportedObject
from verifyrig.runs.csv_import import LOAD_SHARE, Imported
from verifyrig.runs.derived_load import STAGES, DerivedLoad, contradicted
from verifyrig.runs.import_record import why_implausible
from verifyrig.runs.import_words import StagePart

_SHOWN = 5
# Where a unit can be mistaken: a count is a count.
_WITH_UNITS = ("temperature", "power", "voltage", "speed", "clock")


def imported_object(samples: Imported, file: str, stages: Sequence[StagePart]) -> ImportedObject:
    """Return the contract's object."""
    logged = [name for name in samples.columns if not (name == LOAD_SHARE and samples.load_from)]
    missing = {name: int(np.isnan(samples.columns[name]).sum()) for name in logged}
    odd = {name: sum(why_implausible(name, value) is not None for value in samples.columns[name]) for name in logged}
    return {
        "file": file,
        "rows": len(samples.t_s),
        "rows_left_out": [{"why": one.why, "rows": one.rows, "first_row": one.first_row} for one in samples.left_out],
        "cells_without_name": samples.unnamed,
        "gaps": [{"from_s": from_s, "to_s": to_s} for from_s, to_s in samples.gaps],
        "readings_missing": {name: count for name, count in missing.items() if count},
        "readings_implausible": {name: count for name, count in odd.items() if count},
        "times": samples.form,
        "date_order": samples.order,
        "load_from": samples.load_from or LOAD_SHARE,
        "stages_contradicted": _contradicted(samples, stages),
        "units": dict(samples.units),
        "units_assumed": [name for name in logged if name not in samples.units and quantity_of(name) in _WITH_UNITS],
    }


def imported_lines(remarks: ImportedObject, samples: Imported) -> list[str]:
    """Return the same as sentences; none where there is nothing to say."""
    lines = [one.sentence for one in samples.left_out]
    if remarks["cells_without_name"]:
        lines.append(f"Not read: the last {remarks['cells_without_name']} cells of each row have no name.")
    gaps = remarks["gaps"]
    lines += [f"No row from {gap['from_s']:.0f} to {gap['to_s']:.0f} s." for gap in gaps[:_SHOWN]]
    lines += [f"And {len(gaps) - _SHOWN} gaps more."] if len(gaps) > _SHOWN else []
    lines += [f"No reading of {name} in {count} rows." for name, count in remarks["readings_missing"].items()]
    lines += [
        f"Not believed: {name} in {count} rows, for it cannot have read that."
        for name, count in remarks["readings_implausible"].items()
    ]
    lines += [_load_line(samples)] if samples.load_from else []
    lines += [
        f"Stage {name} was named otherwise: the log shows load for {on_s:.0f} s of it."
        for name, on_s in remarks["stages_contradicted"].items()
    ]
    if remarks["date_order"] is not None:
        lines.append(f"Dates were read as {'/'.join(remarks['date_order'])}.")
    if remarks["units_assumed"]:
        assumed = ", ".join(f"{name} in {unit_of(name)}" for name in remarks["units_assumed"])
        lines.append(f"Nothing gives the unit, so it was taken: {assumed}.")
    return lines


def _contradicted(samples: Imported, stages: Sequence[StagePart]) -> dict[str, float]:
    if not samples.load_from:
        return {}
    return contradicted(DerivedLoad(samples.columns[LOAD_SHARE], samples.load_from), samples.t_s, stages)


def _load_line(samples: Imported) -> str:
    if samples.load_from != STAGES:
        return f"When it was loaded was taken from {samples.load_from}."
    if not np.isnan(samples.columns[LOAD_SHARE]).any():
        return "When it was loaded was taken from the kinds of the stages."
    return "When it was loaded was taken from the kinds of the stages; outside of them it is unknown."
