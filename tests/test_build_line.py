"""A build line: the shipped profile, starting without a keyboard, and an end that is read from three metres."""

from __future__ import annotations

import json
import os
import pty
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from verifyrig.bench.autostart import autostart_words
from verifyrig.bench.day import read_day
from verifyrig.bench.find_profile import find_profile
from verifyrig.bench.folder import Bench, find_bench
from verifyrig.core.errors import BenchError
from verifyrig.metrology.verdict import Verdict
from verifyrig.terminal.end_screen import end_screen

HANG_S = 100.0


def test_build_profile_takes_at_most_a_quarter_of_an_hour(tmp_path: Path) -> None:
    profile = find_profile("build", Bench(root=tmp_path))
    total_s = 0.0
    for stage in profile.stages:
        load = stage.load
        if load is not None and load.on_s is not None and load.off_s is not None and load.count is not None:
            total_s += load.count * (load.on_s + load.off_s)
        else:
            assert stage.max_duration_s is not None
            total_s += stage.max_duration_s
    assert total_s <= 15 * 60


@pytest.mark.parametrize("verdict", list(Verdict))
def test_end_screen_fits_a_plain_terminal_in_large_letters(verdict: Verdict) -> None:
    lines = end_screen(verdict, "unit-07", 80, 24)
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 24
    # Seven rows of a terminal are about 3 cm; 1 cm is read from 3 m (1/300 of the distance, common practice).
    assert sum("█" in line for line in lines) >= 7
    assert "unit-07" in lines[-1]


def test_end_screens_differ_in_shape_and_not_only_in_word() -> None:
    shapes = {verdict: [line[:16] for line in end_screen(verdict, "", 80, 24)[1:8]] for verdict in Verdict}
    assert len({"\n".join(shape) for shape in shapes.values()}) == len(Verdict)


def test_end_screen_grows_with_the_terminal_and_shrinks_to_a_line() -> None:
    assert max(map(len, end_screen(Verdict.PASS, "u", 200, 60))) > max(map(len, end_screen(Verdict.PASS, "u", 80, 24)))
    assert end_screen(Verdict.FAIL, "u", 30, 5) == ["▲ FAILED  u"]


def bench_with(tmp_path: Path, toml: str) -> Bench:
    (tmp_path / "bench.toml").write_text(toml, "utf-8")
    return find_bench(str(tmp_path))


def test_autostart_words_come_from_bench_toml(tmp_path: Path) -> None:
    assert autostart_words(bench_with(tmp_path, "")) is None
    toml = '[autostart]\nprofile = "build"\nbatch = "week 14"\nambient = "22±1"\nattest = "answers.toml"\n'
    assert autostart_words(bench_with(tmp_path, toml)) == [
        "run", "build", "--as", "build", "--by-itself", "--batch", "week 14", "--ambient", "22±1",
        "--attest", str(tmp_path / "answers.toml"),
    ]  # fmt: skip


@pytest.mark.parametrize("toml", ["autostart = true", "[autostart]", '[autostart]\nprofile = "build"\nbatch = "--yes"'])
def test_autostart_refuses_what_it_cannot_use(tmp_path: Path, toml: str) -> None:
    with pytest.raises(BenchError, match="autostart"):
        autostart_words(bench_with(tmp_path, toml))


def start_bare(bench: Path, terminal: int) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "verifyrig", "--bench", str(bench)],
        stdin=terminal, stdout=terminal, stderr=terminal, start_new_session=True,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "80", "LINES": "24"},
        cwd=Path(__file__).resolve().parent.parent,
    )  # fmt: skip


def read_until(terminal: int, wanted: str) -> str:
    """Return what came from the terminal up to the wanted text."""
    text, end = "", time.monotonic() + HANG_S
    while wanted not in text and time.monotonic() < end:
        if select.select([terminal], [], [], 1.0)[0]:
            try:
                text += os.read(terminal, 4096).decode("utf-8", "replace")
            except OSError:
                break
    return text


def test_a_key_opens_the_menu_instead(tmp_path: Path) -> None:
    # Whoever presses a key is there, and is asked for their name as at any start of the menu; the key is no part of it.
    bench_with(tmp_path, '[autostart]\nprofile = "build"\nwait_s = 60\n')
    ours, theirs = pty.openpty()
    process = start_bare(tmp_path, theirs)
    os.close(theirs)
    try:
        assert "Any key opens the menu" in read_until(ours, "Any key opens the menu")
        os.write(ours, b"m")
        assert "bench?" in read_until(ours, "bench? ")
        os.write(ours, b"N. Bench\r")
        assert "leave" in read_until(ours, "leave")
        assert read_day(tmp_path).by == "N. Bench"
    finally:
        process.kill()
        process.wait()
        os.close(ours)


def test_without_a_key_the_named_run_starts(tmp_path: Path) -> None:
    # A profile that cannot start here: that it was tried is told by its name in the refusal, and no load is started.
    bench_with(tmp_path, '[autostart]\nprofile = "no-such-profile"\nwait_s = 0\n')
    done = subprocess.run(
        [sys.executable, "-m", "verifyrig", "--bench", str(tmp_path)],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=HANG_S, check=False,
        cwd=Path(__file__).resolve().parent.parent,
    )  # fmt: skip
    assert done.returncode == 2
    assert "no-such-profile: no such profile" in done.stderr


def test_a_simulated_build_run_ends_in_large_letters_on_a_terminal(tmp_path: Path) -> None:
    ours, theirs = pty.openpty()
    words = ["run", "build", "--mock", "healthy-air:3", "--unit", "unit-07", "--bench", str(tmp_path)]
    process = subprocess.Popen(
        [sys.executable, "-m", "verifyrig", *words],
        stdin=subprocess.DEVNULL, stdout=theirs, stderr=subprocess.DEVNULL,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "80", "LINES": "24"},
        cwd=Path(__file__).resolve().parent.parent,
    )  # fmt: skip
    os.close(theirs)
    text = read_until(ours, "\x00")
    process.wait(timeout=HANG_S)
    os.close(ours)
    assert "██" in text
    assert "unit-07" in text.rstrip().splitlines()[-1]
    assert json.dumps(text)  # no half characters
