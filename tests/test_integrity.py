"""Damage and a broken chain are said by every command, and nothing that must be proven rests on such a record."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from tests.small_records import PROFILE_TEXT, write_record
from verifyrig.commands import cli
from verifyrig.core.integrity import Integrity
from verifyrig.record.check import check_record, integrity_of

# The die 8 K colder than it was, and the file's own mark as a record changed: the second hid the first.
COLDER = ("UPDATE sample SET die_temp_c = die_temp_c - 8", "PRAGMA application_id = 1")
# No row of the seal is a digest any more: the check ended before it came to the samples.
NO_MARKS = ("UPDATE seal SET marks = 'x'",)
ATTACKS = pytest.mark.parametrize("attack", [COLDER, NO_MARKS], ids=["mark-of-the-file", "marks-of-the-seal"])


def alter(record: Path, *statements: str) -> None:
    connection = sqlite3.connect(record, isolation_level=None)
    for statement in statements:
        connection.execute(statement)
    connection.close()


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "tiny-build.toml").write_text(PROFILE_TEXT, encoding="utf-8")
    for number in range(3):
        write_record(tmp_path / "runs", number)
    return tmp_path


@pytest.fixture
def record(bench: Path) -> Path:
    return next((bench / "runs").glob("20260202-080000-*.sqlite"))


def ask(bench: Path, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any], str]:
    code = cli.run([*words, "--json", "--bench", str(bench)])
    out, err = capsys.readouterr()
    return code, json.loads(out), err


# ---- the one decision


def test_a_sealed_record_proves_and_one_left_by_a_death_does_not(tmp_path: Path) -> None:
    sealed, left = write_record(tmp_path, 0), write_record(tmp_path, 1, close=False)
    assert integrity_of(sealed) == (Integrity.SEALED, "")
    assert integrity_of(left) == (Integrity.UNSEALED, "")
    assert Integrity.SEALED.proves and not Integrity.UNSEALED.proves and not Integrity.UNSEALED.is_broken


@ATTACKS
def test_what_stands_outside_the_content_hides_no_change_of_it(record: Path, attack: tuple[str, ...]) -> None:
    alter(record, *attack)
    check = check_record(record)
    assert check.integrity is Integrity.ALTERED and check.whole is False and check.digest is not None
    if attack is COLDER:
        assert check.fault == "sample 1 was altered"


@pytest.mark.parametrize(
    "statement",
    [
        "PRAGMA application_id = 7",
        "PRAGMA user_version = 0",
        "UPDATE seal SET block = 'x' WHERE part = 'sample' AND block = 0",
        "UPDATE seal SET digest = x'00' WHERE part = 'record'",
        "UPDATE seal SET first_row = 1.5 WHERE part = 'run'",
    ],
)
def test_a_mark_that_no_program_of_ours_writes_is_an_alteration(record: Path, statement: str) -> None:
    alter(record, statement)
    assert integrity_of(record)[0] is Integrity.ALTERED


def test_what_cannot_be_judged_counts_as_damaged(record: Path, tmp_path: Path) -> None:
    alter(record, "PRAGMA user_version = 99")
    assert integrity_of(record)[0] is Integrity.DAMAGED and "version 99" in integrity_of(record)[1]
    assert integrity_of(tmp_path / "gone.sqlite")[0] is Integrity.DAMAGED
    foreign = tmp_path / "foreign.sqlite"
    alter(foreign, "CREATE TABLE address (name TEXT)")
    assert integrity_of(foreign)[0] is Integrity.DAMAGED


# ---- every command says it


@ATTACKS
@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("metrics", "first"), 0),  # gives 0 when it did its work (contract)
        (("compare", "first", "last"), 1),
        (("diagnose", "first"), 1),
        (("inspect", "first"), 1),
        (("qa", "--profile", "tiny-build"), 1),
    ],
)
def test_no_command_is_silent_on_a_broken_record(
    bench: Path,
    record: Path,
    capsys: pytest.CaptureFixture[str],
    attack: tuple[str, ...],
    words: tuple[str, ...],
    code: int,
) -> None:
    alter(record, *attack)
    found, answer, err = ask(bench, capsys, *words)
    assert found == code
    if words[0] in ("compare", "diagnose", "metrics"):
        assert "THE RECORD WAS ALTERED" in err and "altered" in json.dumps(answer["integrity"])


@ATTACKS
def test_an_altered_record_passes_nothing(
    bench: Path, record: Path, capsys: pytest.CaptureFixture[str], attack: tuple[str, ...]
) -> None:
    assert ask(bench, capsys, "metrics", "first")[1]["verdict"] == "pass"
    alter(record, *attack)
    _, answer, _ = ask(bench, capsys, "metrics", "first")
    assert answer["verdict"] == "not-measured" and answer["integrity"] == "altered"
    assert {one["verdict"] for one in answer["thresholds"]} == {"not-measured"}
    row = ask(bench, capsys, "runs")[1]["runs"][0]
    assert (row["verdict"], row["integrity"]) == ("not-measured", "altered") and "ALTERED" in row["note"]
    units = ask(bench, capsys, "qa", "--profile", "tiny-build")[1]
    assert units["units"] == 2 and "altered" in units["left_out"][0]["why"]


def test_a_record_damaged_where_nothing_is_kept_passes_nothing_either(
    bench: Path, record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A byte of the file that SQLite does not use: the content fits, but the medium loses bits."""
    data = bytearray(record.read_bytes())
    data[72] ^= 1  # reserved for expansion, must be zero (SQLite "Database File Format", 1.3)
    record.write_bytes(data)
    assert integrity_of(record)[0] is Integrity.DAMAGED
    code, answer, err = ask(bench, capsys, "compare", "first", "last")
    assert code == 1 and answer["integrity"]["before"] == "damaged" and "THE RECORD IS DAMAGED" in err
    assert ask(bench, capsys, "metrics", "first")[1]["verdict"] == "not-measured"
    assert ask(bench, capsys, "qa", "--profile", "tiny-build")[0] == 1


def test_a_run_left_unsealed_serves_as_before_and_is_marked(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    left = write_record(bench / "runs", 5, close=False, facts={"outcome": "completed"})
    code, answer, err = ask(bench, capsys, "compare", left.stem, "first")
    assert code in (0, 4) and answer["integrity"] == {"before": "unsealed", "after": "sealed"}
    assert "not sealed" in err and answer["metrics"]
    # It says of itself that it went through, which only a closed record can.
    _, alone, _ = ask(bench, capsys, "metrics", left.stem)
    assert alone["verdict"] == "not-measured" and alone["integrity"] == "unsealed"
    units = ask(bench, capsys, "qa", "--profile", "tiny-build")
    assert units[1]["units"] == 3 and "never sealed" in units[1]["left_out"][0]["why"]


def test_a_change_is_found_although_size_and_time_of_the_file_stay(
    bench: Path, record: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The list of runs keeps what it computed; whoever sets the time back after an alteration must not be believed."""
    import os

    before = record.stat()
    assert ask(bench, capsys, "runs")[1]["runs"][0]["verdict"] == "pass"
    alter(record, "UPDATE sample SET die_temp_c = 30.0 WHERE rowid = 5")
    os.utime(record, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert record.stat().st_size == before.st_size
    assert ask(bench, capsys, "runs")[1]["runs"][0]["integrity"] == "altered"
