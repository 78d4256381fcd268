"""Records of every schema version so far stay readable; the files lie in tests/data/records."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from verifyrig.record import read_trace
from verifyrig.record.check import check_record
from verifyrig.record.schema import SCHEMA_VERSION

RECORDS = Path(__file__).parent / "data" / "records"
SEALED = {1: "20260101-000000-aaaa"}
INTERRUPTED = {1: "20260101-001000-bbbb"}


def copy(name: str, folder: Path) -> Path:
    for file in RECORDS.glob(f"{name}*"):
        shutil.copy(file, folder)
    return folder / f"{name}.sqlite"


@pytest.mark.parametrize("name", [*SEALED.values(), *INTERRUPTED.values()])
def test_a_record_of_an_earlier_version_says_what_it_said_then(name: str, tmp_path: Path) -> None:
    trace = read_trace(copy(name, tmp_path))
    assert (
        trace.run_id == name and trace.facts["purpose"] == "baseline" and trace.facts["not_armed"] == ["pump_speed_rpm"]
    )
    i = np.arange(40)
    assert np.array_equal(trace.t_s, i) and np.array_equal(trace.utc_s, 1767225600.0 + i)
    assert np.array_equal(trace.columns["die_temp_c"], 30 + i / 4)
    fan = 1200.0 + i
    fan[5] = np.nan
    assert np.array_equal(trace.columns["cpu_fan_speed_rpm"], fan, equal_nan=True)
    (quality,) = trace.qualities
    assert (quality.channel, quality.from_s, quality.to_s, quality.quality) == ("die_temp_c", 10, 12, "stale")
    assert [(s.name, s.start_s) for s in trace.stages] == [("idle", 0), ("load", 20)]
    assert [(e.t_s, e.kind, e.detail["share"]) for e in trace.events] == [(20, "load", 1.0)]


@pytest.mark.parametrize("version", SEALED)
def test_a_sealed_record_of_an_earlier_version_is_still_whole(version: int, tmp_path: Path) -> None:
    check = check_record(copy(SEALED[version], tmp_path))
    assert check.whole and check.sealed and check.outcome == "completed"
    # As printed in reports of that time; whatever changes later, the digest of old content must not.
    assert check.digest == {1: "8af26585e75fe39ee410b8791d72255281957ee7ac4b5e7cb1b3b4be77d36246"}[version]


@pytest.mark.parametrize("version", INTERRUPTED)
def test_an_interrupted_record_of_an_earlier_version_is_still_a_whole_prefix(version: int, tmp_path: Path) -> None:
    path = copy(INTERRUPTED[version], tmp_path)
    check = check_record(path)
    assert check.whole and not check.sealed
    assert read_trace(path).facts["cause"]["class"] == "power-off"


def test_each_version_up_to_the_present_one_has_its_records() -> None:
    assert set(SEALED) == set(INTERRUPTED) == set(range(1, SCHEMA_VERSION + 1))
