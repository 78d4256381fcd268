"""A power cut, which a kill does not show: what was not synced is lost, kept or torn, and the record is still whole.

What is relied on, from SQLite's documentation: "PRAGMA synchronous" (FULL in WAL mode syncs the log after each
transaction) and "The WAL file format" (a frame with a wrong checksum or salt ends the log).
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.power_cut import can_trace, cut_everywhere, trace_recorder

SAMPLES = 360  # enough for the log to be taken in once on the way


@pytest.fixture(scope="module", autouse=True)
def tracer() -> None:
    why_not = can_trace()
    if why_not:
        pytest.skip(why_not)


def test_every_cut_leaves_a_whole_prefix_up_to_the_last_acknowledged_sample(tmp_path: Path) -> None:
    folder = tmp_path / "disk"
    trace = trace_recorder(folder, SAMPLES)
    cuts = cut_everywhere(trace, folder, tmp_path / "cut", 0.03, random.Random(3))
    assert cuts.faults == []
    assert cuts.checkpoints >= 2 and min(cuts.states.values()) > 50


def test_the_same_cuts_find_fault_with_a_record_that_is_not_synced(tmp_path: Path) -> None:
    folder = tmp_path / "disk"
    trace = trace_recorder(folder, 20, synchronous="OFF")
    cuts = cut_everywhere(trace, folder, tmp_path / "cut", 0.3, random.Random(3))
    assert len(cuts.faults) > 10
