"""Records: what a run puts in comes out again, closed or interrupted, and nothing slips in through a name."""

from __future__ import annotations

import math
import sqlite3
import threading
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from verifyrig.core.errors import RecordError
from verifyrig.core.event_kind import EventKind
from verifyrig.core.interfaces import Quality, Reading
from verifyrig.record import new_run_id, open_record, read_trace
from verifyrig.record.check import check_record
from verifyrig.record.schema import opened, wal_path
from verifyrig.record.store import Change, Store

CHANNELS = ("die_temp_c", "package_power_w")


def readings(die_c: float | None, power_w: float | None = 20.0, quality: Quality = Quality.OK) -> dict[str, Reading]:
    return {
        "die_temp_c": Reading(value=die_c, quality=quality, note="" if quality is Quality.OK else "sensor fell out"),
        "package_power_w": Reading(value=power_w),
    }


def write_some(path: Path, *, live: bool, samples: int = 600, close: bool = True) -> None:
    writer = open_record(
        path, facts={"run": path.stem, "purpose": "check"}, profile_text=None, channels=CHANNELS, live=live
    )
    writer.stage_started("idle", "idle", 0.0)
    for i in range(samples):
        gone = 100 <= i < 110
        writer.sample(
            float(i),
            1.7e9 + i,
            readings(None if gone else 30.0 + i % 7, quality=Quality.MISSING if gone else Quality.OK),
        )
    writer.event(3.0, EventKind.LOAD, {"share": 1.0})
    if not close:
        writer.abandon()
        return
    writer.stage_ended("idle", float(samples - 1), "time")
    writer.fact("outcome", "completed")
    writer.close()


@pytest.mark.parametrize("live", [False, True])
@pytest.mark.parametrize("close", [False, True])
def test_what_a_run_puts_in_comes_out_again(tmp_path: Path, live: bool, close: bool) -> None:
    path = tmp_path / "new" / "folder" / "20260101-120000-abcd.sqlite"
    write_some(path, live=live, close=close)
    assert wal_path(path).exists() is not close
    trace = read_trace(path)
    assert trace.run_id == "20260101-120000-abcd"
    assert np.array_equal(trace.t_s, np.arange(600.0))
    assert np.array_equal(trace.utc_s, 1.7e9 + np.arange(600.0))
    expected = 30.0 + np.arange(600) % 7
    expected[100:110] = np.nan
    assert np.array_equal(trace.columns["die_temp_c"], expected, equal_nan=True)
    (interval,) = trace.qualities
    assert (interval.channel, interval.from_s, interval.to_s, interval.quality) == ("die_temp_c", 100, 109, "missing")
    assert [(e.t_s, e.kind, dict(e.detail)) for e in trace.events] == [(3.0, "load", {"share": 1.0})]
    assert trace.stages[0].name == "idle"


def test_any_sqlite_client_reads_the_tables_of_the_contract(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    write_some(path, live=False)
    plain = sqlite3.connect(path)
    tables = {name for (name,) in plain.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert tables == {"run", "stage", "sample", "reading_quality", "event", "seal"}
    columns = {t: [row[1] for row in plain.execute(f"PRAGMA table_info({t})")] for t in tables}
    plain.close()
    assert columns["run"] == ["key", "value"]
    assert columns["stage"] == ["name", "kind", "start_s", "end_s", "ended"]
    assert columns["sample"] == ["t_s", "utc_s", *CHANNELS]
    assert columns["reading_quality"] == ["channel", "from_s", "to_s", "quality", "note"]
    assert columns["event"] == ["t_s", "kind", "detail_json"]


@pytest.mark.parametrize("name", ['die_temp_c"; DROP TABLE run; --', "rowid", "t_s", "Die_temp_c", ""])
def test_a_name_of_a_column_comes_from_the_contract_or_not_at_all(tmp_path: Path, name: str) -> None:
    path = tmp_path / "r.sqlite"
    with pytest.raises(RecordError):
        open_record(path, facts={}, profile_text=None, channels=["die_temp_c", name], live=False)
    assert not path.exists()


def test_a_record_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    write_some(path, live=False, samples=3)
    before = path.read_bytes()
    with pytest.raises(RecordError, match="already"):
        open_record(path, facts={}, profile_text=None, channels=CHANNELS, live=False)
    assert path.read_bytes() == before


def test_reading_a_closed_record_changes_no_byte_and_leaves_nothing_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    write_some(path, live=True, samples=20)
    before = path.read_bytes()
    read_trace(path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["r.sqlite"]


def test_reading_an_interrupted_record_keeps_its_log(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    write_some(path, live=True, samples=20, close=False)
    before = path.read_bytes(), wal_path(path).read_bytes()
    for _ in range(2):
        assert len(read_trace(path).t_s) == 20
    assert (path.read_bytes(), wal_path(path).read_bytes()) == before


def test_a_record_can_be_read_while_it_is_written(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    writer = open_record(path, facts={"run": "r"}, profile_text=None, channels=CHANNELS, live=True)
    for i in range(50):
        writer.sample(float(i), 1.7e9 + i, readings(40.0))
        if i % 10 == 9:
            assert writer.wait_until_durable(i + 1, 30.0)
            assert len(read_trace(path).t_s) == i + 1
    writer.close()
    assert len(read_trace(path).t_s) == 50


def test_a_slow_virtual_run_is_committed_as_it_goes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("verifyrig.record.writer._BLOCK_AT_MOST_S", 0.0)
    path = tmp_path / "r.sqlite"
    writer = open_record(path, facts={"run": "r"}, profile_text=None, channels=CHANNELS, live=False)
    for i in range(3):
        writer.sample(float(i), 1.7e9 + i, readings(40.0))
    assert len(read_trace(path).t_s) == 3
    writer.close()


def test_a_reader_that_does_not_let_go_keeps_the_record_from_becoming_one_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("verifyrig.record.store._WAIT_FOR_READERS_S", 0.2)
    path = tmp_path / "r.sqlite"
    writer = open_record(path, facts={"run": "r"}, profile_text=None, channels=CHANNELS, live=True)
    for i in range(5):
        writer.sample(float(i), 1.7e9 + i, readings(40.0))
    assert writer.wait_until_durable(5, 30.0)
    with opened(path) as reader:
        reader.execute("BEGIN")
        assert reader.execute("SELECT count(*) FROM sample").fetchone() == (5,)
        writer.close()
        assert wal_path(path).exists()
        assert reader.execute("SELECT count(*) FROM sample").fetchone() == (5,)
    check = check_record(path)
    assert (check.whole, check.sealed, check.samples) == (True, True, 5)


def test_numbers_that_json_or_sqlite_cannot_hold_are_no_readings_and_break_nothing(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    writer = open_record(path, facts={"bad": math.nan}, profile_text=None, channels=CHANNELS, live=False)
    writer.sample(0.0, 0.0, readings(math.inf, math.nan))
    writer.sample(1.0, 1.0, readings(-0.0, 7.0))
    writer.event(1.0, EventKind.FINDING, {"x": math.inf, "deep": [math.nan, {"y": Path("p")}], "odd": "a\udc80b"})
    writer.close()
    trace = read_trace(path)
    assert np.isnan(trace.columns["die_temp_c"][0]) and np.isnan(trace.columns["package_power_w"][0])
    assert trace.columns["die_temp_c"][1] == 0.0
    assert trace.facts["bad"] is None
    assert trace.events[0].detail["deep"] == [None, {"y": "p"}]


@pytest.mark.parametrize("content", [b"", b"hello", b"SQLite format 3\x00" + bytes(84), b"x" * 5000])
def test_a_file_that_is_no_record_is_refused_in_words(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "r.sqlite"
    path.write_bytes(content)
    with pytest.raises(RecordError, match=r"no record|damaged"):
        read_trace(path)


def test_an_empty_record_is_a_trace_without_samples(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    open_record(path, facts={}, profile_text="name = 1 and no profile", channels=CHANNELS, live=False).close()
    trace = read_trace(path)
    assert trace.t_s.shape == (0,) and trace.profile is None and list(trace.columns) == list(CHANNELS)


def test_ids_sort_by_time_and_differ() -> None:
    early, late = new_run_id(1_700_000_000.0), new_run_id(1_700_000_001.0)
    assert early.startswith("20231114-221320-") and early < late
    assert len({new_run_id(0.0) for _ in range(200)}) == 200


def test_a_disk_that_stalls_holds_nobody_up_and_its_lag_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "r.sqlite"
    writer = open_record(path, facts={"run": "r"}, profile_text=None, channels=CHANNELS, live=True)
    goes_on = threading.Event()
    commit = Store.commit

    def stalling(store: Store, changes: Sequence[Change]) -> None:
        goes_on.wait(60.0)
        commit(store, changes)

    with monkeypatch.context() as stalled:
        stalled.setattr(Store, "commit", stalling)
        for i in range(500):
            writer.sample(float(i), 1.7e9 + i, readings(40.0))
        assert not writer.wait_until_durable(1, 0.5)
        assert writer.lag_s() >= 0.5
        goes_on.set()
        assert writer.wait_until_durable(500, 60.0)
    assert writer.lag_s() == 0.0
    writer.close()
    check = check_record(path)
    assert check.samples == 500 and check.largest_lag_s is not None and check.largest_lag_s >= 0.5


def test_a_fault_of_the_committer_is_told_and_does_not_vanish_with_its_thread(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = open_record(tmp_path / "r.sqlite", facts={}, profile_text=None, channels=CHANNELS, live=True)

    def broken(store: Store, changes: Sequence[Change]) -> None:
        raise ZeroDivisionError("made up")

    with monkeypatch.context() as faulty:
        faulty.setattr(Store, "commit", broken)
        writer.sample(0.0, 0.0, readings(40.0))
        assert not writer.wait_until_durable(1, 30.0)
    with pytest.raises(RecordError, match="made up"):
        writer.lag_s()
    writer.sample(1.0, 1.0, readings(40.0))
    with pytest.raises(RecordError):
        writer.close()


def test_opening_for_reading_says_where_the_file_is_missing(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="no such record"), opened(tmp_path / "none.sqlite"):
        pass
