"""How a run says its last word: a closed terminal, Ctrl-\\, a record taken away, a disk that stays full."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.test_record_bad_disk import small_disk
from verifyrig.record.restart_note import Aftermath, aftermath_path, read_aftermath, write_aftermath

pty = pytest.importorskip("pty")
termios = pytest.importorskip("termios")
fcntl = pytest.importorskip("fcntl")

HANG_S = 90.0
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
max_duration_s = 80
"""


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    (tmp_path / "rest.toml").write_text(PLAN, encoding="utf-8")
    return tmp_path


def wait_until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + HANG_S
    while not true():
        assert time.monotonic() < end, "it took too long"
        time.sleep(0.1)


def take_terminal() -> None:
    """Make stdin the controlling terminal of the new session, as a terminal window does."""
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


class Window:
    """A terminal with the program in it."""

    def __init__(self, bench: Path, *words: str) -> None:
        self.master, self.slave = pty.openpty()
        self.before = termios.tcgetattr(self.slave)
        self.bench = bench
        self.run = subprocess.Popen(
            [sys.executable, "-m", "verifyrig", *words, "--bench", str(bench)],
            stdin=self.slave,
            stdout=self.slave,
            stderr=self.slave,
            cwd=Path(__file__).parent.parent,
            start_new_session=True,
            preexec_fn=take_terminal,
        )
        self.reader = os.dup(self.master)
        os.set_blocking(self.reader, False)

    def drained(self) -> bytes:
        try:
            return os.read(self.reader, 65536)
        except OSError:
            return b""

    def ended(self) -> bool:
        self.drained()
        return self.run.poll() is not None

    def is_sampling(self) -> bool:
        self.drained()
        return any(path.stat().st_size > 0 for path in self.bench.glob("runs/*.sqlite"))


@pytest.fixture
def window(bench: Path) -> Iterator[Window]:
    opened = Window(bench, "run", str(bench / "rest.toml"), "--mock", "healthy-air", "--speed", "1")
    try:
        wait_until(opened.is_sampling)
        time.sleep(1.0)  # a few samples; were there fewer, nothing would be proven less
        yield opened
    finally:
        opened.run.kill()
        opened.run.wait()


def listed(bench: Path) -> list[dict[str, object]]:
    words = [sys.executable, "-m", "verifyrig", "runs", "--json", "--bench", str(bench)]
    done = subprocess.run(words, capture_output=True, text=True, check=True, timeout=HANG_S)
    rows: list[dict[str, object]] = json.loads(done.stdout)["runs"]
    return rows


def test_a_closed_terminal_ends_with_130(window: Window) -> None:
    os.close(window.reader)
    os.close(window.slave)
    os.close(window.master)
    assert window.run.wait(HANG_S) == 130
    (row,) = listed(window.bench)
    assert row["sealed"] and row["outcome"] == "interrupted"


def test_ctrl_backslash_seals_the_record_and_gives_the_terminal_back(window: Window) -> None:
    os.write(window.master, b"\x1c")
    wait_until(window.ended)
    assert window.run.returncode == 130
    assert termios.tcgetattr(window.slave) == window.before
    (row,) = listed(window.bench)
    assert row["sealed"] and row["cause"]["class"] == "operator"  # type: ignore[index]


def test_ctrl_backslash_at_a_question_gives_the_terminal_back(tmp_path: Path) -> None:
    window = Window(tmp_path, "job", "open")
    try:
        wait_until(lambda: termios.tcgetattr(window.slave) != window.before or bool(window.drained()))
        time.sleep(1.0)
        os.write(window.master, b"\x1c")
        wait_until(window.ended)
        assert window.run.returncode == 130
        assert termios.tcgetattr(window.slave) == window.before
    finally:
        window.run.kill()
        window.run.wait()


def test_a_record_deleted_in_mid_run_says_what_is_lost(bench: Path) -> None:
    words = ["run", str(bench / "rest.toml"), "--mock", "healthy-air", "--speed", "1", "--json", "--bench", str(bench)]
    with subprocess.Popen([sys.executable, "-m", "verifyrig", *words], stdout=subprocess.PIPE, text=True) as run:
        wait_until(lambda: bool(list(bench.glob("runs/*.sqlite-wal"))))
        time.sleep(2.0)
        for path in bench.glob("runs/*.sqlite*"):
            path.unlink()
        out, _ = run.communicate(timeout=HANG_S)
    assert run.returncode == 2
    what = json.loads(out)["error"]["what"]
    assert "deleted" in what and "samples" in what and "stopped" in what
    assert not list(bench.glob("runs/*"))


def test_a_full_disk_is_later_listed_as_a_full_disk(tmp_path: Path) -> None:
    with small_disk(tmp_path, 1536) as place:
        (place / "rest.toml").write_text(PLAN)
        words = ["run", str(place / "rest.toml"), "--yes", "--json", "--bench", str(place)]
        with subprocess.Popen([sys.executable, "-m", "verifyrig", *words], stdout=subprocess.PIPE, text=True) as run:
            wait_until(lambda: bool(list(place.glob("runs/.*.spare"))))
            with (place / "fill").open("wb", buffering=0) as fill:
                _fill(fill.fileno())
            out, _ = run.communicate(timeout=HANG_S)
        assert run.returncode == 3, out
        (row,) = listed(place)
        assert row["outcome"] == "stopped" and "full" in str(row["note"])
        words = [sys.executable, "-m", "verifyrig", "inspect", "last", "--bench", str(place)]
        told = subprocess.run(words, capture_output=True, text=True, timeout=HANG_S, check=False).stdout
        assert "full" in told
        assert not list(place.glob("runs/.*.spare"))


def _fill(handle: int) -> None:
    try:
        while True:
            os.write(handle, bytes(1024))
    except OSError:
        return


def test_a_note_that_says_completed_is_none(tmp_path: Path) -> None:
    record = tmp_path / "20310314-090000-aaaa.sqlite"
    for outcome, counts in (("completed", False), ("running", False), ("stopped", True), ("tripped", True)):
        assert write_aftermath(record, Aftermath(run=record.stem, seen_utc_s=1.9e9, outcome=outcome, cause=None))
        assert (read_aftermath(record) is not None) is counts
        aftermath_path(record).unlink()
