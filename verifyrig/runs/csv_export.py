"""A record as CSV: units in the head, a quality beside each reading, and no cell that a spreadsheet would run."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import IO

import numpy as np
import numpy.typing as npt

from verifyrig.core.channels import unit_of
from verifyrig.core.plain_text import plain_cell
from verifyrig.core.trace import Trace
from verifyrig.runs.probe_times import read_times_s

_ROWS_AT_ONCE = 10_000


def write_csv(trace: Trace, file: IO[str]) -> int:
    """Write the samples of a run, one row each; return their number."""
    writer = csv.writer(file, lineterminator="\r\n")  # RFC 4180
    writer.writerow(head_of(trace))
    for begin in range(0, len(trace.t_s), _ROWS_AT_ONCE):
        writer.writerows(_rows(trace, slice(begin, min(begin + _ROWS_AT_ONCE, len(trace.t_s)))))
    return len(trace.t_s)


def head_of(trace: Trace) -> list[str]:
    """Return the names of the columns, with units."""
    head = ["t_s [s]", "utc [ISO 8601]", "stage"]
    for channel in trace.columns:
        head += [f"{channel} [{unit_of(channel)}]", f"{channel} quality"]
        head += [f"{channel} read at [s]"] if read_times_s(trace, channel) is not None else []
    return [*head, "hardware"] if trace.recorded.simulated else head


def _rows(trace: Trace, part: slice) -> Iterator[list[str]]:
    times = [_number(t) for t in trace.t_s[part].tolist()]
    dated = trace.recorded.utc_known
    moments = [_moment(utc) if dated else "" for utc in trace.utc_s[part].tolist()]
    columns = [times, moments, _stages(trace, part)]
    for channel, values in trace.columns.items():
        numbers = [_number(v) for v in values[part].tolist()]
        columns += [numbers, _qualities(trace, channel, values, part)]
        read_s = read_times_s(trace, channel)
        columns += [[_number(t) for t in read_s[part].tolist()]] if read_s is not None else []
    if trace.recorded.simulated:
        columns.append(["simulated hardware"] * len(times))
    for row in zip(*columns, strict=True):
        yield list(row)


def _number(value: float) -> str:
    return repr(value) if math.isfinite(value) else ""


def _moment(utc_s: float) -> str:
    try:
        return datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    except (ValueError, OverflowError, OSError):
        return ""


def _stages(trace: Trace, part: slice) -> list[str]:
    """Return the stage of each sample; one on the border of two counts to the later."""
    names: npt.NDArray[np.object_] = np.full(len(trace.t_s[part]), "", dtype=object)
    t_s = trace.t_s[part]
    for stage in trace.stages:
        end_s = math.inf if stage.end_s is None else stage.end_s
        names[(t_s >= stage.start_s) & (t_s <= end_s)] = plain_cell(stage.name)
    return [str(name) for name in names]


def _qualities(trace: Trace, channel: str, values: npt.NDArray[np.float64], part: slice) -> list[str]:
    words: npt.NDArray[np.object_] = np.where(np.isnan(values[part]), "missing", "ok").astype(object)
    t_s = trace.t_s[part]
    for interval in trace.qualities:
        if interval.channel == channel:
            words[(t_s >= interval.from_s) & (t_s <= interval.to_s)] = plain_cell(interval.quality)
    return [str(word) for word in words]
