"""The table: one row a run, one pair of columns a metric, named as the metric is, with its unit in the metadata.

Columns of the run are those below and no others: what a person typed (names, contacts, complaints, remarks) has no
column to stand in. Runs of customers' jobs are not exported at all. States noted by hand keep their value where it is
a word of the program's own lists, else only a digest that tells equal from different.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np

from verifyrig.core.errors import UsageError
from verifyrig.core.trace import FloatArray
from verifyrig.qa.index.kept import UnitHead, json_of

__all__ = ["HEAD_COLUMNS", "SCHEMA_VERSION", "UNCERTAINTY", "arrow", "head_cells", "table_of"]

SCHEMA_VERSION = 1
UNCERTAINTY = ".u95"
HEAD_COLUMNS = (
    "digest", "version", "site", "bench", "run", "unit", "batch", "model", "board", "profile", "recipe", "rework",
    "started", "started_utc_s", "duration_s", "outcome", "cause", "stopped_by", "lost_power", "ambient_c", "simulated",
    "states", "remarks",
)  # fmt: skip
_TEXTS = (
    "run", "unit", "batch", "model", "board", "profile", "recipe", "rework", "outcome", "cause", "stopped_by", "bench",
)  # fmt: skip
_REPEATED = frozenset((
    "version", "site", "bench", "batch", "model", "profile", "recipe", "outcome", "cause", "states", "remarks",
))  # fmt: skip
# Words of a machine's states that the program itself offers; anything else is somebody's own text.
_KNOWN_STATES = frozenset((
    "open", "closed", "off", "on", "yes", "no", "lying", "standing", "quiet", "balanced", "performance", "auto", "full",
))  # fmt: skip


def arrow() -> Any:
    """Return pyarrow.

    Raises:
        UsageError: It is not installed.
    """
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as error:
        raise UsageError(
            "Parquet needs the extra `fleet`", where="dataset", mend="Install it: pip install 'verifyrig[fleet]'."
        ) from error
    return pyarrow


def head_cells(head: UnitHead, remarks: str) -> dict[str, Any]:
    """Return the cells of a run but those that the export adds (digest, version, site)."""
    cells: dict[str, Any] = {name: head.get(name) for name in _TEXTS}
    cells["started"] = datetime.fromtimestamp(head["started_utc_s"], UTC)
    cells["started_utc_s"] = head["started_utc_s"]
    cells["duration_s"] = float(head.get("duration_s", 0.0))
    cells["lost_power"], cells["simulated"] = head["lost_power"], head["simulated"]
    cells["ambient_c"] = head["ambient_c"]
    cells["states"] = json_of({key: _state(value) for key, value in sorted(head["states"].items())})
    cells["remarks"] = remarks
    return cells


def _state(value: str) -> str:
    if value in _KNOWN_STATES or value.replace(".", "", 1).isdigit():
        return value
    return "#" + hashlib.sha256(value.encode("utf-8")).hexdigest()[:8]


def table_of(rows: Sequence[Mapping[str, Any]], metrics: Mapping[str, str], figures: Mapping[str, FloatArray]) -> Any:
    """Return the Arrow table, its columns in a fixed order.

    Args:
        rows: Cells of `HEAD_COLUMNS` by run.
        metrics: Metric and its unit.
        figures: By metric an array of values and U95, shape (2, rows), NaN where there is none.
    """
    pa = arrow()
    kinds = {
        "started": pa.timestamp("us", tz="UTC"),
        "started_utc_s": pa.float64(),
        "duration_s": pa.float64(),
        "ambient_c": pa.float64(),
        "lost_power": pa.bool_(),
        "simulated": pa.bool_(),
    }
    word = pa.dictionary(pa.int32(), pa.string())
    fields, columns = [], []
    for name in HEAD_COLUMNS:
        kind = kinds.get(name, word if name in _REPEATED else pa.string())
        fields.append(pa.field(name, kind))
        cells = [row[name] for row in rows]
        columns.append(pa.array(cells, pa.string()).dictionary_encode() if kind == word else pa.array(cells, kind))
    for name in sorted(metrics):
        for suffix, values in (("", figures[name][0]), (UNCERTAINTY, figures[name][1])):
            fields.append(pa.field(name + suffix, pa.float64(), metadata={"unit": metrics[name]}))
            columns.append(pa.array(values, pa.float64(), mask=np.isnan(values)))
    order = json.dumps(list(metrics))  # the order in which a record names its metrics, which remarks count in
    metadata = {"verifyrig.schema": str(SCHEMA_VERSION), "verifyrig.metrics": order}
    return pa.table(columns, schema=pa.schema(fields, metadata=metadata))
