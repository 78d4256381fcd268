"""Kills either side of a link at random moments, and holds what was acknowledged against what is there afterwards."""

from __future__ import annotations

import contextlib
import json
import random
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
import psutil

from tests.two_computers import Computer, Served, free_port, wait_for
from verifyrig.record import read_trace
from verifyrig.record.check import check_record

_CHANNELS = 6


class Child:
    """The program that records and sends; the newest numbers that it said."""

    def __init__(
        self, machine: Computer, folder: Path, *, places: int = 1, hz: float = 20, channels: int = _CHANNELS
    ) -> None:
        self.said: dict[str, list[int]] = {}
        words = (str(folder), "auto", str(places), str(hz), str(channels))
        self.process = machine.start(
            *words, program=(sys.executable, "-m", "tests.link_child"),
            stdin=subprocess.PIPE, stderr=None,
        )  # fmt: skip
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()

    def _listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with contextlib.suppress(ValueError):
                self.said = json.loads(line)

    def senders(self) -> list[psutil.Process]:
        """Return the programs that send."""
        with contextlib.suppress(psutil.Error):
            return psutil.Process(self.process.pid).children()
        return []

    def end(self) -> None:
        """Let it close its records."""
        assert self.process.stdin is not None
        with contextlib.suppress(OSError):
            self.process.stdin.close()
        self._reap()

    def kill(self) -> None:
        """Kill it as `kill -9` does; the programs that send live on for a while."""
        self.process.kill()
        self._reap()

    def _reap(self) -> None:
        self.process.wait(60)
        self._listener.join(60)
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()


def kill_many(folder: Path, kills: int, seed: int) -> dict[str, Any]:
    """Kill so often; return what was lost, doubled or out of order (nothing, where all is right), and the counts.

    Each turn kills the service, the program that sends, or the program that records; after the last turn one more run
    of the same computer sends what was left.
    """
    rng = random.Random(seed)
    bench, machine = Computer(folder / "bench"), Computer(folder / "machine")
    machine.env["XDG_CONFIG_HOME"] = bench.env["XDG_CONFIG_HOME"]
    records = machine.bench / "runs"
    served = Served(bench, "127.0.0.1", free_port())
    served.start()
    acked: dict[str, int] = {}
    counts = {"service": 0, "sender": 0, "recorder": 0}
    turns: list[str] = []
    child = Child(machine, records)
    try:
        for _ in range(kills):
            _wait_until_acknowledged(child)
            time.sleep(rng.uniform(0.02, 0.6))
            turns = turns or rng.sample(tuple(counts), len(counts))  # of three kills in a row each side has one
            what = turns.pop()
            counts[what] += 1
            if what == "service":
                served.kill()
                served.start()
            elif what == "sender":
                for process in child.senders():
                    with contextlib.suppress(psutil.Error):
                        process.kill()
            else:
                child.kill()
                acked |= {run: sent for run, (_, sent) in child.said.items()}
                child = Child(machine, records)
        child.end()
        acked |= {run: sent for run, (_, sent) in child.said.items()}
        last = Child(machine, records)  # sends what earlier ones left
        outbox = Path(machine.env["XDG_CONFIG_HOME"]) / "verifyrig" / "link" / "outbox"
        wait_for(lambda: not set(acked) & {path.stem for path in outbox.glob("*.json")})
        last.end()
    finally:
        child.kill()
        served.process.terminate() if served.process is not None else None
        served.process.communicate() if served.process is not None else None
    faults = [fault for run, sent in acked.items() for fault in _faults(records / f"{run}.sqlite", served, run, sent)]
    return {"faults": faults, "runs": len(acked), "acknowledged": sum(acked.values()), "kills": counts}


def _wait_until_acknowledged(child: Child) -> None:
    """Wait until more is acknowledged than was at the last kill."""
    before = max((sent for _, sent in child.said.values()), default=0)
    wait_for(lambda: any(sent > before + 3 for _, sent in child.said.values()))


def _faults(record: Path, served: Served, run: str, sent: int) -> list[str]:
    twin = served.twins().get(run)
    if twin is None:
        return [f"{run}: no twin of {sent} samples"] if sent else []
    own, other = read_trace(record), read_trace(twin)
    faults = []
    if len(other.t_s) < sent:
        faults.append(f"{run}: {sent} acknowledged, {len(other.t_s)} there")
    if not np.array_equal(own.t_s[: len(other.t_s)], other.t_s) or not np.all(np.diff(other.t_s) > 0):
        faults.append(f"{run}: doubled, lost or swapped")
    if len(other.t_s) != len(own.t_s):
        faults.append(f"{run}: {len(own.t_s)} recorded, {len(other.t_s)} sent in the end")
    if check_record(twin).altered is not None:
        faults.append(f"{run}: {check_record(twin).altered}")
    return faults
