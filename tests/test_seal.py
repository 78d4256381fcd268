"""The seal: each alteration of a record is found and named, or the file is said to be damaged; none passes silently."""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
import random
import re
import shutil
import sqlite3
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from verifyrig.core.errors import RecordError
from verifyrig.core.event_kind import EventKind
from verifyrig.core.interfaces import Quality, Reading
from verifyrig.record import open_record, read_trace
from verifyrig.record.check import RecordCheck, check_record
from verifyrig.record.schema import wal_path
from verifyrig.record.seal import SampleChain, SealRow, TableSeal, canonical, record_digest, row_marks, text_of

CHANNELS = ("die_temp_c", "cpu_fan_speed_rpm", "package_power_w")
ROWS = 700


def make(path: Path, *, live: bool = False, close: bool = True, rows: int = ROWS) -> Path:
    writer = open_record(
        path, facts={"run": path.stem, "states": {"panel": "on"}}, profile_text="x = 1", channels=CHANNELS, live=live
    )
    noise = np.random.default_rng(7).normal(0.0, 0.3, ROWS)
    writer.stage_started("idle", "idle", 0.0)
    for i in range(rows):
        quality = Quality.STALE if 40 <= i % 97 < 45 else Quality.OK
        writer.sample(
            float(i),
            1.7e9 + i,
            {
                "die_temp_c": Reading(value=40.0 + float(noise[i]), quality=quality),
                "cpu_fan_speed_rpm": Reading(value=1200.0 + i),
                "package_power_w": Reading(value=None if i % 50 == 0 else 20.5),
            },
        )
        if i % 100 == 0:
            writer.event(float(i), EventKind.LOAD, {"share": i / 1000})
    writer.stage_ended("idle", float(rows), "time")
    writer.fact("outcome", "completed")
    writer.close() if close else writer.abandon()
    return path


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("sealed") / "r.sqlite")


@pytest.fixture
def copy(sealed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(sealed, tmp_path / "r.sqlite"))


def alter(path: Path, *statements: str) -> RecordCheck:
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA writable_schema=ON")
    for statement in statements:
        connection.execute(statement)
    connection.close()
    return check_record(path)


@pytest.mark.parametrize("live", [False, True])
def test_an_untouched_record_is_whole_sealed_and_unaltered(tmp_path: Path, live: bool) -> None:
    check = check_record(make(tmp_path / "r.sqlite", live=live))
    assert (check.whole, check.sealed, check.altered, check.outcome) == (True, True, None, "completed")
    assert check.last_sample_s == ROWS - 1 and check.samples == ROWS
    assert check.digest is not None and len(check.digest) == 64


def test_the_same_content_has_the_same_chain_however_it_was_committed() -> None:
    rows = np.random.default_rng(1).normal(size=(1000, 5))
    rows[3, 4] = np.nan
    whole, pieces = SampleChain(CHANNELS), SampleChain(CHANNELS)
    list(whole.extend(rows))
    for at in range(0, 1000, 7):
        list(pieces.extend(rows[at : at + 7]))
    assert whole.digest() == pieces.digest()


def test_the_chain_is_sha_256_of_the_stream_that_the_docstring_describes() -> None:
    """FIPS 180-4 by way of hashlib, over bytes that are put together here by hand."""
    chain = SampleChain(["die_temp_c"])
    list(chain.extend(np.array([[0.0, 1.5, 40.25], [1.0, 2.5, np.nan], [2.0, 3.5, -0.0]])))
    stream = b"verifyrig samples 1\nt_s\nutc_s\ndie_temp_c\n" + struct.pack("<ddd", 0.0, 1.5, 40.25)
    stream += struct.pack("<dd", 1.0, 2.5) + bytes.fromhex("000000000000f87f") + struct.pack("<ddd", 2.0, 3.5, 0.0)
    assert chain.digest() == hashlib.sha256(stream).hexdigest()
    # FIPS 180-4's own example of one block: "abc" (published by NIST beside the standard).
    assert hashlib.sha256(b"abc").hexdigest() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_a_prefix_of_a_record_can_be_held_against_the_chain(sealed: Path) -> None:
    """The digest that stands after block 1 is that of the first 512 samples alone."""
    trace = read_trace(sealed)
    rows = np.column_stack([trace.t_s, trace.utc_s, *trace.columns.values()])
    chain = SampleChain(CHANNELS)
    list(chain.extend(rows[:512]))
    connection = sqlite3.connect(sealed)
    (digest,) = connection.execute("SELECT digest FROM seal WHERE part = 'sample' AND block = 1").fetchone()
    connection.close()
    assert digest == chain.digest()


def test_rows_that_differ_in_one_bit_have_different_marks() -> None:
    rows = canonical(np.random.default_rng(2).normal(50, 10, size=(200, 8)))
    marks = row_marks(rows)
    words = rows.view(np.uint64)
    for bit in range(64):
        flipped = words.copy()
        flipped[:, bit % 8] ^= np.uint64(1) << np.uint64(bit)
        assert np.all(row_marks(flipped.view(np.float64)) != marks)


# The bytes of the seal are a format: what stands in records made until now must be found again. Computed by hand below.


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def mark_by_hand(row: list[float]) -> int:
    """The docstring of `row_marks` in whole numbers: each double's bits mixed as in splitmix64, then added up."""
    total = 0
    for column, value in enumerate(row, start=1):
        (word,) = struct.unpack("<Q", struct.pack("<d", value))
        word ^= word >> 30
        word = word * (column * 0x9E3779B97F4A7C15 % 2**64 | 1) % 2**64
        word ^= word >> 27
        word = word * 0x94D049BB133111EB % 2**64
        total += word ^ (word >> 31)
    return total % 2**64


def test_the_mark_of_a_row_is_the_sum_of_its_mixed_words() -> None:
    rows = np.random.default_rng(3).normal(40.0, 20.0, size=(50, 6))
    assert row_marks(canonical(rows)).tolist() == [mark_by_hand(row) for row in rows.tolist()]


@pytest.mark.parametrize("step", [700, 7, 256])
def test_the_chain_tells_a_seal_row_for_each_block_and_counts_rows_from_one(step: int) -> None:
    rows = np.random.default_rng(4).normal(40.0, 20.0, size=(700, 5))
    chain, last = SampleChain(CHANNELS), dict[int, SealRow]()
    for at in range(0, 700, step):
        last |= {row.block: row for row in chain.extend(rows[at : at + step])}
    assert [(row.part, row.first_row, row.last_row) for row in last.values()] == [
        ("sample", 1, 256), ("sample", 257, 512), ("sample", 513, 700),
    ]  # fmt: skip
    head = "\n".join(("verifyrig samples 1", "t_s", "utc_s", *CHANNELS)) + "\n"
    for row in last.values():
        assert row.digest == sha256(head.encode() + rows[: row.last_row].astype("<f8").tobytes())
        block = rows[row.first_row - 1 : row.last_row].tolist()
        assert row.marks == b"".join(struct.pack("<Q", mark_by_hand(one)) for one in block)
    assert chain.rows == 700 and chain.digest() == last[2].digest


def test_a_row_of_a_small_table_is_a_json_list_with_one_way_to_write_each_value() -> None:
    assert text_of([1, "ä", None, -0.0, 0.1, 1e300]) == '[1,"ä",null,0.0,0.1,1e+300]'.encode()
    assert text_of([math.nan, math.inf]) == b"[NaN,Infinity]"
    assert text_of(["\ud800"]) == b'["\xed\xa0\x80"]'  # half a pair, as a broken name on a disk can hold


def test_a_small_table_is_sealed_in_blocks_and_only_what_changed_is_sealed_anew() -> None:
    table = TableSeal("event")
    rows: list[list[object]] = [[at, "load", at / 8] for at in range(600)]
    assert [table.append(row) for row in rows] == list(range(600))

    def by_hand(block: int) -> SealRow:
        some = [json.dumps(row, separators=(",", ":")).encode() for row in rows[block * 256 : block * 256 + 256]]
        marks = b"".join(hashlib.sha256(one).digest()[:8] for one in some)
        first = block * 256 + 1
        return SealRow("event", block, first, first + len(some) - 1, sha256(b"\n".join(some)), marks)

    assert table.blocks() == 3
    assert table.take_changed() == [by_hand(0), by_hand(1), by_hand(2)] and table.take_changed() == []
    rows[256] = [256, "trip", 0.5]
    table.replace(256, rows[256])
    assert table.take_changed() == [by_hand(1)] and table.take_changed() == []
    rows[255] = [255, "trip", 0.5]
    table.replace(255, rows[255])
    rows.append([600, "end", 1.5])
    table.append(rows[600])
    assert table.take_changed() == [by_hand(0), by_hand(2)]
    assert table.digest() == sha256("".join(by_hand(block).digest for block in range(3)).encode())


@pytest.mark.parametrize(("rows", "blocks"), [(0, 0), (1, 1), (256, 1), (257, 2)])
def test_a_table_has_as_many_blocks_as_its_rows_fill(rows: int, blocks: int) -> None:
    table = TableSeal("stage")
    for at in range(rows):
        table.append([at])
    assert table.blocks() == blocks and [row.block for row in table.take_changed()] == list(range(blocks))


def test_the_digest_of_a_record_is_sha_256_of_a_few_lines() -> None:
    stage, event = TableSeal("stage"), TableSeal("event")
    stage.append(["idle", 0.0])
    lines = ["verifyrig record 1", "CREATE a", "CREATE b", "sample 3 abc", f"stage 1 {stage.digest()}"]
    lines.append(f"event 0 {sha256(b'')}")
    assert record_digest(["CREATE b", "CREATE a"], "abc", 3, [stage, event]) == sha256("\n".join(lines).encode())


@pytest.mark.parametrize(
    ("statement", "row", "what"),
    [
        ("UPDATE sample SET die_temp_c = die_temp_c - 1e-9 WHERE rowid = 300", 300, "sample 300 was altered"),
        ("UPDATE sample SET package_power_w = 20.5 WHERE rowid = 1", 1, "sample 1 was altered"),
        ("UPDATE sample SET die_temp_c = NULL WHERE rowid = 700", 700, "sample 700 was altered"),
        ("UPDATE sample SET utc_s = utc_s - 86400", 1, "sample 1 was altered"),
        ("DELETE FROM sample WHERE rowid = 256", 256, "sample 256 is missing"),
        ("DELETE FROM sample WHERE rowid > 690", 691, "sample 691 is missing"),
        ("DELETE FROM sample WHERE rowid > 400", 401, "sample 401 is missing"),
        ("DELETE FROM sample WHERE rowid <= 10", 1, "sample 1"),
        ("DELETE FROM sample", 1, "sample 1 is missing"),
        ("INSERT INTO sample VALUES (800, 1.8e9, 40, 1200, 20)", 701, "sample 701 was inserted"),
        ("UPDATE sample SET rowid = 900 WHERE rowid = 700", 700, "row id"),
        ("UPDATE run SET value = '\"tripped\"' WHERE key = 'outcome'", None, "run row"),
        ("DELETE FROM run WHERE key = 'states'", None, "run row"),
        ("UPDATE stage SET ended = 'settled'", 1, "stage row 1 was altered"),
        ("DELETE FROM event WHERE rowid = 3", 3, "event row 3 is missing"),
        ("DELETE FROM event", 1, "event row 1 is missing"),
        ("UPDATE event SET t_s = 5 WHERE rowid = 7", 7, "event row 7 was altered"),
        ("INSERT INTO event VALUES (9, 'load', '{}')", 8, "event row 8 was inserted"),
        ("DELETE FROM reading_quality WHERE rowid = 2", 2, "reading_quality row 2 is missing"),
        ("UPDATE reading_quality SET to_s = to_s + 1 WHERE rowid = 1", 1, "reading_quality row 1 was altered"),
        ("DELETE FROM seal WHERE part = 'record'", None, "seal was taken off"),
        ("DELETE FROM seal WHERE part = 'sample' AND block = 1", None, "seal: the digest of sample 257 to 512"),
        ("UPDATE seal SET marks = zeroblob(2048) WHERE part = 'sample' AND block = 1", None, "seal: the marks"),
        ("UPDATE seal SET digest = 'x' WHERE part = 'record'", None, "seal: the digest of the whole"),
        ("INSERT INTO seal VALUES ('more', 0, 0, 0, 'x', x'')", None, "seal: a row"),
        ("CREATE TABLE more (x)", None, "schema: more"),
        ("CREATE VIEW sample2 AS SELECT * FROM sample", None, "schema: sample2"),
        ("ALTER TABLE sample ADD COLUMN vrm_temp_c REAL", 1, "sample 1"),
        ("ALTER TABLE sample RENAME COLUMN die_temp_c TO gpu_temp_c", None, ""),
        (
            "UPDATE sqlite_master SET sql = replace(sql, 'die_temp_c', 'gpu_temp_c') WHERE name = 'sample'",
            1,
            "sample 1",
        ),
    ],
)
def test_an_alteration_is_named(copy: Path, statement: str, row: int | None, what: str) -> None:
    check = alter(copy, statement)
    assert check.altered is not None and not check.whole
    assert what in check.altered.what
    if row is not None:
        assert check.altered.row == row


def test_a_row_put_in_between_with_all_later_ones_renumbered_is_named(copy: Path) -> None:
    check = alter(
        copy,
        "UPDATE sample SET rowid = -(rowid + 1) WHERE rowid >= 500",
        "UPDATE sample SET rowid = -rowid WHERE rowid < 0",
        "INSERT INTO sample(rowid, t_s, utc_s, die_temp_c) VALUES (500, 498.5, 1.7e9, 41)",
    )
    assert check.altered == (500, "sample 500 was inserted")


def test_a_row_taken_out_with_all_later_ones_renumbered_is_named(copy: Path) -> None:
    check = alter(
        copy,
        "DELETE FROM sample WHERE rowid = 123",
        "UPDATE sample SET rowid = -(rowid - 1) WHERE rowid > 123",
        "UPDATE sample SET rowid = -rowid WHERE rowid < 0",
    )
    assert check.altered == (123, "sample 123 is missing")


def content(path: Path) -> object:
    """All that a record says but for the digest of its bytes, read by plain SQL; None where it cannot be read."""
    try:
        connection = sqlite3.connect(f"{path.as_uri()}?immutable=1", uri=True)
        try:
            names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
            rows = [connection.execute(f"SELECT rowid, * FROM {name}").fetchall() for name in names]
            sql = connection.execute("SELECT type, name, tbl_name, sql FROM sqlite_master").fetchall()
            return re.sub(
                r"(SHA-256 of this file with these 64 digits at 0: )[^']{64}", r"\1", repr((names, rows, sql))
            )
        finally:
            connection.close()
    except (sqlite3.Error, UnicodeDecodeError, OverflowError):
        return None


def judge_change(path: Path, changed: bytes, before: object) -> str:
    """Return what `check_record` makes of changed bytes, after checks that it passes over nothing in silence."""
    path.write_bytes(changed)
    with contextlib.suppress(RecordError):  # reading it must work or end in words, too
        read_trace(path)
    try:
        check = check_record(path)
    except RecordError as error:
        assert "schema version" in error.what
        return "refused"
    assert not check.whole
    if check.damage and check.digest is not None:
        assert content(path) == before, "content differs, but only idle bytes are said to be changed"
        return "idle bytes"
    if check.damage:
        return "damaged"
    assert check.altered is not None and check.altered.what
    return "altered"


def flip(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1 :]


def cut(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(len(data))]


@pytest.mark.parametrize(("change", "places"), [(flip, 150), (cut, 60)])
def test_flipped_and_cut_files_are_never_passed_over(
    sealed: Path, tmp_path: Path, change: Callable[[bytes, random.Random], bytes], places: int
) -> None:
    data, before = sealed.read_bytes(), content(sealed)
    assert before is not None
    rng = random.Random(20260101)
    found = [judge_change(tmp_path / "r.sqlite", change(data, rng), before) for _ in range(places)]
    assert set(found) >= ({"altered", "damaged", "idle bytes"} if change is flip else {"damaged"})


def test_flips_in_the_first_page_are_never_passed_over(sealed: Path, tmp_path: Path) -> None:
    data, before = sealed.read_bytes(), content(sealed)
    for at in range(100):
        judge_change(tmp_path / "r.sqlite", data[:at] + bytes([data[at] ^ 0x41]) + data[at + 1 :], before)


def test_an_interrupted_record_has_its_chain_checked_too(tmp_path: Path) -> None:
    path = make(tmp_path / "r.sqlite", live=True, close=False)
    check = check_record(path)
    assert (check.whole, check.sealed, check.altered, check.samples) == (True, False, None, ROWS)
    assert check.digest is not None
    altered = alter(path, "UPDATE sample SET die_temp_c = 35 WHERE rowid = 650")
    assert altered.altered == (650, "sample 650 was altered")


def test_a_missing_log_beside_an_interrupted_record_is_said(tmp_path: Path) -> None:
    path = make(tmp_path / "r.sqlite", live=True, close=False)
    wal_path(path).unlink()
    check = check_record(path)
    assert not check.whole and check.altered is None and "-wal" in check.notes[0]


def test_a_log_that_is_cut_anywhere_leaves_a_whole_prefix(tmp_path: Path) -> None:
    """SQLite, "The WAL file format": a frame counts only if its checksum fits and a commit frame follows."""
    path = make(tmp_path / "r.sqlite", live=True, close=False, rows=60)
    data, log = path.read_bytes(), wal_path(path).read_bytes()
    rng = random.Random(5)
    for _ in range(40):
        path.write_bytes(data)
        wal_path(path).write_bytes(log[: rng.randrange(len(log))])
        check = check_record(path)
        assert check.altered is None and not check.damage and 0 <= check.samples <= 60
        for beside in tmp_path.glob("*-shm"):
            beside.unlink()


def test_a_newer_schema_is_refused_in_words(copy: Path) -> None:
    with pytest.raises(RecordError, match="newer"):
        alter(copy, "PRAGMA user_version = 99")
