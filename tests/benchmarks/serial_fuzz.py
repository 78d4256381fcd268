"""Serial streams that go wrong: wrong values taken for right ones, by the reader and by what one would write instead.

The alternative is a loop over `readline()` that takes the first number of each line within a sane range.
"""

from __future__ import annotations

import contextlib
import re
import socket
import threading
import time
from typing import Any

from mock_hw.serial.line_faults import FAULTS, FaultPlan
from mock_hw.serial.ports import open_port
from mock_hw.serial.thermometer import Thermometer, constant
from tests.serial_fuzz import STALE_AFTER_S, Stream, given, make_stream, wrong_values
from verifyrig.core.errors import SensorError
from verifyrig.sensors.instruments import open_instruments

SEED = 4_100
CONSTANT_C = 41.5
_FIRST_NUMBER = re.compile(rb"[-+]?\d+\.?\d*(?:[eE][-+]?\d+)?")


def _plain_wrong(stream: Stream) -> int:
    """Count lines whose first number, from -40 to 150, is none that was sent: reading line by line without more."""
    wrong, buffer = 0, b""
    said = {round(v, 6) for _, values in stream.sent for v in values.values()}
    said |= {round(v * 1.8 + 32, 6) for v in said}  # one who reads °F knows it
    for _, piece in stream.pieces:
        if not isinstance(piece, bytes):
            continue
        *lines, buffer = (buffer + piece).split(b"\n")
        for line in lines[-32:]:
            found = _FIRST_NUMBER.search(line.split(b"=")[-1].split(b": ")[-1])
            if found and -40 <= float(found[0]) <= 150 and round(float(found[0]), 6) not in said:
                wrong += 1
    return wrong


def streams(count: int) -> dict[str, Any]:
    """Read many seeded streams on times of their own."""
    wrong_streams, ours, plain, readings = [], 0, 0, 0
    for seed in range(SEED, SEED + count):
        stream = make_stream(seed)
        wrong = wrong_values(stream)
        ours += len(wrong)
        readings += sum(1 for _ in given(stream))
        plain += _plain_wrong(stream)
        if wrong:
            wrong_streams.append(seed)
    return {
        "seed": SEED,
        "streams": count,
        "readings_ok": readings,
        "wrong_values": ours,
        "streams_with_a_wrong_value": wrong_streams[:5],
        "plain_line_reader_wrong_values": plain,
    }


def live(seconds: float) -> dict[str, Any]:
    """Sample a thermometer whose line goes wrong over a real socket in real time, beside a flood of 1 MB/s."""
    port = open_port("socket://127.0.0.1:0")
    plan = FaultPlan(tuple(FAULTS), share=0.3, seed=SEED)
    device = Thermometer(port=port, sources=[constant(CONSTANT_C)], period_s=0.02, faults=plan)
    stop = threading.Event()
    threads = [threading.Thread(target=device.serve, args=(stop,))]
    server = socket.create_server(("127.0.0.1", 0))
    threads.append(threading.Thread(target=_flood, args=(server, stop)))
    for thread in threads:
        thread.start()
    config = [
        {"id": "faulty", "url": port.url, "channels": {"T1": "plate_temp_c"}},
        {"id": "flood", "url": f"socket://127.0.0.1:{server.getsockname()[1]}", "channels": {"T1": "inlet_temp_c"}},
    ]
    sensors = open_instruments({"instrument": config})
    longest_s, given_ok, wrong = 0.0, 0, 0
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        for sensor in sensors:
            began_s = time.monotonic()
            with contextlib.suppress(SensorError):
                taken = sensor.read()
                given_ok += taken.age_s <= STALE_AFTER_S
                wrong += taken.value != CONSTANT_C
            longest_s = max(longest_s, time.monotonic() - began_s)
        time.sleep(0.01)
    for sensor in sensors:
        sensor.close()
    stop.set()
    for thread in threads:
        thread.join()
    server.close()
    return {"seconds": seconds, "readings_ok": given_ok, "wrong_values": wrong, "longest_read_ms": longest_s * 1e3}


def _flood(server: socket.socket, stop: threading.Event) -> None:
    client, _ = server.accept()
    with client, contextlib.suppress(OSError):
        while not stop.is_set():
            client.sendall(b"T1=41.5 C\n" * 1000)
            time.sleep(0.01)


def measure(full: bool = True) -> dict[str, Any]:
    """Return wrong values of both readers, and the longest that a reading took on live lines."""
    found = streams(10_000 if full else 300)
    return {
        "simulated_hardware": True,
        "streams": found,
        "live": live(30.0 if full else 3.0),
        "ratio": found["wrong_values"] / max(found["plain_line_reader_wrong_values"], 1),
    }
