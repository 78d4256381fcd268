"""The twin of a record on another computer: at every moment it is what the record was, once and in order.

What decides is the check of the record's own digests (SHA-256 over every row, `record/check.py`): a twin that lost,
doubled or swapped a row does not pass it.
"""

from __future__ import annotations

import json
import shutil
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.hanging_disk import HANG_S, HangingDisk
from tests.small_records import write_record
from verifyrig.core.errors import RecordError
from verifyrig.core.event_kind import EventKind
from verifyrig.core.integrity import Integrity
from verifyrig.core.interfaces import Quality, Reading
from verifyrig.record import open_record, read_trace
from verifyrig.record.check import check_record, integrity_of
from verifyrig.record.tail import EVENTS_AT_ONCE, Tail
from verifyrig.record.twin import NotTaken, Twin, batch_of_json

CHANNELS = ("die_temp_c", "package_power_w")


def _over_the_wire(batch: Any) -> Any:
    return batch_of_json(json.loads(json.dumps(batch.as_json())))


def _grow(writer: Any, rng: np.random.Generator, t_s: float, n: int) -> float:
    for _ in range(n):
        t_s += 0.1
        bad = rng.random() < 0.2
        die = Reading(value=None if bad else float(rng.normal(60, 9)), quality=Quality.MISSING if bad else Quality.OK)
        writer.sample(t_s, 1.77e9 + t_s, {"die_temp_c": die, "package_power_w": Reading(value=float(rng.normal(90)))})
        if rng.random() < 0.1:
            writer.event(t_s, EventKind.FINDING, {"text": f"seen at {t_s:.1f}"})
    return t_s


def test_at_every_moment_the_twin_is_what_the_record_was(tmp_path: Path) -> None:
    rng = np.random.default_rng(19)
    run = "20260202-080000-twin"
    facts = {"run": run, "period_s": 0.1}
    record, place = tmp_path / f"{run}.sqlite", tmp_path / "twin" / f"{run}.sqlite"
    writer = open_record(record, facts=facts, profile_text=None, channels=CHANNELS, live=False)
    writer.stage_started("idle", "idle", 0.0)
    tail, t_s, looked = Tail(record), 0.0, 0
    twin = Twin(place, run, CHANNELS)
    for turn in range(10):
        if turn == 6:
            writer.stage_ended("idle", t_s, "time")
            writer.stage_started("load", "load", t_s)
        t_s = _grow(writer, rng, t_s, int(rng.integers(1, 900)))
        if turn % 4 == 3:  # the link was lost: a batch was on its way, the other side says what it has
            tail.after(twin.samples)
            tail = Tail(record)
        if turn % 5 == 4:  # the bench computer's program was killed and started again
            twin.leave()
            twin = Twin(place, run, CHANNELS)
            tail = Tail(record)
        while not (batch := tail.after(twin.samples)).empty:
            batch = _over_the_wire(batch)
            twin.take(batch)
            again = twin.take(batch)  # sent twice
            assert again == 0
            if looked < 3 and batch.first > 200:
                assert check_record(place).altered is None
                looked += 1
    _grow(writer, rng, t_s, 900)  # while the link was lost
    writer.fact("outcome", "completed")
    writer.close()
    while not (batch := _over_the_wire(tail.after(twin.samples))).empty:
        assert not twin.closed
        twin.take(batch)
    assert twin.closed and looked == 3
    assert check_record(place).digest == check_record(record).digest
    assert integrity_of(place)[0] is Integrity.SEALED
    ours, theirs = read_trace(record), read_trace(place)
    assert np.array_equal(ours.t_s, theirs.t_s) and np.all(np.diff(theirs.t_s) > 0)


def test_a_twin_that_is_left_while_a_batch_goes_in_takes_it_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = write_record(tmp_path, 0)
    twin = Twin(tmp_path / "twin" / record.name, record.stem, Tail(record).channels())
    batch, disk = Tail(record).after(0), HangingDisk(monkeypatch)
    taken: list[int] = []
    takes = threading.Thread(target=lambda: taken.append(twin.take(batch)))
    leaves = threading.Thread(target=twin.leave)  # another connection of the same run: a process that closes crashes
    takes.start()
    disk.wait_until_asked()
    leaves.start()
    leaves.join(0.2)
    disk.let_go()
    for thread in (takes, leaves):
        thread.join(HANG_S)
    assert taken == [len(batch.samples)] and twin.closed
    assert check_record(twin.path).digest == check_record(record).digest


def test_a_record_of_many_events_comes_in_pieces(tmp_path: Path) -> None:
    run, n = "20260202-080000-many", 2 * EVENTS_AT_ONCE + 300
    record = tmp_path / f"{run}.sqlite"
    writer = open_record(record, facts={"run": run, "period_s": 0.1}, profile_text=None, channels=CHANNELS, live=False)
    writer.stage_started("idle", "idle", 0.0)
    for k in range(n):
        writer.event(0.1 * k, EventKind.FINDING, {"text": f"seen at {0.1 * k:.1f}"})
    writer.fact("outcome", "completed")
    writer.close()
    twin, tail = Twin(tmp_path / "twin" / record.name, run, CHANNELS), Tail(record)
    batches = []
    while not (batch := tail.after(twin.samples)).empty:
        assert not twin.closed
        twin.take(batch)
        batches.append((len(batch.tables["event"]), batch.more))
    assert batches == [(EVENTS_AT_ONCE, True), (EVENTS_AT_ONCE, True), (300, False)]
    assert twin.closed and check_record(twin.path).digest == check_record(record).digest


def _spoiled(data: Mapping[str, Any]) -> list[tuple[str, Any]]:
    samples, stage = data["samples"], data["tables"]["stage"]
    return [
        ("a gap", {**data, "first": 5}),
        ("a number that is none", {**data, "samples": [[*samples[0][:-1], "70"]]}),
        ("infinity", {**data, "samples": [[*samples[0][:-1], 1e300]]}),
        ("a column more", {**data, "samples": [[*samples[0], 1.0]]}),
        ("another table", {**data, "tables": {"sqlite_master": [[1, "x"]]}}),
        ("another run", {**data, "tables": {"run": [[1, "run", '"20260202-080000-else"']]}}),
        ("a fact that is no JSON", {**data, "tables": {"run": [[1, "period_s", "{"]]}}),
        ("a stage of no kind", {**data, "tables": {"stage": [[1, "x", 3, 0.0, None, None], *stage]}}),
        ("no list", {**data, "samples": {}}),
        ("nothing", {}),
    ]


def test_what_no_record_holds_is_refused_whole(tmp_path: Path) -> None:
    record = write_record(tmp_path, 0)
    run, channels = record.stem, Tail(record).channels()
    data = Tail(record).after(0).as_json()
    twin = Twin(tmp_path / "twin" / record.name, run, channels)
    for what, spoiled in _spoiled(data):
        with pytest.raises(NotTaken):
            twin.take(batch_of_json(spoiled))
            pytest.fail(what)
        assert twin.samples == 0, what
    assert twin.take(batch_of_json(data)) == len(data["samples"])


def test_a_record_of_another_run_is_no_twin(tmp_path: Path) -> None:
    record = write_record(tmp_path, 0)
    (tmp_path / "twin").mkdir()
    shutil.copyfile(write_record(tmp_path, 1), tmp_path / "twin" / record.name)
    with pytest.raises(RecordError, match="no twin of this run"):
        Twin(tmp_path / "twin" / record.name, record.stem, Tail(record).channels())
