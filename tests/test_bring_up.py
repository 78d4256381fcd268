"""A load that is coming up obeys: people, signals, trips and stops end it in whatever state its workers are.

The workers are held in their state by SIGSTOP, so that no test has to hit the moment; without an end from outside they
would stay there until the limit for workers that never get ready, 20 s and more.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from tests.bring_up_stand import SHARE, Stand, in_state, powerless, software_renderer
from tests.terminal import open_terminal
from verifyrig.core.errors import LoadError
from verifyrig.core.interfaces import LoadDemand
from verifyrig.loads.worker_load import WorkerLoad

pytestmark = [
    pytest.mark.skipif(sys.platform != "linux", reason="states of processes as Linux shows them"),
    pytest.mark.usefixtures("machine_for_itself"),
]

REPO = Path(__file__).resolve().parent.parent
# Far above the 200 ms that the rule gives, far below the 20 s after which workers that never get ready are given up.
HANG_S = 12.0


@pytest.fixture(scope="module")
def renderer() -> str:
    pytest.importorskip("wgpu", reason="the package wgpu (extra gpu) is not installed")
    name = software_renderer()
    if not name:
        pytest.skip("no software renderer for Vulkan is installed (Debian: mesa-vulkan-drivers)")
    return name


REASONS = ("trip", "space", "ctrl-c", "sigterm", "hangup", "full-disk", "danger")


@pytest.mark.parametrize("reason", REASONS)
def test_whatever_ends_a_load_ends_it_while_its_workers_are_still_importing(reason: str) -> None:
    ended = Stand("linear-algebra").end_in("importing", reason, freeze=True)
    assert ended.gone_s < HANG_S
    assert ended.commanded == [], "the workers were told to work after the reason to end"
    if reason != "full-disk":  # nothing more is written there
        assert ended.stages["load"] == "skipped"
    outcome = {"trip": "tripped", "full-disk": "stopped", "danger": "stopped"}.get(reason, "interrupted")
    assert ended.end.outcome == outcome


@pytest.mark.parametrize("reason", ["trip", "ctrl-c"])
@pytest.mark.parametrize("state", ["spawned", "allocating"])
def test_a_load_that_fills_memory_ends_while_it_fills(state: str, reason: str) -> None:
    ended = Stand("march", memory_share=0.1).end_in(state, reason, freeze=True)
    assert ended.gone_s < HANG_S and ended.commanded == []


@pytest.mark.parametrize("reason", ["trip", "ctrl-c"])
@pytest.mark.parametrize("work", ["gpu-linear-algebra", "gpu-and-processor"])
def test_a_load_on_a_card_ends_while_the_card_is_prepared(renderer: str, work: str, reason: str) -> None:
    ended = Stand(work, card=renderer).end_in("preparing", reason, freeze=True)
    assert ended.gone_s < HANG_S and ended.commanded == []


@pytest.mark.parametrize("reason", ["trip", "space", "ctrl-c"])
def test_a_load_at_its_first_block_ends(reason: str) -> None:
    ended = Stand("linear-algebra").end_in("first-block", reason)
    assert ended.gone_s < HANG_S and ended.commanded == [SHARE]


@pytest.mark.parametrize("reason", ["trip", "ctrl-c"])
def test_the_stated_time_is_the_one_in_which_the_last_worker_really_went(reason: str) -> None:
    # A worker that is frozen hears no command: it is killed, and that after the 30 ms in which it might have heard.
    ended = Stand("linear-algebra").end_in("importing", reason, freeze=True)
    assert ended.stated_s is not None
    assert 0.025 < ended.stated_s < HANG_S


def test_a_trip_of_the_very_last_sample_before_the_first_command_lets_no_command_follow() -> None:
    stand = Stand("linear-algebra")
    start = stand.load.start

    def hot_at_the_end(demand: LoadDemand) -> None:
        start(demand)
        stand.give("space")  # the workers are up, and nobody has told them anything yet

    stand.load.start = hot_at_the_end  # type: ignore[method-assign]
    ended = stand.end_in("spawned", "space")
    assert ended.commanded == [] and ended.end.outcome == "interrupted"


def test_a_stop_before_the_first_worker_is_there_lets_none_come() -> None:
    load = WorkerLoad()
    failures: list[LoadError] = []

    def start() -> None:
        try:
            load.start(LoadDemand(work="linear-algebra", workers=2))
        except LoadError as error:
            failures.append(error)

    for delay_s in (0.0, 0.0005, 0.002, 0.005, 0.02, 0.05):
        thread = threading.Thread(target=start)
        thread.start()
        time.sleep(delay_s)
        while thread.is_alive():
            load.stop()
            thread.join(0.002)
        assert load.pids == []
    load.close()
    assert len(failures) == 6 and "ended while it came up" in failures[0].what
    assert not [c for c in psutil.Process().children() if c.status() != psutil.STATUS_ZOMBIE and _is_worker(c)]


def _is_worker(process: psutil.Process) -> bool:
    with contextlib.suppress(psutil.Error):
        return "verifyrig.loads.worker" in " ".join(process.cmdline())
    return False


# ---- the whole program --------------------------------------------------------------------------------------------

PLAN = """
name = "blind"
title = "A short load that nobody needs to answer for"
blind_load_s = 30

[sampling]
period_s = 0.2

[trip]
die_temp_c = { max = 90.0, optional = true }

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 0.5

[[stage]]
name = "pulses"
kind = "load"
load = { work = "march", pattern = "pulses", on_s = 5, off_s = 10, count = 5, share = 0.25, memory_share = 0.1 }

[[stage]]
name = "cooldown"
kind = "cooldown"
max_duration_s = 0.5
"""


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    (tmp_path / "blind.toml").write_text(PLAN)
    return tmp_path


def start(bench: Path, *, json_too: bool = True, **streams: object) -> subprocess.Popen[str]:
    env = {**os.environ, "PYTHONPATH": str(REPO)}
    words = [sys.executable, "-m", "verifyrig", "run", str(bench / "blind.toml"), "--yes", "--bench", str(bench)]
    words += ["--json"] if json_too else []
    pipes: dict[str, object] = {"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.DEVNULL}
    return subprocess.Popen(words, env=env, text=True, cwd=bench, **{**pipes, **streams})  # type: ignore[call-overload,no-any-return]


@contextlib.contextmanager
def frozen_while_filling(run: subprocess.Popen[str]) -> Iterator[list[int]]:
    """Hold the workers of a run where they bring memory in; what is left of all is ended by id."""
    workers: list[psutil.Process] = []
    try:
        end_s = time.monotonic() + 60
        while not any(in_state(worker, "allocating", None) for worker in workers):  # type: ignore[arg-type]
            assert time.monotonic() < end_s and run.poll() is None, "no worker ever filled memory"
            workers = [child for child in psutil.Process(run.pid).children() if _is_worker(child)]
            time.sleep(0.001)
        for worker in workers:
            worker.send_signal(signal.SIGSTOP)
        yield [worker.pid for worker in workers]
    finally:
        for process in [worker for worker in workers if worker.is_running()]:
            process.kill()
        if run.poll() is None:
            run.kill()
        run.communicate(timeout=60)


def gone_within(pids: list[int], limit_s: float) -> bool:
    end_s = time.monotonic() + limit_s
    while time.monotonic() < end_s:
        if all(powerless(pid) for pid in pids):
            return True
        time.sleep(0.01)
    return False


@pytest.mark.parametrize(("number", "kind"), [(signal.SIGINT, "operator"), (signal.SIGTERM, "terminated")])
def test_a_signal_while_memory_is_filled_ends_the_workers_and_the_run_with_130(
    bench: Path, number: signal.Signals, kind: str
) -> None:
    run = start(bench)
    with frozen_while_filling(run) as pids:
        run.send_signal(number)
        assert gone_within(pids, HANG_S)
        out, _ = run.communicate(timeout=60)
    assert run.returncode == 130
    found = json.loads(out)
    assert found["outcome"] == "interrupted" and found["cause"]["class"] == kind
    assert {stage["name"]: stage["ended"] for stage in found["stages"]}["pulses"] == "skipped"


def test_a_terminal_that_is_closed_while_memory_is_filled_ends_the_workers(bench: Path) -> None:
    with open_terminal() as terminal:
        streams = dict.fromkeys(("stdin", "stdout", "stderr"), terminal.program_end)
        run = start(bench, json_too=False, **streams, start_new_session=True)
        terminal.given()
        with frozen_while_filling(run) as pids:
            terminal.close()
            assert gone_within(pids, HANG_S)
            run.wait(timeout=60)
    (record,) = (bench / "runs").glob("*.sqlite")
    with contextlib.closing(sqlite3.connect(record)) as database:
        assert database.execute("SELECT count(*) FROM sample WHERE load_share > 0").fetchone() == (0,)


# A worker whose preparation lets no thread of its own come to run: it can neither hear its pipe nor see its parent go.
DEAF_WORKER = """
import re, sys
import verifyrig.loads.works.choice as choice
choice.make_work = lambda settings: (print("deaf", file=open(sys.argv[2], "w")), re.match("(a+)+$", "a" * 60 + "b"))
from verifyrig.loads.worker import main
main(sys.argv)
"""
SUPERVISOR = """
import sys, threading
from verifyrig.core.interfaces import LoadDemand
from verifyrig.loads.worker_load import WorkerLoad
from verifyrig.loads.crew import Crew
settings_are_last = "import sys; sys.argv[1:] = [sys.argv[2], sys.argv[1]];"
Crew.begin.__kwdefaults__["program"] = (sys.executable, "-c", settings_are_last + sys.argv[1], sys.argv[2])
load = WorkerLoad()
threading.Thread(target=load.start, args=(LoadDemand(work="linear-algebra", workers=1),)).start()
while not load.pids:
    pass
print(*load.pids, flush=True)
threading.Event().wait()
"""


def test_a_supervisor_that_is_killed_takes_a_worker_with_it_that_lets_none_of_its_threads_run(tmp_path: Path) -> None:
    words = [sys.executable, "-c", SUPERVISOR, DEAF_WORKER, str(tmp_path / "deaf")]
    supervisor = subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(REPO)})
    pids: list[int] = []
    try:
        assert supervisor.stdout is not None
        pids = [int(word) for word in supervisor.stdout.readline().split()]
        assert pids
        end_s = time.monotonic() + 60
        while not (tmp_path / "deaf").exists():
            assert time.monotonic() < end_s
            time.sleep(0.01)
        supervisor.kill()
        assert gone_within(pids, HANG_S)
    finally:
        supervisor.kill()
        supervisor.communicate(timeout=60)
        for pid in pids:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
