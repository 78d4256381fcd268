"""`verifyrig run` as a real process with real workers: killed, stopped, asked to end, its terminal closed, as nobody.

The machine that runs the tests may show no temperature: the plan is a short blind one.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import signal
import sqlite3
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import psutil
import pytest

from tests.nobody import open_folder, python_for_nobody
from tests.terminal import open_terminal

REPO = Path(__file__).resolve().parent.parent
GONE_WITHIN_S = 3.0
# Generous: the machines that run tests are shared.
HANG_S = 60.0

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
load = { work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 10, count = 5, share = 0.25, workers = 2 }

[[stage]]
name = "cooldown"
kind = "cooldown"
max_duration_s = 0.5
"""

pytestmark = [
    pytest.mark.skipif(sys.platform != "linux", reason="signals and /proc of Linux"),
    pytest.mark.usefixtures("machine_for_itself"),
]


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    (tmp_path / "blind.toml").write_text(PLAN)
    return tmp_path


def start(bench: Path, *, json_too: bool = True, **more: object) -> subprocess.Popen[str]:
    env = {**os.environ, "PYTHONPATH": str(REPO)}
    words = [sys.executable, "-m", "verifyrig", "run", str(bench / "blind.toml"), "--yes", "--bench", str(bench)]
    words += ["--json"] if json_too else []
    streams: dict[str, object] = {"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.DEVNULL}
    return subprocess.Popen(words, env=env, text=True, cwd=bench, **{**streams, **more})  # type: ignore[call-overload,no-any-return]


@pytest.fixture
def loaded(bench: Path) -> Iterator[tuple[subprocess.Popen[str], list[psutil.Process]]]:
    """A run under load, and its workers; what is left of them is ended by id."""
    run = start(bench)
    workers = wait_for_workers(run)
    try:
        yield run, workers
    finally:
        for process in [psutil.Process(run.pid)] if psutil.pid_exists(run.pid) else []:
            process.send_signal(signal.SIGCONT)
            process.kill()
        run.communicate(timeout=HANG_S)
        for worker in workers:
            if alive(worker):
                worker.kill()


def wait_for_workers(run: subprocess.Popen[str]) -> list[psutil.Process]:
    def found() -> list[psutil.Process]:
        children = psutil.Process(run.pid).children(recursive=True)
        return [child for child in children if busy(child)]

    wait_until(lambda: len(found()) == 2, HANG_S)
    return found()


def busy(process: psutil.Process) -> bool:
    try:
        return "verifyrig.loads.worker" in " ".join(process.cmdline()) and process.cpu_times().user > 0.2
    except psutil.Error:
        return False


def alive(process: psutil.Process) -> bool:
    """A zombie whose stopped parent cannot reap it does no work: it is gone."""
    try:
        return process.is_running() and process.status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


def wait_until(true: Callable[[], bool], limit_s: float) -> None:
    end = time.monotonic() + limit_s
    while not true():
        assert time.monotonic() < end, "it took too long"
        time.sleep(0.05)


def record_of(bench: Path) -> Path:
    (record,) = (bench / "runs").glob("*.sqlite")
    return record


def cause_of(bench: Path) -> str:
    from verifyrig.record import read_trace

    cause = read_trace(record_of(bench)).facts["cause"]
    return str(cause["class"])


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_workers_are_gone_within_three_seconds_of_the_end_of_their_supervisor(
    loaded: tuple[subprocess.Popen[str], list[psutil.Process]], number: signal.Signals
) -> None:
    run, workers = loaded
    os.kill(run.pid, number)
    wait_until(lambda: not any(alive(worker) for worker in workers), GONE_WITHIN_S)


def test_a_killed_run_leaves_a_whole_record_that_says_so(
    bench: Path, loaded: tuple[subprocess.Popen[str], list[psutil.Process]]
) -> None:
    run, _ = loaded
    run.kill()
    run.wait(timeout=HANG_S)
    assert cause_of(bench) == "killed"


@pytest.mark.parametrize(("number", "kind"), [(signal.SIGTERM, "terminated"), (signal.SIGINT, "operator")])
def test_a_run_told_to_end_closes_its_record_with_exit_130(
    bench: Path, loaded: tuple[subprocess.Popen[str], list[psutil.Process]], number: signal.Signals, kind: str
) -> None:
    run, workers = loaded
    run.send_signal(number)
    out, _ = run.communicate(timeout=HANG_S)
    assert run.returncode == 130
    assert json.loads(out)["cause"]["class"] == kind
    assert not any(alive(worker) for worker in workers)
    assert not record_of(bench).with_name(record_of(bench).name + "-wal").exists()


def work_is_recorded(bench: Path) -> bool:
    with contextlib.closing(sqlite3.connect(f"file:{record_of(bench)}?mode=ro", uri=True)) as record:
        return bool(record.execute("SELECT count(*) FROM sample WHERE work_rate_per_s > 0").fetchone()[0])


def test_workers_that_do_no_work_any_more_stop_the_run(
    bench: Path,
    loaded: tuple[subprocess.Popen[str], list[psutil.Process]],
) -> None:
    run, workers = loaded
    wait_until(lambda: work_is_recorded(bench), HANG_S)
    for worker in workers:
        worker.send_signal(signal.SIGSTOP)  # they are there, and give no heat
    out, _ = run.communicate(timeout=HANG_S)
    found = json.loads(out)
    assert run.returncode == 3 and found["outcome"] == "stopped"
    assert {stage["name"]: stage["ended"] for stage in found["stages"]}["pulses"] == "stopped"
    assert not any(alive(worker) for worker in workers)


def take_terminal() -> None:
    """Make stdin the controlling terminal of the new session, as a terminal window does."""
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


@pytest.mark.parametrize("preexec", [take_terminal, None], ids=["hang-up signal", "end of keys"])
def test_a_closed_terminal_ends_the_load_and_closes_the_record(bench: Path, preexec: Callable[[], None] | None) -> None:
    with open_terminal() as terminal:
        streams = dict.fromkeys(("stdin", "stdout", "stderr"), terminal.program_end)
        run = start(bench, json_too=False, **streams, start_new_session=True, preexec_fn=preexec)
        terminal.given()
        try:
            workers = wait_for_workers(run)
            terminal.close()
            run.wait(timeout=HANG_S)
            assert not any(alive(worker) for worker in workers)
            assert cause_of(bench) == "terminated"
        finally:
            if run.poll() is None:
                run.kill()
                run.wait(timeout=HANG_S)


def test_nobody_can_run_it_with_a_real_load_and_is_told_what_is_missing() -> None:
    python = python_for_nobody()
    with open_folder(owned_by_nobody=True) as bench:
        (bench / "blind.toml").write_text(PLAN.replace("count = 5", "count = 1"))
        words = ["-m", "verifyrig", "run", str(bench / "blind.toml"), "--yes", "--json", "--bench", str(bench)]
        done = subprocess.run([*python, *words], capture_output=True, text=True, cwd="/", timeout=HANG_S)
        found = json.loads(done.stdout)
        assert found["outcome"] == "completed", done.stderr
        assert found["metrics"]["pulses.compute_errors"]["value"] == 0
        listed = subprocess.run(
            [*python, "-m", "verifyrig", "channels", "--json"], capture_output=True, text=True, cwd="/"
        )
        assert all(c["value"] is not None or c["note"] for c in json.loads(listed.stdout)["channels"])


def test_a_folder_of_jobs_that_may_not_be_read_is_said_and_does_not_look_empty() -> None:
    python = python_for_nobody()
    with open_folder() as bench:
        (bench / "jobs").mkdir(mode=0o700)
        for words in (["runs"], ["job", "list"], ["inspect", "last"]):
            done = subprocess.run(
                [*python, "-m", "verifyrig", *words, "--bench", str(bench)], capture_output=True, text=True, cwd="/"
            )
            assert done.returncode == 2 and "jobs: the folder may not be read" in done.stderr, done.stderr


def test_a_bench_folder_that_cannot_be_written_is_said_and_nothing_runs() -> None:
    python = python_for_nobody()
    with open_folder() as bench:
        (bench / "blind.toml").write_text(PLAN)
        words = ["-m", "verifyrig", "run", str(bench / "blind.toml"), "--yes", "--json", "--bench", str(bench)]
        done = subprocess.run([*python, *words], capture_output=True, text=True, cwd="/", timeout=HANG_S)
        error = json.loads(done.stdout)["error"]
        assert done.returncode == 2 and "Permission denied" in error["what"] and "rights" in error["mend"]
        assert "Errno" not in error["what"] and "Traceback" not in done.stderr
