"""Writes the samples of runs as Parquet, a file a run, for questions that the kept figures cannot answer.

They lie in a place of their own, partitioned as the figures are: `site=NAME/month=YYYY-MM/RUN-DIGEST.parquet`. A sealed
record never changes, so a file that is there is not written again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from verifyrig.core.trace import Trace
from verifyrig.qa.dataset.place import open_place
from verifyrig.qa.dataset.schema import SCHEMA_VERSION, arrow, bytes_of

__all__ = ["ExportedSamples", "export_samples", "samples_table"]

_QUALITY = ".quality"


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportedSamples:
    """How many files were written, and how many were there already."""

    written: int
    unchanged: int


def export_samples(url: str, records: Mapping[str, tuple[str, Path]]) -> ExportedSamples:
    """Bring the samples at `url` up to date.

    Args:
        records: By digest, the folder of the partition (`site=NAME/month=YYYY-MM`) and the record.

    Raises:
        UsageError: The place is not known, or the extra is missing.
        RecordError: A record cannot be read, or the place cannot be written.
    """
    from verifyrig.record import read_trace

    place = open_place(url)
    there, written = set(place.names()), 0
    for digest, (partition, path) in records.items():
        name = f"{partition}/{path.stem}-{digest[:8]}.parquet"
        if name not in there:
            place.put(name, bytes_of(samples_table(read_trace(path), digest)))
            written += 1
    return ExportedSamples(written=written, unchanged=len(records) - written)


def samples_table(trace: Trace, digest: str) -> Any:
    """Return one row a sample: times, stage, and each channel, null where there was no reading.

    A channel whose readings could not always be believed has a column of its qualities beside it, null where they were
    `ok`. Nothing that a person typed has a column.
    """
    pa = arrow()
    n = len(trace.t_s)
    word = pa.dictionary(pa.int32(), pa.string())
    columns: dict[str, Any] = {
        "digest": pa.array([digest] * n, pa.string()).dictionary_encode(),
        "run": pa.array([trace.run_id] * n, pa.string()).dictionary_encode(),
        "stage": pa.array(_stages(trace), pa.string()).dictionary_encode(),
        "t_s": pa.array(trace.t_s, pa.float64()),
        "utc_s": pa.array(trace.utc_s, pa.float64()),
    }
    for channel in sorted(trace.columns):
        values = trace.columns[channel]
        columns[channel] = pa.array(values, pa.float64(), mask=np.isnan(values))
        doubted = [interval for interval in trace.qualities if interval.channel == channel]
        if doubted:
            said = np.full(n, None, dtype=object)
            for interval in doubted:
                said[(trace.t_s >= interval.from_s) & (trace.t_s <= interval.to_s)] = str(interval.quality)
            columns[channel + _QUALITY] = pa.array(said.tolist(), pa.string()).dictionary_encode()
    kinds = [pa.field(name, word if pa.types.is_dictionary(own.type) else own.type) for name, own in columns.items()]
    return pa.table(list(columns.values()), schema=pa.schema(kinds, {"verifyrig.samples": str(SCHEMA_VERSION)}))


def _stages(trace: Trace) -> list[str | None]:
    said = np.full(len(trace.t_s), None, dtype=object)
    for stage in trace.stages:
        end_s = np.inf if stage.end_s is None else stage.end_s
        said[(trace.t_s >= stage.start_s) & (trace.t_s <= end_s)] = stage.name
    return list(said.tolist())
