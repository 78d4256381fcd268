"""A read that does not come back (a hung bus, a pipe in a file's place) ends the load and keeps nobody waiting."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import queue
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from mock_hw.bench import SimulatedBench
from tests.terminal import Terminal, open_terminal
from verifyrig.core.errors import SensorError
from verifyrig.core.interfaces import ChannelInfo, Controls, Quality, Taken
from verifyrig.record.reader import read_trace
from verifyrig.rig.note_keys import RUN_KEYS
from verifyrig.rig.patience import patiently
from verifyrig.sensors.background import BackgroundSensor
from verifyrig.sensors.bank import Bank, open_bank
from verifyrig.sensors.files import HeldFile
from verifyrig.sensors.reader import Read, Reader, Round, read_rounds

REPO = Path(__file__).resolve().parent.parent
# Generous: the machines that run tests are shared.
HANG_S = 60.0
PLAN = """
name = "hang"
title = "A load on a tree"

[sampling]
period_s = 0.2

[trip]
die_temp_c = { max = 95.0 }
stale_after_s = 3.0

[[stage]]
name = "idle"
kind = "idle"
max_duration_s = 0.5

[[stage]]
name = "load"
kind = "load"
load = { work = "linear-algebra", pattern = "pulses", on_s = 5, off_s = 10, count = 20, share = 0.25 }

[[stage]]
name = "cooldown"
kind = "cooldown"
max_duration_s = 60
"""
pytestmark = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="a pipe in a file's place, as POSIX systems have it")


class Hanging:
    """A bus that answers at once until `hang` is set, and then when it is cleared again."""

    def __init__(self, channel: str) -> None:
        self.asked = 0
        self.free = threading.Event()
        self.free.set()
        self.info = ChannelInfo(
            channel=channel, label="bus", device=channel, source="s", quantity="temperature", unit="°C"
        )

    def read(self) -> Taken:
        self.asked += 1
        self.free.wait(HANG_S)
        return Taken(30.0 + self.asked / 10)

    def close(self) -> None:
        self.free.set()


def wait_until(true: Callable[[], bool], limit_s: float = HANG_S) -> None:
    end_s = time.monotonic() + limit_s
    while not true():
        assert time.monotonic() < end_s, "it took too long"
        time.sleep(0.02)


def test_a_read_that_hangs_is_left_behind_and_the_others_go_on_and_it_is_asked_again_once_it_came_back() -> None:
    plate, hose = Hanging("plate_temp_c"), Hanging("hose_in_temp_c")
    bank = Bank([plate, hose], reader=Reader())
    assert bank.sample(0.0, load_share=0.0)["plate_temp_c"].ok and bank.hanging() == ()
    plate.free.clear()
    hung = bank.sample(1.0, load_share=0.0)["plate_temp_c"]
    assert hung.quality is Quality.MISSING and "not come back" in hung.note
    assert bank.hanging() == ("plate_temp_c",)
    asked = hose.asked
    after = bank.sample(2.0, load_share=0.0)
    assert after["hose_in_temp_c"].ok and hose.asked == asked + 1
    assert not after["plate_temp_c"].ok
    plate.free.set()
    wait_until(lambda: bank.sample(3.0, load_share=0.0)["plate_temp_c"].ok)
    assert bank.hanging() == ()
    bank.close()


def test_a_second_reading_in_the_same_tick_keeps_nobody_waiting_either() -> None:
    plate = Hanging("plate_temp_c")
    bank = Bank([plate], reader=Reader())
    bank.sample(0.0, load_share=0.0)
    plate.free.clear()
    assert bank.reread("plate_temp_c", 0.0).quality is Quality.MISSING
    assert bank.hanging() == ("plate_temp_c",)
    plate.free.set()
    bank.close()


def test_a_read_that_comes_back_just_as_it_is_called_hanging_is_asked_again() -> None:
    plate = Hanging("plate_temp_c")

    class Late(Reader):
        """On a busy machine the read comes back between the reader's judgement and whoever asked for it."""

        def read(self, reads: Sequence[tuple[str, Read]]) -> tuple[dict[str, Taken | SensorError], Round | None]:
            found, hanging = super().read(reads)
            if hanging is not None:
                plate.free.set()
                wait_until(lambda: hanging.over)
            return found, hanging

    bank = Bank([plate], reader=Late())
    assert bank.sample(0.0, load_share=0.0)["plate_temp_c"].ok
    plate.free.clear()
    hung = bank.sample(1.0, load_share=0.0)["plate_temp_c"]
    wait_until(lambda: bank.sample(2.0, load_share=0.0)["plate_temp_c"].ok)
    assert bank.hanging() == () and "not come back" in hung.note
    bank.close()


def test_a_reader_that_gets_no_processor_accuses_no_sensor() -> None:
    plate, hose = Hanging("plate_temp_c"), Hanging("hose_in_temp_c")
    waiting: queue.SimpleQueue[Round | None] = queue.SimpleQueue()

    class Starved(Reader):
        def _begin(self) -> None:
            self._rounds = waiting

    bank = Bank([plate, hose], reader=Starved())
    missing = bank.sample(0.0, load_share=0.0)["plate_temp_c"]
    assert missing.quality is Quality.MISSING and "no time" in missing.note and "hang" not in missing.note
    assert bank.hanging() == () and plate.asked == 0
    threading.Thread(target=read_rounds, args=(waiting,), daemon=True).start()
    assert all(reading.ok for reading in bank.sample(1.0, load_share=0.0).values())
    assert (plate.asked, hose.asked) == (1, 1), "what was asked for in vain is not read afterwards"
    bank.close()


def test_a_slow_sensor_with_a_thread_of_its_own_hangs_too_where_its_read_outlasts_all_before(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("verifyrig.sensors.background.HANGS_S", 0.05)
    monkeypatch.setattr("verifyrig.sensors.background._PAUSE_S", 0.01)
    plate = Hanging("plate_temp_c")
    sensor = BackgroundSensor(plate)
    bank = Bank([sensor], reader=Reader())
    wait_until(lambda: plate.asked > 1)
    assert bank.hanging() == ()
    plate.free.clear()
    wait_until(lambda: bank.hanging() == ("plate_temp_c",))
    plate.free.set()
    wait_until(lambda: bank.hanging() == ())
    bank.close()


# ---- the whole program on a tree ---------------------------------------------------------------------------------


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Path]:
    (tmp_path / "hang.toml").write_text(PLAN)
    with SimulatedBench("healthy-air", 0, tmp_path / "tree"):
        yield tmp_path


def start(bench: Path, **streams: object) -> subprocess.Popen[str]:
    words = [sys.executable, "-m", "verifyrig", "run", str(bench / "hang.toml"), "--yes", "--bench", str(bench)]
    words += ["--root", str(bench / "tree"), *([] if streams else ["--json"])]
    pipes: dict[str, object] = {"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.DEVNULL}
    env = {**os.environ, "PYTHONPATH": str(REPO), "TERM": "xterm"}
    return subprocess.Popen(words, env=env, text=True, cwd=bench, **{**pipes, **streams})  # type: ignore[call-overload,no-any-return]


def file_of(bench: Path, channel: str) -> Path:
    """Return the file that a channel is read from."""
    bank = open_bank(bench / "tree", {})
    source = bank.infos[channel].source
    bank.close()
    return bench / "tree" / source


def put_a_pipe_in_place_of(path: Path) -> None:
    os.mkfifo(path.with_name("pipe"))
    path.with_name("pipe").replace(path)


def load_of(bench: Path) -> float:
    return float((bench / "tree/verifyrig/load").read_text().split()[0])


@pytest.mark.parametrize("channel", ["die_temp_c", "cpu_fan_speed_rpm"])
def test_a_read_that_hangs_ends_the_load_and_the_run_still_obeys(bench: Path, channel: str) -> None:
    pipe = file_of(bench, channel)
    run = start(bench)
    try:
        wait_until(lambda: load_of(bench) > 0)
        put_a_pipe_in_place_of(pipe)
        wait_until(lambda: load_of(bench) == 0)
        run.send_signal(signal.SIGTERM)
        out, _ = run.communicate(timeout=HANG_S)
        found = json.loads(out)
        assert run.returncode == 3 and found["outcome"] == "stopped"
        trace = read_trace(Path(found["record"]))
        assert [e.detail["channels"] for e in trace.events if e.kind == "read-hangs"] == [[channel]]
        assert {stage["name"]: stage["ended"] for stage in found["stages"]}["load"] == "stopped"
    finally:
        run.kill()
        run.communicate(timeout=HANG_S)


def test_space_and_ctrl_c_work_while_a_read_hangs(bench: Path) -> None:
    (bench / "hang.toml").write_text(PLAN.replace("max_duration_s = 0.5", "max_duration_s = 100"))
    pipe = file_of(bench, "cpu_fan_speed_rpm")
    with on_a_terminal(bench) as (run, terminal):
        wait_until(lambda: samples_of(bench) > 0)
        put_a_pipe_in_place_of(pipe)
        wait_until(lambda: "read-hangs" in events_of(bench))
        terminal.press(b" ")
        wait_until(lambda: "operator" in events_of(bench))
        run.send_signal(signal.SIGINT)
        assert run.wait(timeout=HANG_S) == 130


@contextlib.contextmanager
def on_a_terminal(bench: Path) -> Iterator[tuple[subprocess.Popen[str], Terminal]]:
    with open_terminal() as terminal:
        streams = dict.fromkeys(("stdin", "stdout", "stderr"), terminal.program_end)
        run = start(bench, **streams, start_new_session=True)
        terminal.given()
        try:
            yield run, terminal
        finally:
            run.kill()
            run.wait(timeout=HANG_S)


def asked(bench: Path, query: str) -> list[Any]:
    """Return what a query finds in the record of the run that goes on, nothing while there is none."""
    for record in (bench / "runs").glob("*.sqlite"):
        with (
            contextlib.suppress(sqlite3.Error),
            contextlib.closing(sqlite3.connect(f"file:{record}?mode=ro", uri=True)) as database,
        ):
            return [row[0] for row in database.execute(query)]
    return []


def samples_of(bench: Path) -> int:
    return sum(asked(bench, "SELECT count(*) FROM sample"))


def events_of(bench: Path) -> list[str]:
    return asked(bench, "SELECT kind FROM event")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_machine_whose_first_look_hangs_can_be_left_by_a_signal(bench: Path, number: signal.Signals) -> None:
    put_a_pipe_in_place_of(file_of(bench, "die_temp_c"))
    run = start(bench)
    try:
        time.sleep(2.0)  # it hangs by now; were it earlier, the signal would do no less
        run.send_signal(number)
        run.communicate(timeout=HANG_S)
        assert run.returncode in (130, -number)
        assert not list(bench.glob("runs/*.sqlite"))
    finally:
        run.kill()
        run.communicate(timeout=HANG_S)


def test_a_first_look_that_hangs_names_the_file(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "temp1_input")
    with pytest.raises(SensorError, match="temp1_input"):
        patiently(HeldFile(tmp_path / "temp1_input").read, Controls(), file_limit_s=0.2)


def test_a_first_look_gives_what_it_found_or_what_went_wrong(tmp_path: Path) -> None:
    assert patiently(lambda: 7, Controls()) == 7

    def wrong() -> int:
        raise SensorError("no", where="here", mend="Mend it.")

    with pytest.raises(SensorError, match="here"):
        patiently(wrong, Controls())


@pytest.mark.parametrize("count", [300, 2000])
def test_pasted_keys_delay_no_sample(bench: Path, count: int) -> None:
    (bench / "hang.toml").write_text(PLAN.replace("max_duration_s = 0.5", "max_duration_s = 100"))
    with on_a_terminal(bench) as (run, terminal):
        wait_until(lambda: samples_of(bench) > 3)
        for _ in range(count // 100):
            terminal.press(b"chgrs" * 20)
        wait_until(lambda: events_of(bench).count("finding") >= len(RUN_KEYS))
        heard = samples_of(bench)
        wait_until(lambda: samples_of(bench) > heard + 5)
        run.send_signal(signal.SIGINT)
        run.wait(timeout=4 * HANG_S)
        (record,) = (bench / "runs").glob("*.sqlite")
        trace = read_trace(record)
        assert max(b - a for a, b in itertools.pairwise(trace.t_s)) < 5.0
        noted = [str(event.detail["text"]) for event in trace.events if event.kind == "finding"]
        assert set(noted) == set(RUN_KEYS.values())
        assert len(noted) <= len(RUN_KEYS) * len(trace.t_s), "what is done between two samples has no bound"
