"""Instruments on real ports: pseudo-terminals and sockets served by simulated thermometers."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from verifyrig.bench.instruments import PortAddress, parse_instruments
from verifyrig.core.errors import BenchError, FrameError, SensorError, SerialError
from verifyrig.sensors.bank import open_bank
from verifyrig.sensors.instruments import InstrumentSensor, open_instruments, wait_for_first
from verifyrig.sensors.serial_port import Adapter, locate

pty = pytest.importorskip("pty", reason="this system has no pseudo-terminals")

HANG_S = 20.0  # only so that a fault does not hang the tests


def until(condition: Callable[[], bool]) -> None:
    """Wait for a condition, but not for ever."""
    end_s = time.monotonic() + HANG_S
    while not condition():
        assert time.monotonic() < end_s, "it never came true"
        time.sleep(0.01)


def value_of(sensor: InstrumentSensor) -> float | None:
    try:
        return sensor.read().value
    except SensorError:
        return None


def complaint_of(sensor: InstrumentSensor) -> str:
    try:
        sensor.read()
    except SensorError as error:
        return str(error)
    return ""


@contextmanager
def instrument(url: str, **keys: object) -> Iterator[InstrumentSensor]:
    """Open one instrument with one channel."""
    table = {"id": "probe", "url": url, "channels": {"t1": "plate_temp_c"}} | keys
    (sensor,) = open_instruments({"instrument": [table]})
    with closing(sensor):
        yield sensor


@contextmanager
def thermometer(url: str, *words: str) -> Iterator[str]:
    """Serve a simulated thermometer by its own program; give the address to open."""
    command = [sys.executable, "-m", "mock_hw", "thermometer", "--url", url, *words]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parent.parent) as process:
        try:
            assert process.stdout is not None
            yield process.stdout.readline().split()[-1]
        finally:
            process.terminate()
            try:
                process.wait(HANG_S)
            except subprocess.TimeoutExpired:
                process.kill()
                raise


@pytest.fixture(params=["pty", "socket"])
def line(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a thermometer is served: on a pseudo-terminal and on a socket."""
    return f"pty:{tmp_path / 'ttyProbe'}" if request.param == "pty" else "socket://127.0.0.1:0"


@pytest.mark.parametrize("baud", [9600, 115200])
def test_a_thermometer_that_sends_by_itself_is_read(line: str, baud: int) -> None:
    with thermometer(line, "--constant", "41.5", "--period", "0.05") as url, instrument(url, baud=baud) as sensor:
        wait_for_first([sensor], HANG_S)
        assert value_of(sensor) == 41.5
        assert sensor.read().age_s < 5.0


def test_a_thermometer_that_waits_for_a_query_is_asked(line: str) -> None:
    words = ("--constant", "41.5", "--query", "TEMP?")
    with thermometer(line, *words) as url, instrument(url, query="TEMP?", query_period_s=0.1) as sensor:
        wait_for_first([sensor], HANG_S)
        assert value_of(sensor) == 41.5


def test_a_wrong_query_is_met_with_silence_and_that_is_said(line: str) -> None:
    words = ("--constant", "41.5", "--query", "TEMP?")
    with thermometer(line, *words) as url, instrument(url, query="READ", query_period_s=0.1) as sensor:
        wait_for_first([sensor], 0.5)
        assert "sent nothing" in complaint_of(sensor)


def test_two_probes_of_one_instrument_are_two_channels(tmp_path: Path) -> None:
    channels = {"T1": "plate_temp_c", "T2": "ambient_temp_c"}
    with thermometer(f"pty:{tmp_path / 'tty'}", "--constant", "41.5", "--constant", "22.5", "--period", "0.05") as url:
        config = {"instrument": [{"id": "probe", "url": url, "channels": channels}]}
        with closing(open_bank(tmp_path, config)) as bank:
            readings = bank.sample(0.0, load_share=0.0)
    assert {name: reading.value for name, reading in readings.items()} == {"plate_temp_c": 41.5, "ambient_temp_c": 22.5}


class Pty:
    """The instrument's end of a pseudo-terminal, spoken by hand."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.plug_in()

    def plug_in(self) -> None:
        import tty

        self.master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(self._slave))

    def send(self, data: bytes) -> None:
        os.write(self.master, data)

    def unplug(self) -> None:
        # The name first: a closed terminal's number goes to the next one that is opened, of any program.
        self.link.unlink()
        os.close(self.master)
        os.close(self._slave)


@pytest.fixture
def tty(tmp_path: Path) -> Iterator[Pty]:
    device = Pty(tmp_path / "ttyProbe")
    yield device
    if device.link.is_symlink():
        device.unplug()


def settle(device: Pty, sensor: InstrumentSensor, value: str = "22.83") -> None:
    """Send until the value is read."""

    def sent() -> bool:
        device.send(f"{value}\n".encode())
        time.sleep(0.02)
        return value_of(sensor) == float(value)

    until(sent)


def test_a_line_in_pieces_and_two_lines_at_once_are_read(tty: Pty) -> None:
    with instrument(str(tty.link)) as sensor:
        settle(tty, sensor)
        for piece in (b"2", b"3", b".", b"0", b"1\r", b"\n"):
            tty.send(piece)
        until(lambda: value_of(sensor) == 23.01)
        tty.send(b"23.02\n23.03\n")
        until(lambda: value_of(sensor) == 23.03)


def test_silence_makes_the_age_grow(tty: Pty) -> None:
    with instrument(str(tty.link)) as sensor:
        settle(tty, sensor)
        until(lambda: sensor.read().age_s > 0.5)
        assert value_of(sensor) == 22.83


def test_bytes_of_a_wrong_speed_are_said_to_be(tty: Pty) -> None:
    with instrument(str(tty.link)) as sensor:
        settle(tty, sensor)

        def garbled() -> bool:
            tty.send(b"\xf8\x06\x9e\x86\xe0\n\x78\xfe\n")
            time.sleep(0.02)
            return "speed (baud)" in complaint_of(sensor)

        until(garbled)
        settle(tty, sensor, "22.90")


def test_after_unplugging_there_is_no_reading_and_the_return_is_noticed(tty: Pty) -> None:
    with instrument(str(tty.link)) as sensor:
        settle(tty, sensor)
        tty.send(b"2")  # cut within a line
        tty.unplug()
        until(lambda: value_of(sensor) is None)
        assert "was lost" in complaint_of(sensor) or "no such port" in complaint_of(sensor)
        tty.plug_in()
        until(lambda: "sent nothing" in complaint_of(sensor) or value_of(sensor) is not None)
        settle(tty, sensor, "24.10")


def test_a_socket_that_closes_is_opened_again() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        accepted: list[socket.socket] = []

        def serve() -> None:
            for value in (b"41.50", b"42.50"):
                client, _ = server.accept()
                accepted.append(client)
                for _ in range(20):
                    client.sendall(value + b"\n")
                    time.sleep(0.02)
                if value == b"41.50":
                    client.close()

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        with instrument(url) as sensor:
            until(lambda: value_of(sensor) == 42.5)
            thread.join(HANG_S)
        for client in accepted:
            client.close()


def test_a_flood_neither_delays_a_reading_nor_makes_a_wrong_one() -> None:
    stop = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as server:

        def flood() -> None:
            client, _ = server.accept()
            with client:
                while not stop.is_set():
                    client.sendall(b"41.50\n" * 2000)
                    time.sleep(0.012)  # 1 MB/s

        thread = threading.Thread(target=flood, daemon=True)
        thread.start()
        longest_s = 0.0
        seen = set()
        with instrument(f"socket://127.0.0.1:{server.getsockname()[1]}") as sensor:
            until(lambda: value_of(sensor) is not None)
            for _ in range(200):
                began_s = time.monotonic()
                seen.add(value_of(sensor))
                longest_s = max(longest_s, time.monotonic() - began_s)
                time.sleep(0.005)
            stop.set()
            thread.join(HANG_S)
    assert seen == {41.5}
    assert longest_s < 1.0  # one sampling period


def test_a_port_that_another_has_is_refused_with_a_sentence(tty: Pty) -> None:
    with instrument(str(tty.link)), pytest.raises(SerialError, match="another program has this port"):
        open_instruments({"instrument": [{"id": "b", "url": str(tty.link), "channels": {"t1": "inlet_temp_c"}}]})


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("/dev/ttyNoSuchPort9", "no such port"),
        ("socket://127.0.0.1:1", "nobody answers"),
        ("nonsense://x", "cannot be"),
    ],
)
def test_an_absent_port_is_refused_with_a_sentence(url: str, says: str) -> None:
    with pytest.raises(SerialError, match=says) as caught:
        open_instruments({"instrument": [{"id": "b", "url": url, "channels": {"t1": "inlet_temp_c"}}]})
    assert caught.value.where.startswith(url.split(":", maxsplit=1)[0])


def test_an_absent_port_may_also_be_waited_for(tmp_path: Path) -> None:
    link = tmp_path / "ttyLater"
    table = {"id": "probe", "url": str(link), "channels": {"t1": "plate_temp_c"}}
    (sensor,) = open_instruments({"instrument": [table]}, strict=False)
    with closing(sensor):
        until(lambda: "no such port" in complaint_of(sensor))
        device = Pty(link)
        settle(device, sensor)
        device.unplug()


def test_no_thread_and_no_port_is_left_after_closing(tty: Pty) -> None:
    before = threading.active_count()
    with instrument(str(tty.link)):
        assert threading.active_count() == before + 1
    assert threading.active_count() == before
    with instrument(str(tty.link)):
        pass


ADAPTERS = [
    Adapter("/dev/ttyUSB0", 0x0403, 0x6001, "A1", "1-1"),
    Adapter("/dev/ttyUSB1", 0x0403, 0x6001, "B2", "1-2"),
    Adapter("/dev/ttyUSB2", 0x1A86, 0x7523, None, "1-3"),
    Adapter("/dev/ttyUSB3", 0x1A86, 0x7523, None, "1-4"),
]


@pytest.mark.parametrize(
    ("known", "usb_serial", "device"),
    [
        (None, "", "/dev/ttyUSB0"),
        (None, "B2", "/dev/ttyUSB1"),
        (Adapter("/dev/ttyUSB0", 0x0403, 0x6001, "B2", "1-7"), "", "/dev/ttyUSB1"),  # found by its serial number
        (Adapter("/dev/ttyUSB0", 0x1A86, 0x7523, None, "1-4"), "", "/dev/ttyUSB3"),  # clone without one: by its place
        (Adapter("/dev/ttyUSB0", 0x9999, 0x0001, "Z", "1-9"), "", "/dev/ttyUSB0"),
    ],
)
def test_an_adapter_that_came_back_under_another_name_is_found(
    known: Adapter | None, usb_serial: str, device: str
) -> None:
    assert locate(PortAddress(url="/dev/ttyUSB0", usb_serial=usb_serial), known, ADAPTERS) == device


GOOD = {"id": "probe", "url": "/dev/ttyUSB0", "channels": {"t1": "plate_temp_c"}}


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"id": None}, r"instrument\[1\]: id is missing"),
        ({"url": ""}, r"instrument\[1\]: url is ''.*must be a text"),
        ({"channels": {}}, "channels.*missing or empty"),
        ({"channels": {"t1": "plate"}}, r"channels: t1 is 'plate', which is no channel name"),
        ({"protocol": "morse"}, "protocol.*text, modbus"),
        ({"baud": "fast"}, "baud.*50 to 4000000"),
        ({"unit": "R"}, "unit.*must be one of C, F, K"),
        ({"thermocouple": "Q"}, "thermocouple.*must be one of"),
        ({"pattern": "("}, "pattern.*no regular expression"),
        ({"pattern": r"(\d+)"}, "pattern.*no group 't1'"),
        ({"query_period_s": 0}, "query_period_s"),
        ({"protocol": "modbus"}, "registers.*missing"),
        ({"protocol": "modbus", "registers": {"t1": {"register": 70000}}}, r"registers.t1: register is 70000"),
        ({"protocol": "modbus", "registers": {"t2": {"register": 1}}}, r"registers: t1 is missing"),
    ],
)
def test_a_wrong_instrument_is_named_with_its_place(change: dict[str, object], says: str) -> None:
    table = {key: value for key, value in (GOOD | change).items() if value is not None}
    with pytest.raises(BenchError, match=says):
        parse_instruments({"instrument": [table]})


def test_two_instruments_may_not_share_an_id_or_a_channel() -> None:
    with pytest.raises(BenchError, match="id 'probe' is given twice"):
        parse_instruments({"instrument": [GOOD, GOOD | {"channels": {"t1": "inlet_temp_c"}}]})
    with pytest.raises(BenchError, match="channel 'plate_temp_c' is given twice"):
        parse_instruments({"instrument": [GOOD, GOOD | {"id": "other"}]})


def test_a_key_that_is_spelt_wrong_is_not_passed_over() -> None:
    with pytest.raises(BenchError, match=r"instrument\[1\]: 'bauds' is not a key known here. Did you mean baud"):
        parse_instruments({"instrument": [GOOD | {"bauds": 4800}]})


def test_garbage_only_gives_a_frame_error_not_a_value(tty: Pty) -> None:
    with instrument(str(tty.link)) as sensor:

        def garbled() -> bool:
            tty.send(b"ab\xffcd\n")
            time.sleep(0.01)
            return "no sense" in complaint_of(sensor)

        until(garbled)
        with pytest.raises(FrameError):
            sensor.read()
