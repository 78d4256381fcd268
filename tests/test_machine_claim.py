"""Two programs that heat one machine refuse each other, whoever runs them and wherever their bench folders lie."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.nobody import python_for_nobody
from verifyrig.core.errors import LoadError
from verifyrig.loads.machine_claim import machine_claimed

REPO = Path(__file__).resolve().parent.parent
HANG_S = 60.0
PLAN = """
name = "gentle"
title = "Short quarter-share pulses after a rest"
blind_load_s = 30

[sampling]
period_s = 0.2

[trip]
die_temp_c = { max = 90.0, optional = true }

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = IDLE

[[stage]]
name = "pulses"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 0.3, off_s = 0.6, count = 1, share = 0.25, workers = 1 }
"""
HOLDER = """
import sys
from verifyrig.loads.machine_claim import machine_claimed
address = eval(sys.argv[1])
with machine_claimed("20260314-090000-aaaa", address=address):
    print("held", flush=True)
    sys.stdin.read()
"""


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


# Of this process alone: the same tests can run beside it, from another checkout.
ADDRESSES: list[Any] = [f"\0verifyrig-test-claim-{os.getpid()}", ("127.0.0.1", free_port())]
linux_only = pytest.mark.skipif(sys.platform != "linux", reason="abstract names of sockets, and setpriv")


@contextlib.contextmanager
def holder(address: Any, python: list[str] | None = None) -> Iterator[subprocess.Popen[str]]:
    """Another process that holds the claim."""
    words = [*(python or [sys.executable]), "-c", HOLDER, repr(address)]
    env = {**os.environ} if python else {**os.environ, "PYTHONPATH": str(REPO)}
    process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=env, cwd="/")
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        yield process
    finally:
        process.kill()
        process.communicate(timeout=HANG_S)


@linux_only
@pytest.mark.parametrize("address", ADDRESSES, ids=["abstract name", "loopback"])
def test_a_second_one_is_refused_with_the_name_of_the_first(address: Any) -> None:
    with holder(address) as process:
        with pytest.raises(LoadError) as refused, machine_claimed(address=address):
            pass
        assert "20260314-090000-aaaa" in refused.value.what and f"process {process.pid}" in refused.value.what
        assert refused.value.exit_code == 2


@linux_only
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
@pytest.mark.parametrize("address", ADDRESSES, ids=["abstract name", "loopback"])
def test_the_death_of_the_holder_frees_the_machine(address: Any, number: signal.Signals) -> None:
    with holder(address) as process:
        process.send_signal(number)
        process.wait(timeout=HANG_S)
        with machine_claimed(address=address):
            pass


@linux_only
def test_a_holder_that_hangs_still_holds_and_is_named_by_the_kernel() -> None:
    with holder(ADDRESSES[0]) as process:
        process.send_signal(signal.SIGSTOP)
        try:
            with pytest.raises(LoadError, match=f"process {process.pid}"), machine_claimed(address=ADDRESSES[0]):
                pass
        finally:
            process.send_signal(signal.SIGCONT)


@linux_only
def test_it_is_given_back_and_can_be_had_again_at_once() -> None:
    for address in ADDRESSES:
        for _ in range(3):
            with machine_claimed(address=address), pytest.raises(LoadError), machine_claimed(address=address):
                pass


@linux_only
def test_two_users_refuse_each_other_in_both_directions() -> None:
    python = python_for_nobody()
    held, refused = holder(ADDRESSES[0], python), pytest.raises(LoadError, match="user nobody")
    with held, refused, machine_claimed(address=ADDRESSES[0]):
        pass
    with machine_claimed("mine", address=ADDRESSES[0]):
        words = [*python, "-c", HOLDER, repr(ADDRESSES[0])]
        done = subprocess.run(words, capture_output=True, text=True, cwd="/", timeout=HANG_S)
        assert done.returncode != 0 and f"run mine (process {os.getpid()}, user root)" in done.stderr


def run_words(bench: Path, *more: str) -> list[str]:
    return [sys.executable, "-m", "verifyrig", "run", str(bench / "gentle.toml"), "--yes", "--json",
            "--bench", str(bench), *more]  # fmt: skip


def bench_at(folder: Path, idle_s: float) -> Path:
    folder.mkdir()
    (folder / "gentle.toml").write_text(PLAN.replace("IDLE", str(idle_s)))
    return folder


@linux_only
@pytest.mark.usefixtures("machine_for_itself")
def test_a_run_in_another_bench_folder_is_refused_with_exit_2_and_simulated_ones_are_not(tmp_path: Path) -> None:
    env = {**os.environ, "PYTHONPATH": str(REPO)}
    first_bench, second_bench = bench_at(tmp_path / "one", 100), bench_at(tmp_path / "two", 0.3)
    first = subprocess.Popen(run_words(first_bench), env=env, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    try:
        end_s = time.monotonic() + HANG_S
        while not list((first_bench / "runs").glob("*.sqlite")):
            assert time.monotonic() < end_s and first.poll() is None
            time.sleep(0.05)
        (record,) = (first_bench / "runs").glob("*.sqlite")
        second = subprocess.run(run_words(second_bench), env=env, capture_output=True, text=True, timeout=HANG_S)
        error = json.loads(second.stdout)["error"]
        assert second.returncode == 2
        assert record.stem in error["what"] and f"process {first.pid}" in error["what"]
        assert not (second_bench / "runs").exists(), "nothing is written for a run that does not start"
        mock = subprocess.run(
            run_words(second_bench, "--mock", "healthy-air"), env=env, capture_output=True, text=True, timeout=HANG_S
        )
        assert mock.returncode in (0, 4), mock.stderr
        first.kill()
        first.wait(timeout=HANG_S)
        third = subprocess.run(run_words(second_bench), env=env, capture_output=True, text=True, timeout=HANG_S)
        assert third.returncode in (0, 4), third.stdout
    finally:
        first.kill()
        first.communicate(timeout=HANG_S)
