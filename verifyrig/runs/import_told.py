"""What an import says of the log itself: rows left out, gaps, missing readings, units that nobody told."""

from __future__ import annotations

import numpy as np

from verifyrig.core.channels import quantity_of, unit_of
from verifyrig.runs.contract import ImportedObject
from verifyrig.runs.csv_import import Imported

_SHOWN = 5
# Where a unit can be mistaken: a count is a count.
_WITH_UNITS = ("temperature", "power", "voltage", "speed", "clock")


def imported_object(samples: Imported, file: str) -> ImportedObject:
    """Return the contract's object."""
    missing = {name: int(np.isnan(values).sum()) for name, values in samples.columns.items()}
    return {
        "file": file,
        "rows": len(samples.t_s),
        "rows_left_out": [{"why": one.why, "rows": one.rows, "first_row": one.first_row} for one in samples.left_out],
        "cells_without_name": samples.unnamed,
        "gaps": [{"from_s": from_s, "to_s": to_s} for from_s, to_s in samples.gaps],
        "readings_missing": {name: count for name, count in missing.items() if count},
        "times": samples.form,
        "date_order": samples.order,
        "units": dict(samples.units),
        "units_assumed": [
            name for name in samples.columns if name not in samples.units and quantity_of(name) in _WITH_UNITS
        ],
    }


def imported_lines(told: ImportedObject, samples: Imported) -> list[str]:
    """Return the same as sentences; none where there is nothing to say."""
    lines = [one.sentence for one in samples.left_out]
    if told["cells_without_name"]:
        lines.append(f"Not read: the last {told['cells_without_name']} cells of each row have no name.")
    gaps = told["gaps"]
    lines += [f"No row from {gap['from_s']:.0f} to {gap['to_s']:.0f} s." for gap in gaps[:_SHOWN]]
    lines += [f"And {len(gaps) - _SHOWN} gaps more."] if len(gaps) > _SHOWN else []
    lines += [f"No reading of {name} in {count} rows." for name, count in told["readings_missing"].items()]
    if told["date_order"] is not None:
        lines.append(f"Dates were read as {'/'.join(told['date_order'])}.")
    if told["units_assumed"]:
        assumed = ", ".join(f"{name} in {unit_of(name)}" for name in told["units_assumed"])
        lines.append(f"Nothing tells the unit, so it was taken: {assumed}.")
    return lines
