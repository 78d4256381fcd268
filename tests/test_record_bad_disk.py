"""A disk that is full, gone or read-only ends the recording in words; what was committed stays whole."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.nobody import open_folder, python_for_nobody
from tests.recorder_child import is_whole_prefix
from verifyrig.core.errors import RecordError
from verifyrig.core.interfaces import Reading
from verifyrig.record import open_record, read_trace
from verifyrig.record.check import check_record

HANG_S = 120.0
CHILD = [sys.executable, str(Path(__file__).with_name("recorder_child.py")), "failing"]


def run_until_it_fails(
    path: Path, *words: str, trouble: Callable[[], object] | None = None
) -> tuple[int, dict[str, str]]:
    """Record until the disk fails, with trouble made after 30 durable samples; return the durable ones, the error."""
    acknowledged, error = 0, {}
    with subprocess.Popen([*CHILD, str(path), *words], stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        for line in child.stdout:
            word, _, rest = line.strip().partition(" ")
            if word == "ack":
                acknowledged = int(rest)
                if trouble is not None and acknowledged >= 30:
                    trouble()
                    trouble = None
            elif word == "failed":
                error = json.loads(rest)
    return acknowledged, error


def check_what_is_left(path: Path, acknowledged: int) -> None:
    trace, check = read_trace(path), check_record(path)
    assert is_whole_prefix(trace) and len(trace.t_s) >= acknowledged > 0
    assert check.altered is None and not check.damage and not check.sealed
    assert trace.facts["outcome"] == "interrupted"


@contextmanager
def small_disk(tmp_path: Path, size_kib: int) -> Iterator[Path]:
    """A small ext4 file system from an image, where this user may mount one."""
    if os.geteuid() != 0 or shutil.which("mkfs.ext4") is None:
        pytest.skip("mounting a small file system needs root and mkfs.ext4")
    image, place = tmp_path / "disk.img", tmp_path / "disk"
    place.mkdir()
    image.write_bytes(bytes(size_kib * 1024))
    subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], check=True, capture_output=True)
    mounted = subprocess.run(
        ["mount", "-o", "loop", str(image), str(place)], capture_output=True, text=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip(f"no loop mount here: {mounted.stderr.strip()}")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True, capture_output=True)


def test_a_limit_on_file_size_ends_the_recording_in_words(tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite"
    acknowledged, error = run_until_it_fails(path, "300000")
    assert "cannot be written" in error["what"] and "stays whole" in error["mend"]
    check_what_is_left(path, acknowledged)


def test_a_full_disk_ends_the_recording_in_words(tmp_path: Path) -> None:
    with small_disk(tmp_path, 1536) as place:
        path = place / "r.sqlite"
        acknowledged, error = run_until_it_fails(path)
        assert "full" in error["what"] and "Make room" in error["mend"]
        copies = [shutil.copy(file, tmp_path) for file in place.glob("r.sqlite*") if not file.name.endswith("-shm")]
        assert len(copies) == 2
        check_what_is_left(path, acknowledged)
    check_what_is_left(tmp_path / "r.sqlite", acknowledged)


def test_a_file_system_that_goes_read_only_ends_the_recording_in_words(tmp_path: Path) -> None:
    with small_disk(tmp_path, 8192) as place:

        def abort() -> None:
            # What ext4 does by itself after an error of the medium (kernel document "filesystems/ext4": errors=).
            subprocess.run(["mount", "-o", "remount,abort", str(place)], check=False, capture_output=True)

        path = place / "r.sqlite"
        acknowledged, error = run_until_it_fails(path, trouble=abort)
        if not error:
            pytest.skip("this kernel does not abort a file system on demand")
        assert "cannot be written" in error["what"]
        check_what_is_left(path, acknowledged)


def test_a_file_that_is_taken_away_ends_the_recording_in_words(tmp_path: Path) -> None:
    path = tmp_path / "bench" / "r.sqlite"
    path.parent.mkdir()
    acknowledged, error = run_until_it_fails(path, trouble=lambda: path.parent.rename(tmp_path / "elsewhere"))
    assert "gone" in error["what"] and "back" in error["mend"]
    check_what_is_left(tmp_path / "elsewhere" / "r.sqlite", acknowledged)


PLAN = """
name = "rest"
title = "A rest that nobody needs to answer for"
[sampling]
period_s = 0.1
[trip]
die_temp_c = { max = 90.0, optional = true }
[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 3600
"""


def wait_for_a_sample(runs: Path) -> None:
    """Wait until the run has begun in earnest: a record is there, and a sample stands in it."""
    end_s = time.monotonic() + HANG_S
    while True:
        for path in runs.glob("*.sqlite"):
            with (
                contextlib.suppress(sqlite3.Error),
                contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as record,
            ):
                if record.execute("SELECT count(*) FROM sample").fetchone()[0]:
                    return
        assert time.monotonic() < end_s, "no sample was recorded"
        time.sleep(0.05)


def test_a_run_on_a_disk_that_fills_up_says_so_itself(tmp_path: Path) -> None:
    with small_disk(tmp_path, 1536) as place:
        (place / "rest.toml").write_text(PLAN)
        words = ["run", str(place / "rest.toml"), "--yes", "--json", "--bench", str(place)]
        run = subprocess.Popen([sys.executable, "-m", "verifyrig", *words], stdout=subprocess.PIPE, text=True)
        try:
            wait_for_a_sample(place / "runs")
            with contextlib.suppress(OSError), (place / "fill").open("wb", buffering=0) as fill:
                while True:
                    fill.write(bytes(1024))
            out, _ = run.communicate(timeout=HANG_S)
        finally:
            run.kill()
            run.wait()
    # A full disk is `stopped`, exit 3 (contract); the record alone would look like one of a hung program.
    assert run.returncode == 3, out
    assert json.loads(out)["outcome"] == "stopped" and json.loads(out)["cause"] is None


def test_a_record_in_a_folder_that_may_not_be_written_is_refused_in_words(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(RecordError, match="cannot be written"):
        open_record(tmp_path / "file" / "r.sqlite", facts={}, profile_text=None, channels=["die_temp_c"], live=True)


@pytest.fixture
def folder() -> Iterator[Path]:
    with open_folder() as folder:
        yield folder


def test_an_interrupted_record_is_read_from_a_medium_that_may_not_be_written(folder: Path) -> None:
    python = python_for_nobody()
    path = folder / "r.sqlite"
    writer = open_record(path, facts={"run": "r"}, profile_text=None, channels=["die_temp_c"], live=True)
    for i in range(5):
        writer.sample(float(i), 1.7e9 + i, {"die_temp_c": Reading(value=40.0)})
    writer.abandon()
    for file in folder.iterdir():
        file.chmod(0o444)
    for shm in folder.glob("*-shm"):
        shm.unlink()
    code = "import sys, pathlib; from verifyrig.record import read_trace as read; "
    code += f"print(len(read(pathlib.Path({str(path)!r})).t_s))"
    done = subprocess.run([*python, "-c", code], capture_output=True, text=True, check=False, cwd="/")
    assert done.stdout.strip() == "5", done.stderr
    assert sorted(file.name for file in folder.iterdir()) == ["r.sqlite", "r.sqlite-wal"]
