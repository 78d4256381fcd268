"""Modbus RTU instruments against a server of an independent library (pymodbus), over a socket and a serial line."""

from __future__ import annotations

import contextlib
import os
import selectors
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.modbus_server import UNIT
from verifyrig.bench.instruments import parse_instruments
from verifyrig.core.errors import FrameError, SensorError, SerialError
from verifyrig.sensors.instruments import InstrumentSensor, open_instruments, wait_for_first
from verifyrig.sensors.quality import Implausible
from verifyrig.sensors.serial_modbus import ModbusInstrument

pytest.importorskip("pymodbus", reason="pymodbus is not installed")
HANG_S = 30.0


@contextlib.contextmanager
def server(*words: str) -> Iterator[None]:
    """Run the server program."""
    command = [sys.executable, "-m", "tests.modbus_server", *words]
    with subprocess.Popen(command, cwd=Path(__file__).parent.parent) as process:
        try:
            yield
        finally:
            process.kill()


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


def config(url: str, channels: dict[str, str], registers: dict[str, object], **keys: object) -> dict[str, object]:
    table = {"id": "tx", "url": url, "protocol": "modbus", "address": UNIT, "baud": 19200, "query_period_s": 0.05}
    return {"instrument": [table | {"channels": channels, "registers": registers} | keys]}


CHANNELS = {
    "a": "plate_temp_c",
    "b": "ambient_temp_c",
    "c": "inlet_temp_c",
    "d": "coolant_temp_c",
    "e": "exhaust_temp_c",
}
REGISTERS = {
    "a": {"register": 0, "scale": 0.1},
    "b": {"register": 1, "scale": 0.1},
    "c": {"register": 2, "scale": 0.1},
    "d": {"register": 3, "scale": 0.1},
    "e": {"register": 100, "kind": "holding", "scale": 0.1},
}


@contextlib.contextmanager
def opened(what: dict[str, object]) -> Iterator[list[InstrumentSensor]]:
    """Open as soon as the server listens, and wait for the first channel's value; close whatever happens.

    One left open looks for its port again and again, and would speak into the next terminal that gets its number.
    """
    end_s = time.monotonic() + HANG_S
    while True:
        try:
            sensors = open_instruments(what)
            break
        except SerialError:
            assert time.monotonic() < end_s, "the server does not listen"
            time.sleep(0.1)
    try:
        wait_for_first(sensors[:1], HANG_S)
        yield sensors
    finally:
        for sensor in sensors:
            sensor.close()


def value_of(sensor: InstrumentSensor) -> float | None:
    """Return what the server answers; on a busy machine it can miss one poll and answer the next."""
    end_s = time.monotonic() + HANG_S
    while True:
        try:
            return sensor.read().value
        except SerialError:
            if time.monotonic() > end_s:
                raise
        time.sleep(0.02)


def check_all(sensors: list[InstrumentSensor]) -> None:
    by_channel = {sensor.info.channel: sensor for sensor in sensors}
    assert value_of(by_channel["plate_temp_c"]) == pytest.approx(41.5)
    wait_for_first([by_channel["exhaust_temp_c"]], HANG_S)  # the last one polled
    assert value_of(by_channel["ambient_temp_c"]) == pytest.approx(-5.0)
    assert value_of(by_channel["exhaust_temp_c"]) == pytest.approx(22.8)
    with pytest.raises(SensorError, match="end of its range"):
        value_of(by_channel["inlet_temp_c"])
    with pytest.raises(Implausible, match="did not convert"):
        value_of(by_channel["coolant_temp_c"])


def test_registers_are_read_over_a_socket_and_the_loss_of_the_server_is_noticed() -> None:
    port = free_port()
    with contextlib.ExitStack() as stack:
        with server("tcp", str(port)):
            sensors = stack.enter_context(opened(config(f"socket://127.0.0.1:{port}", CHANNELS, REGISTERS)))
            check_all(sensors)
        end_s = time.monotonic() + HANG_S
        with pytest.raises(SerialError):
            while time.monotonic() < end_s:
                sensors[0].read()
                time.sleep(0.02)


@contextlib.contextmanager
def null_modem(folder: Path) -> Iterator[tuple[Path, Path]]:
    """Join two pseudo-terminals back to back; give the two ends."""
    import pty
    import tty

    pairs = [pty.openpty() for _ in range(2)]
    ends = []
    for name, (_, slave) in zip("ab", pairs, strict=True):
        tty.setraw(slave)
        (folder / name).symlink_to(os.ttyname(slave))
        ends.append(folder / name)
    stop = threading.Event()

    def pump() -> None:
        other = {pairs[0][0]: pairs[1][0], pairs[1][0]: pairs[0][0]}
        with selectors.DefaultSelector() as chooser:
            for master in other:
                chooser.register(master, selectors.EVENT_READ)
            while not stop.is_set():
                for key, _ in chooser.select(0.05):
                    with contextlib.suppress(OSError):
                        os.write(other[key.fd], os.read(key.fd, 4096))

    thread = threading.Thread(target=pump)
    thread.start()
    try:
        yield ends[0], ends[1]
    finally:
        stop.set()
        thread.join()
        # The names first: a closed terminal's number goes to the next one that is opened, of any program.
        for end in ends:
            end.unlink()
        for pair in pairs:
            for fd in pair:
                os.close(fd)


@pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
def test_registers_are_read_over_a_serial_line(tmp_path: Path) -> None:
    with (
        null_modem(tmp_path) as (ours, theirs),
        server("serial", str(theirs)),
        opened(config(str(ours), CHANNELS, REGISTERS)) as sensors,
    ):
        check_all(sensors)


def test_a_register_that_does_not_exist_is_named() -> None:
    port = free_port()
    with server("tcp", str(port)):
        channels = {"a": CHANNELS["a"], "z": "inlet_temp_c"}
        registers = {"a": REGISTERS["a"], "z": {"register": 9000}}
        what = config(f"socket://127.0.0.1:{port}", channels, registers)
        with opened(what) as sensors, pytest.raises(FrameError, match="refuses register 9000"):
            end_s = time.monotonic() + HANG_S
            while time.monotonic() < end_s:
                with contextlib.suppress(SerialError):
                    sensors[1].read()


def instrument() -> ModbusInstrument:
    (spec,) = parse_instruments(config("socket://127.0.0.1:1", {"a": "plate_temp_c"}, {"a": {"register": 8}}))
    return ModbusInstrument(spec)


# Public test suite of the node-modbus stream library: device 17 reads one input register from 8; the answer that
# belongs to it, with the value 10, is from memory (its checksum was compared with pymodbus).
ASKED = bytes.fromhex("110400080001B298")
ANSWER = bytes.fromhex("110402000AF8F4")


def answered(answer: bytes) -> ModbusInstrument:
    """Let the instrument poll once over a loop of sockets and give it these bytes back."""
    device = instrument()
    with socket.create_server(("127.0.0.1", 0)) as listener:
        import serial

        port = serial.serial_for_url(f"socket://127.0.0.1:{listener.getsockname()[1]}", timeout=0.2)
        client, _ = listener.accept()
        asked: list[bytes] = []

        def reply() -> None:
            asked.append(client.recv(64))
            client.sendall(answer)

        thread = threading.Thread(target=reply)
        thread.start()
        device.opened(0.0)
        device.step(port, threading.Event())
        thread.join(HANG_S)
        assert asked == [ASKED]
        client.close()
        port.close()
    return device


def test_the_frame_asked_and_answered_is_the_published_one() -> None:
    assert answered(ANSWER).reading("a").value == 10.0


@pytest.mark.parametrize("place", range(len(ANSWER)))
def test_an_answer_with_one_wrong_byte_is_no_reading(place: int) -> None:
    spoilt = bytearray(ANSWER)
    spoilt[place] ^= 0x21
    with pytest.raises(SensorError):
        answered(bytes(spoilt)).reading("a")


@pytest.mark.parametrize("length", range(len(ANSWER)))
def test_an_answer_cut_at_any_byte_is_no_reading(length: int) -> None:
    with pytest.raises(SensorError):
        answered(ANSWER[:length]).reading("a")
