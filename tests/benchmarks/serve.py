"""The bench computer: what twelve places cost it, how soon the page knows, how soon a load ends; kills of either side.

Against what a user would do instead: look at each machine's own screen. The physical limit beside each figure is the
pace itself: ten samples a second and place. All runs on this one computer, so the share of the processor is the
service's own, measured beside twelve programs that record and twelve that send.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import random
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
import psutil

from tests.bad_cable import why_not
from tests.link_ends import end_many
from tests.link_kills import Child, kill_many
from tests.test_link import odd_messages
from tests.two_computers import Computer, Served, wait_for
from verifyrig.serve.seen import read_seen

_PLACES, _HZ, _CHANNELS = 12, 10.0, 40
_PORT = 8819


def measure(full: bool = True) -> dict[str, Any]:
    """Return the figures; ten minutes of twelve places, 100 kills and 10 000 odd messages in full."""
    with tempfile.TemporaryDirectory() as folder:
        busy = _twelve_places(Path(folder) / "busy", duration_s=600.0 if full else 20.0)
        killed = kill_many(Path(folder) / "kills", 100 if full else 5, seed=19)
        odd = _odd(Path(folder) / "odd", 10_000 if full else 500)
        ends = _real_ends(Path(folder) / "ends", *((300, 60) if full else (5, 2))) if not why_not() else why_not()
    return {"twelve_places": busy, "kills": {**killed, "faults": len(killed["faults"])}, "odd_messages": odd,
            "real_loads": ends}  # fmt: skip


def _real_ends(folder: Path, ends: int, silences: int) -> dict[str, Any]:
    """Return how soon a real load was off, seen from outside: ended from the page, and after the cable was cut, ms."""
    found = end_many(folder, ends, silences)
    shown = {}
    for name in ("ended_s", "said_on_page_s", "silent_s"):
        ms = 1000 * np.array(found[name])
        figures = [round(float(v), 1) for v in (*np.quantile(ms, [0.5, 0.99]), ms.max())]
        shown[f"{name.removesuffix('_s')}_ms_p50_p99_max"] = figures
    return {**shown, "ends": ends, "silences": silences, "outcomes": found["outcomes"]}


class _PageReader(threading.Thread):
    """A browser's place: reads the live events, and notes when each panel came."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        self._connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        self.came: dict[str, list[float]] = {}
        self.bytes_read = 0

    def run(self) -> None:
        self._connection.request("GET", "/live")
        answer = self._connection.getresponse()
        with contextlib.suppress(OSError, ValueError, AttributeError):
            for line in answer:
                self.bytes_read += len(line)
                if line.startswith(b"data: ") and b'"html": "<article' in line:
                    self.came.setdefault(json.loads(line[6:])["id"], []).append(time.monotonic())


def _twelve_places(folder: Path, duration_s: float) -> dict[str, Any]:
    bench, machine = Computer(folder / "bench"), Computer(folder / "machine")
    machine.env["XDG_CONFIG_HOME"] = bench.env["XDG_CONFIG_HOME"]
    served = Served(bench, "127.0.0.1", _PORT)
    served.start()
    child = Child(machine, machine.bench / "runs", places=_PLACES, hz=_HZ, channels=_CHANNELS)
    try:
        wait_for(lambda: len(child.said) == _PLACES and all(sent > 0 for _, sent in child.said.values()))
        cookie = _paired(served)
        page = _PageReader(_PORT + 1)
        page.start()
        service = psutil.Process(served.process.pid if served.process is not None else 0)
        service.cpu_percent()
        began_s, cpu, lag = time.monotonic(), service.cpu_times(), 0
        waited_s = _waited_for_processor_s(service.pid)
        memory_mb: list[float] = []
        runs = list(child.said)
        while time.monotonic() - began_s < duration_s:
            time.sleep(0.5)
            memory_mb.append(service.memory_info().rss / 1e6)
            lag = max(lag, *(recorded - sent for recorded, sent in child.said.values()))
            _end(random.choice(runs), cookie)
        took_s = time.monotonic() - began_s
        used = service.cpu_times()
        waited_s = _waited_for_processor_s(service.pid) - waited_s
        gaps = np.concatenate([np.diff(times) for times in page.came.values() if len(times) > 1])
        time.sleep(1.0)
        twins = served.twins()
        ends_ms = [
            1000 * float(s.detail["took_s"]) for run in runs for s in read_seen(twins[run], "load-ended", 100_000)
        ]
    finally:
        child.end()
        if served.process is not None:
            served.process.terminate()
            served.process.communicate()
    return {
        "seconds": took_s,
        "cpu_share_of_one_core": (used.user + used.system - cpu.user - cpu.system) / took_s,
        "waited_for_a_processor_share": waited_s / took_s,  # what of the gaps is the machine's other work
        "memory_mb_start_end": [round(memory_mb[0], 1), round(memory_mb[-1], 1)],
        "samples_behind_at_most": lag,
        "page_gap_s_p50_p99_max": [round(float(v), 3) for v in (*np.quantile(gaps, [0.5, 0.99]), gaps.max())],
        "page_kb_per_s": page.bytes_read / took_s / 1000,
        "end_of_load_ms_p50_p99_max": [round(float(v), 1) for v in (*np.quantile(ends_ms, [0.5, 0.99]), max(ends_ms))],
        "ends_of_load": len(ends_ms),
        "load_of_this_computer": psutil.getloadavg()[0],
    }


def _waited_for_processor_s(pid: int) -> float:
    """Return how long all threads of a process were ready and had no processor (kernel document sched-stats), s."""
    stats = (one.read_text().split() for one in Path(f"/proc/{pid}/task").glob("*/schedstat"))
    return sum(int(words[1]) for words in stats) / 1e9


def _paired(served: Served) -> str:
    connection = http.client.HTTPConnection("127.0.0.1", served.port + 1, timeout=10)
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    connection.request("POST", "/unlock", f"code={served.new_code()}", form)
    return (connection.getresponse().getheader("set-cookie") or "").partition(";")[0]


def _end(run: str, cookie: str) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", _PORT + 1, timeout=10)
    connection.request("POST", f"/places/{run}/end", headers={"Cookie": cookie, "X-Bench": "1"})
    connection.getresponse().read()
    connection.close()


def _odd(folder: Path, n: int) -> dict[str, Any]:
    """Send odd messages over real connections, and look whether the service still takes a run."""
    import asyncio

    from verifyrig.link.session import socket_to

    bench = Computer(folder / "bench")
    served = Served(bench, "127.0.0.1", _PORT + 10)
    served.start()
    rng = random.Random(10_000)
    refused = 0

    async def send() -> None:
        nonlocal refused
        for text in odd_messages(rng, n):
            async with socket_to("127.0.0.1", _PORT + 10, rng.choice(("/link", "/link", "/pair"))) as (socket, _):
                await socket.send(text)
                with contextlib.suppress(Exception):
                    async for answer in socket:
                        refused += "refused" in str(answer)

    try:
        began_s = time.monotonic()
        asyncio.run(send())
        took_s = time.monotonic() - began_s
        machine = Computer(folder / "machine")
        machine.env["XDG_CONFIG_HOME"] = bench.env["XDG_CONFIG_HOME"]
        after = machine.run("run", "quick-look", "--mock", "healthy-air", "--bench-computer", "auto", "--json")
    finally:
        if served.process is not None:
            served.process.terminate()
            served.process.communicate()
    return {"sent": n, "refused": refused, "per_s": n / took_s, "run_afterwards": after.returncode,
            "twins_afterwards": len(served.twins())}  # fmt: skip
