"""The simulated thermometer, read through pyserial as a real one would be."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from mock_hw.serial.line_faults import FAULTS, FaultPlan
from mock_hw.serial.ports import open_port
from mock_hw.serial.thermometer import Source, Thermometer, constant, follow

HANG_LIMIT_S = 20.0


@contextlib.contextmanager
def served(
    url: str, *sources: Source, period_s: float = 0.02, query: str = "", faults: FaultPlan | None = None
) -> Iterator[str]:
    """Serve a thermometer in a thread; give its address for pyserial."""
    port = open_port(url)
    thermometer = Thermometer(port=port, sources=sources, period_s=period_s, query=query, faults=faults or FaultPlan())
    stop = threading.Event()
    thread = threading.Thread(target=thermometer.serve, args=(stop,))
    thread.start()
    try:
        yield port.url
    finally:
        stop.set()
        thread.join(HANG_LIMIT_S)
        assert not thread.is_alive()


@pytest.fixture(params=["pty", "socket"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    return f"pty:{tmp_path}/line" if request.param == "pty" else "socket://127.0.0.1:0"


def test_lines_arrive_through_pyserial(url: str) -> None:
    with served(url, constant(45.3)) as address, serial.serial_for_url(address, timeout=HANG_LIMIT_S) as line:
        assert [line.readline() for _ in range(5)] == [b"T1=45.3 C\n"] * 5


def test_several_sensors_speak_one_after_another(url: str) -> None:
    sources = constant(20.0), constant(-5.25)
    with served(url, *sources) as address, serial.serial_for_url(address, timeout=HANG_LIMIT_S) as line:
        heard = {line.readline() for _ in range(6)}
    assert heard == {b"T1=20.0 C\n", b"T2=-5.2 C\n"}


def test_it_follows_a_channel_file_of_a_tree(tmp_path: Path, url: str) -> None:
    file = tmp_path / "temp1_input"
    file.write_text("41500        \n")
    with served(url, follow(file)) as address, serial.serial_for_url(address, timeout=HANG_LIMIT_S) as line:
        assert line.readline() == b"T1=41.5 C\n"
        file.write_text("60250        \n")
        assert wait_for(line, b"T1=60.2 C\n")


def wait_for(line: serial.SerialBase, wanted: bytes) -> bool:
    end_s = time.monotonic() + HANG_LIMIT_S
    while time.monotonic() < end_s:
        if line.readline() == wanted:
            return True
    return False


def test_a_file_that_cannot_be_read_gives_no_line(tmp_path: Path) -> None:
    assert follow(tmp_path / "gone")() is None
    (tmp_path / "empty").write_text("")
    assert follow(tmp_path / "empty")() is None


def test_with_a_query_it_speaks_only_when_asked(url: str) -> None:
    with served(url, constant(22.0), query="MEAS?") as address, serial.serial_for_url(address, timeout=0.3) as line:
        assert line.readline() == b""
        line.write(b"HELLO\n")
        assert line.readline() == b""
        line.timeout = HANG_LIMIT_S
        for request in (b"MEAS?\n", b"MEAS?\r\n", b"ME", b"AS?\r"):
            line.write(request)
            line.flush()
            if request != b"ME":
                assert line.readline() == b"T1=22.0 C\n"


def test_a_reader_that_comes_late_hears_no_old_lines(tmp_path: Path) -> None:
    file = tmp_path / "temp1_input"
    file.write_text("20000\n")
    with served(f"pty:{tmp_path}/line", follow(file)) as address:
        with serial.Serial(address, timeout=HANG_LIMIT_S) as line:
            assert line.readline() == b"T1=20.0 C\n"
        time.sleep(0.2)
        file.write_text("70000\n")
        time.sleep(0.1)
        with serial.Serial(address, timeout=HANG_LIMIT_S) as line:
            assert line.readline() == b"T1=70.0 C\n"


def test_a_dropped_line_comes_back_under_the_same_address(url: str) -> None:
    plan = FaultPlan(("disconnect",), share=0.3, seed=1)
    heard, ends = 0, 0
    with served(url, constant(33.0), faults=plan) as address:
        end_s = time.monotonic() + HANG_LIMIT_S
        while (heard < 5 or ends < 2) and time.monotonic() < end_s:
            try:
                with serial.serial_for_url(address, timeout=1.0) as line:
                    while line.readline() == b"T1=33.0 C\n":
                        heard += 1
            except (serial.SerialException, OSError):
                time.sleep(0.05)
            ends += 1
    assert heard >= 5
    assert ends >= 2


def sent(name: str, count: int = 50) -> list[bytes]:
    plan = FaultPlan((name,), share=1.0, seed=3)
    return [b"|".join(plan.send(b"T1=45.3 C\n").writes) for _ in range(count)]


def test_each_fault_spoils_the_line_in_its_own_way() -> None:
    assert set(sent("silence")) == {b""}
    assert all(not data.startswith(b"T1=45.3 C\n") for data in sent("garbage"))
    assert all(b"\n" not in data and b"T1=45.3 C\n".startswith(data) for data in sent("cut-lines"))
    assert all(b"\0" in data and data.replace(b"\0", b"") == b"T1=45.3 C\n" for data in sent("nul-bytes"))
    assert set(sent("zero")) == {b"T1=0.00 C\n"}
    assert set(sent("two-in-one")) == {b"T1=45.3 C\nT1=45.3 C\n"}
    assert all(data.replace(b"|", b"", 1) == b"T1=45.3 C\n" and b"|" in data for data in sent("split"))
    assert min(len(data) for data in sent("flood", 2)) > 20_000
    assert all(b"\n" not in data and len(data) > 20_000 for data in sent("endless-line", 2))
    assert all(0 < FaultPlan(("disconnect",), share=1.0, seed=s).send(b"x\n").drops_for_s <= 2 for s in range(20))
    assert len(FAULTS) == 10


def test_faults_hit_their_share_and_repeat_with_the_seed() -> None:
    courses = [FaultPlan(("zero",), share=0.25, seed=seed) for seed in (5, 5, 6)]
    sendings = [[plan.send(b"T1=9.0 C\n").writes for _ in range(2000)] for plan in courses]
    assert sendings[0] == sendings[1] != sendings[2]
    hit = sum(writes == (b"T1=0.00 C\n",) for writes in sendings[0])
    # Binomial: 500 expected, standard deviation 19.4.
    assert abs(hit - 500) < 4 * 19.4


def test_a_flood_does_not_stop_the_thermometer(url: str) -> None:
    plan = FaultPlan(("flood",), share=0.5, seed=2)
    with served(url, constant(50.0), faults=plan) as address, serial.serial_for_url(address, timeout=1.0) as line:
        data = b""
        end_s = time.monotonic() + HANG_LIMIT_S
        while data.count(b"T1=50.0 C\n") < 2000 and time.monotonic() < end_s:
            data += line.read(65536 if line.in_waiting else 1)
    assert data.count(b"T1=50.0 C\n") >= 2000


def test_bad_addresses_and_faults_are_refused(tmp_path: Path) -> None:
    for url in ("/dev/null", "socket://127.0.0.1", "tcp://127.0.0.1:1"):
        with pytest.raises(ValueError, match="no address of a simulated line"):
            open_port(url)
    (tmp_path / "file").write_text("mine")
    with pytest.raises(ValueError, match="name a path that is free"):
        open_port(f"pty:{tmp_path}/file")
    assert (tmp_path / "file").read_text() == "mine"
    with pytest.raises(ValueError, match="no line fault"):
        FaultPlan(("smoke",))
    with pytest.raises(ValueError, match="between 0 and 1"):
        FaultPlan(("zero",), share=2.0)
