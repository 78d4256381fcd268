"""The table: one row a run, one pair of columns a metric, named as the metric is, with its unit in the metadata.

Columns of the run are those below and no others: what a person typed (names, contacts, complaints, remarks) has no
column to stand in. Runs of customers' jobs are not exported at all. States noted by hand keep their value where it is
a word of the program's own lists, else only a digest that tells equal from different.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from verifyrig.core.errors import UsageError
from verifyrig.core.trace import FloatArray
from verifyrig.qa.index.kept import UnitHead, json_of

__all__ = [
    "HEAD_COLUMNS",
    "SCHEMA_VERSION",
    "UNCERTAINTY",
    "arrow",
    "bytes_of",
    "head_columns",
    "starts_us",
    "table_of",
]

SCHEMA_VERSION = 1
UNCERTAINTY = ".u95"
_ROWS_A_GROUP = 20_000
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


def head_columns(heads: Sequence[UnitHead]) -> dict[str, list[Any]]:
    """Return the columns of runs but those that the export adds (digest, version, site, remarks)."""
    columns: dict[str, list[Any]] = {name: [head.get(name) for head in heads] for name in _TEXTS}
    columns["started_utc_s"] = [head["started_utc_s"] for head in heads]
    columns["started"] = starts_us(columns["started_utc_s"]).tolist()
    columns["duration_s"] = [float(head.get("duration_s", 0.0)) for head in heads]
    columns["lost_power"] = [head["lost_power"] for head in heads]
    columns["simulated"] = [head["simulated"] for head in heads]
    columns["ambient_c"] = [head["ambient_c"] for head in heads]
    columns["states"] = [_states(tuple(sorted(head["states"].items()))) for head in heads]
    return columns


def starts_us(started_utc_s: Sequence[float] | FloatArray) -> NDArray[np.int64]:
    """Return starts in whole microseconds since 1970, shape (n,)."""
    return np.round(np.asarray(started_utc_s, dtype=np.float64) * 1e6).astype(np.int64)


@lru_cache(maxsize=4096)  # units of one line are set up alike
def _states(states: tuple[tuple[str, str], ...]) -> str:
    return json_of({key: _state(value) for key, value in states})


def _state(value: str) -> str:
    if value in _KNOWN_STATES or value.replace(".", "", 1).isdigit():
        return value
    return "#" + hashlib.sha256(value.encode("utf-8")).hexdigest()[:8]


def table_of(
    columns: Mapping[str, Sequence[Any]], names: Sequence[tuple[str, str]], figures: FloatArray, more: Mapping[str, str]
) -> Any:
    """Return the Arrow table, its columns in a fixed order.

    Args:
        columns: By name of `HEAD_COLUMNS`, one value a run.
        names: Metric and its unit.
        figures: Values and U95 by metric, shape (rows, 2, metrics), NaN where there is none.
        more: What else to note in the file.
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
    fields, cells = [], []
    for name in HEAD_COLUMNS:
        kind = kinds.get(name, word if name in _REPEATED else pa.string())
        fields.append(pa.field(name, kind))
        own = columns[name]
        cells.append(pa.array(own, pa.string()).dictionary_encode() if kind == word else pa.array(own, kind))
    by_metric = np.ascontiguousarray(np.moveaxis(figures, 0, 2))  # (2, metrics, rows): each column in one piece
    unknown = np.isnan(by_metric)
    for at, (name, unit) in sorted(enumerate(names), key=lambda item: item[1][0]):
        for row, suffix in enumerate(("", UNCERTAINTY)):
            fields.append(pa.field(name + suffix, pa.float64(), metadata={"unit": unit}))
            cells.append(pa.array(by_metric[row, at], pa.float64(), mask=unknown[row, at]))
    order = json.dumps([name for name, _ in names])  # the order in which a record names them, which remarks count in
    metadata = {"verifyrig.schema": str(SCHEMA_VERSION), "verifyrig.metrics": order, **more}
    return pa.table(cells, schema=pa.schema(fields, metadata=metadata))


def bytes_of(table: Any) -> bytes:
    """Return the Parquet file of a table: the same bytes for the same table."""
    pa = arrow()
    # Words repeat and are kept once each; figures hardly ever do, and looking for it takes most of the time.
    words = [field.name for field in table.schema if field.type not in (pa.float64(), pa.bool_())]
    out = pa.BufferOutputStream()
    pa.parquet.write_table(table, out, compression="zstd", row_group_size=_ROWS_A_GROUP, use_dictionary=words)
    return bytes(out.getvalue().to_pybytes())
