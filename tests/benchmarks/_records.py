"""Records of made-up samples for the benchmarks."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from verifyrig.core.channels import BASE_CHANNELS, numbered
from verifyrig.core.interfaces import Reading
from verifyrig.core.trace import FloatArray
from verifyrig.record import open_record


def channel_names(n: int) -> list[str]:
    """Return `n` channel names of the contract."""
    kinds = [name for name in BASE_CHANNELS if name.endswith(("_temp_c", "_speed_rpm", "_power_w"))]
    return [numbered(kind, number) for number in range(1, 9) for kind in kinds][:n]


def sample_table(rows: int, channels: int, seed: int = 1) -> FloatArray:
    """Return values as sensors give them, shape (rows, channels): thousandths of a degree, whole revolutions, gaps."""
    rng = np.random.default_rng(seed)
    table = np.round(rng.normal(50.0, 8.0, (rows, channels)), 3)
    for at, name in enumerate(channel_names(channels)):
        if name.endswith("_rpm"):
            table[:, at] = np.round(table[:, at] * 25)
    table[rng.random((rows, channels)) < 0.001] = np.nan
    return table


def write_record(path: Path, table: FloatArray, period_s: float) -> None:
    """Write the table as a sealed record."""
    names = channel_names(table.shape[1])
    writer = open_record(
        path, facts={"run": path.stem, "outcome": "completed"}, profile_text=None, channels=names, live=False
    )
    writer.stage_started("load", "load", 0.0)
    for i, row in enumerate(table.tolist()):
        readings = {
            name: Reading(value=None if value != value else value) for name, value in zip(names, row, strict=True)
        }
        writer.sample(i * period_s, 1.7e9 + i * period_s, readings)
    writer.stage_ended("load", len(table) * period_s, "time")
    writer.close()
