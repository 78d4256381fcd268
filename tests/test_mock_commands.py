"""`python -m mock_hw` as a program of its own."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial

from mock_hw.__main__ import main
from mock_hw.physics.parameters import CASES

HANG_LIMIT_S = 30.0
Start = Callable[..., "subprocess.Popen[str]"]
REPO = Path(__file__).resolve().parent.parent


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(REPO)}


@pytest.fixture
def start() -> Iterator[Start]:
    """Start a program of the simulated bench; end it whatever happens."""
    started: list[subprocess.Popen[str]] = []

    def start(*words: str) -> subprocess.Popen[str]:
        command = [sys.executable, "-m", "mock_hw", *words]
        program = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment())
        started.append(program)
        return program

    yield start
    for program in started:
        program.kill()
        program.communicate()


def line_of(program: subprocess.Popen[str]) -> str:
    assert program.stdout is not None
    return program.stdout.readline().rstrip("\n")


def run(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "mock_hw", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=HANG_LIMIT_S, env=environment())


def until(condition: Callable[[], bool]) -> bool:
    end_s = time.monotonic() + HANG_LIMIT_S
    while time.monotonic() < end_s:
        if condition():
            return True
        time.sleep(0.02)
    return False


def input_of(root: Path, label: str) -> Path:
    found = [path for path in root.glob("sys/class/hwmon/hwmon*/*_label") if path.read_text() == f"{label}\n"]
    return found[0].with_name(found[0].name.replace("_label", "_input"))


@pytest.mark.parametrize("ending", [signal.SIGTERM, signal.SIGINT])
def test_a_machine_warms_in_real_time_under_the_load_that_is_asked(
    start: Start, tmp_path: Path, ending: signal.Signals
) -> None:
    program = start("machine", "--case", "healthy-air", "--root", str(tmp_path), "--speed", "20")
    assert line_of(program) == f"simulated hardware: healthy-air, seed 0, at {tmp_path} ready"
    die = input_of(tmp_path, "Package id 0")
    idle = int(die.read_text())
    (tmp_path / "verifyrig/load").write_text("1.000000\n")
    assert until(lambda: int(die.read_text()) > idle + 10_000)
    program.send_signal(ending)
    assert program.wait(HANG_LIMIT_S) == 0


def test_a_machine_that_dies_says_so_and_is_switched_on_again(start: Start, tmp_path: Path) -> None:
    words = ("--case", "supply-sags", "--root", str(tmp_path), "--speed", "20", "--restart-after", "5")
    program = start("machine", *words)
    line_of(program)
    boot_id = (tmp_path / "proc/sys/kernel/random/boot_id").read_text()
    (tmp_path / "verifyrig/load").write_text("1.000000\n")
    assert line_of(program) == "simulated hardware: the machine stopped (supply-latch)"
    (tmp_path / "verifyrig/load").write_text("0.000000\n")
    assert until(lambda: (tmp_path / "proc/sys/kernel/random/boot_id").read_text() != boot_id)
    assert until(lambda: (tmp_path / "verifyrig/power").read_text() == "on \n")


def test_a_thermometer_on_a_terminal_shows_the_plate_of_a_machine(start: Start, tmp_path: Path) -> None:
    root, link = tmp_path / "machine", tmp_path / "line"
    machine = start("machine", "--case", "healthy-liquid", "--root", str(root), "--probes", "room", "plate")
    line_of(machine)
    plate = input_of(root, "plate")
    thermometer = start(
        "thermometer", "--url", f"pty:{link}", "--follow", str(plate), "--constant", "19.5", "--period", "0.05"
    )
    assert line_of(thermometer) == str(link)
    with serial.Serial(str(link), timeout=HANG_LIMIT_S) as line:
        heard = sorted([line.readline().decode(), line.readline().decode()])
    assert float(heard[0].removeprefix("T1=").removesuffix(" C\n")) == pytest.approx(
        int(plate.read_text()) / 1000, abs=1.0
    )
    assert heard[1] == "T2=19.5 C\n"
    thermometer.terminate()
    assert thermometer.wait(HANG_LIMIT_S) == 0
    assert not link.is_symlink()


def test_a_thermometer_on_any_free_port_prints_the_one_it_took(start: Start) -> None:
    thermometer = start("thermometer", "--url", "socket://127.0.0.1:0", "--query", "MEAS?")
    url = line_of(thermometer)
    assert url.startswith("socket://127.0.0.1:")
    assert not url.endswith(":0")
    with serial.serial_for_url(url, timeout=HANG_LIMIT_S) as line:
        line.write(b"MEAS?\n")
        assert line.readline() == b"T1=22.0 C\n"


def test_the_cases_are_listed_with_their_causes() -> None:
    done = run("cases")
    assert done.returncode == 0
    assert dict(line.split() for line in done.stdout.splitlines()) == CASES


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("machine", "--case", "healthy", "--root", "x"), "no simulated case 'healthy'"),
        (("machine", "--case", "healthy-air", "--root", "x", "--speed", "0"), "the speed is 0.0"),
        (("machine", "--case", "healthy-air", "--root", "x", "--probes", "radiator"), "no place for this probe"),
        (("machine", "--case", "healthy-air", "--root", "/"), "never goes to the root"),
        (("machine", "--case", "coolant-slow", "--root", "x", "--cooler", "air"), "liquid cooler only"),
        (("thermometer", "--url", "nowhere"), "no address of a simulated line"),
        (("thermometer", "--url", "socket://127.0.0.1:0", "--period", "0"), "--period is 0.0"),
    ],
)
def test_bad_input_is_one_sentence_and_exit_2(
    words: tuple[str, ...],
    complaint: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(signal, "signal", lambda *_: None)  # the tests' own Ctrl-C stays as it is
    assert main(words) == 2
    said = capsys.readouterr().err
    assert complaint in said
    assert said.count("\n") == 1


def test_bad_input_ends_the_program_with_exit_2() -> None:
    done = run("thermometer", "--url", "nowhere")
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
