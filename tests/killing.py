"""Kills recording programs at random moments and reads what they left; for a test and for a benchmark."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from tests.recorder_child import is_whole_prefix, read_acks
from verifyrig.core.errors import RecordError
from verifyrig.record import read_trace
from verifyrig.record.check import check_record

_RECORDING_SHARE = 0.85


@dataclass(frozen=True, slots=True, kw_only=True)
class Death:
    """What one killed recorder left.

    Attributes:
        lived_s: From the start of the recorder to the kill.
        handed_over: Samples given to the writer; one more may be told than was given.
        acknowledged: Samples that the writer had called durable.
        samples: Samples in the record.
        fault: What is wrong with the record; empty where nothing is.
    """

    lived_s: float
    handed_over: int
    acknowledged: int
    samples: int
    fault: str


def kill_recorders(folder: Path, kills: int, rng: random.Random, *, at_most_s: float, at_once: int) -> list[Death]:
    """Start recorders, `at_once` at a time, kill each after a random time, and read the records."""
    deaths: list[Death] = []
    words = [sys.executable, str(Path(__file__).with_name("recorder_child.py")), "nursery"]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as nursery:
        assert nursery.stdin is not None and nursery.stdout is not None
        for begin in range(0, kills, at_once):
            paths = [folder / f"r{i}.sqlite" for i in range(begin, min(begin + at_once, kills))]
            living: list[tuple[float, float, int, Path]] = []
            for path in paths:
                nursery.stdin.write(f"{path}\n")
                nursery.stdin.flush()
                living.append((0.0, time.monotonic(), int(nursery.stdout.readline()), path))
            for i, (_, born_s, pid, path) in enumerate(living):
                # Some die while the record is being made; most once it is there.
                if rng.random() < _RECORDING_SHARE:
                    wait_for_acks(path, 1)
                living[i] = (time.monotonic() + rng.uniform(0.0, at_most_s), born_s, pid, path)
            for at_s, born_s, pid, path in sorted(living):
                time.sleep(max(0.0, at_s - time.monotonic()))
                os.kill(pid, signal.SIGKILL)
                deaths.append(_autopsy(path, pid, time.monotonic() - born_s))
        nursery.stdin.close()
    return deaths


def _autopsy(path: Path, pid: int, lived_s: float) -> Death:
    wait_until_dead(pid)
    handed_over, acknowledged = read_acks(path)
    samples, fault = 0, ""
    if path.exists():
        samples, fault = _read(path, acknowledged)
    for beside in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")):
        beside.unlink(missing_ok=True)
    return Death(lived_s=lived_s, handed_over=handed_over, acknowledged=acknowledged, samples=samples, fault=fault)


def wait_for_acks(path: Path, samples: int) -> None:
    """Wait until the recorder has told of so many acknowledged samples."""
    deadline_s = time.monotonic() + 60
    while read_acks(path)[1] < samples and time.monotonic() < deadline_s:
        time.sleep(0.01)


def wait_until_dead(pid: int) -> None:
    """Wait until the kernel has taken the process away or left only its name (a zombie holds no files)."""
    deadline_s = time.monotonic() + 30
    while time.monotonic() < deadline_s:
        try:
            state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
        except (OSError, IndexError):
            return
        if state in "ZX":
            return
        time.sleep(0.001)


def _read(path: Path, acknowledged: int) -> tuple[int, str]:
    try:
        trace = read_trace(path)
        check = check_record(path)
    except RecordError as error:
        # Killed while the record was being made: nothing was acknowledged yet, and nothing is promised.
        return 0, "" if acknowledged == 0 and not _had_schema(path) else str(error)
    if not is_whole_prefix(trace):
        return len(trace.t_s), "the samples are no prefix of what was recorded"
    if not check.whole or check.altered is not None or check.sealed:
        return len(trace.t_s), f"the check finds {check}"
    if trace.facts["outcome"] != "interrupted":
        return len(trace.t_s), f"the outcome is {trace.facts['outcome']}"
    return len(trace.t_s), ""


def _had_schema(path: Path) -> bool:
    return b"CREATE TABLE sample" in path.read_bytes()
