"""Records under a tracer, cuts the power at many moments of the trace, and reads what each cut leaves."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from tests.disk_model import Disk, Step, replay
from tests.recorder_child import is_whole_prefix
from verifyrig.core.errors import RecordError
from verifyrig.record import read_trace
from verifyrig.record.check import check_record

NAME = "r.sqlite"
_CALLS = "openat,open,creat,write,pwrite64,pwritev,writev,fsync,fdatasync,ftruncate,unlink,unlinkat"
_ALWAYS_FIRST, _ALWAYS_AFTER_MAIN = 25, 3


@dataclass(slots=True)
class Cuts:
    """What all cuts found: how many states, of which kinds, and the faults in words."""

    states: Counter[str] = field(default_factory=Counter)
    checkpoints: int = 0
    faults: list[str] = field(default_factory=list)


def can_trace() -> str:
    """Return why system calls cannot be traced here; empty where they can."""
    strace = shutil.which("strace")
    if strace is None:
        return "strace is not installed"
    done = subprocess.run([strace, "-o", os.devnull, "true"], capture_output=True, check=False)
    return "" if done.returncode == 0 else "this system lets no program be traced"


def trace_recorder(folder: Path, samples: int, *, synchronous: str = "") -> Path:
    """Record so many samples into `folder` under the tracer; return the file of the trace."""
    folder.mkdir()
    trace = folder.with_name(folder.name + ".trace")
    child = [
        sys.executable,
        str(Path(__file__).with_name("recorder_child.py")),
        "paced",
        str(folder / NAME),
        str(samples),
    ]
    words = ["strace", "-f", "-y", "-xx", "-s", "200000", "-e", f"trace={_CALLS}", "-o", str(trace), *child]
    environment = {**os.environ, "RECORDER_SYNCHRONOUS": synchronous}
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL, env=environment, timeout=300)
    return trace


def cut_everywhere(trace: Path, folder: Path, scratch: Path, share: float, rng: random.Random) -> Cuts:
    """Cut the power after a share of the steps of the trace, each in three ways, and judge what is left.

    The making and closing of the record and all that has to do with a checkpoint are cut at every step.
    """
    cuts, disk = Cuts(), Disk(str(folder))
    acknowledged: int | None = None
    closed, since_main = False, 99
    for number, step in enumerate(replay(trace, folder, disk)):
        acknowledged, closed = _listen(step, acknowledged, closed)
        since_main = 0 if step.what == NAME else since_main + 1
        cuts.checkpoints += step.what == NAME
        if number > _ALWAYS_FIRST and since_main > _ALWAYS_AFTER_MAIN and rng.random() >= share:
            continue
        for how in ("least", "most", "torn"):
            fault = _judge(disk.after_cut(how, rng), scratch, acknowledged, closed)
            cuts.states[how] += 1
            if fault:
                cuts.faults.append(f"step {number}, {how}, {acknowledged} acknowledged: {fault}")
    return cuts


def _listen(step: Step, acknowledged: int | None, closed: bool) -> tuple[int | None, bool]:
    if step.kind != "said":
        return acknowledged, closed
    if step.what == "closed":
        return acknowledged, True
    return int(step.what.removeprefix("ack ")), closed


def _judge(content: dict[str, bytes], scratch: Path, acknowledged: int | None, closed: bool) -> str:
    """Return what is wrong with a disk state; empty where nothing is."""
    shutil.rmtree(scratch, ignore_errors=True)
    scratch.mkdir()
    for name, data in content.items():
        if not name.endswith("-shm"):  # memory shared by processes; it does not outlive the power
            (scratch / name).write_bytes(data)
    path = scratch / NAME
    if acknowledged is None:
        return _judge_unborn(path)
    if not path.exists():
        return "there is no record"
    try:
        check, trace = check_record(path), read_trace(path)
    except RecordError as error:
        return str(error)
    if check.damage or check.altered is not None:
        return f"{check.damage} {check.altered}"
    if not is_whole_prefix(trace):
        return "the samples are no prefix"
    if not acknowledged <= check.samples <= acknowledged + 1:
        return f"{check.samples} samples"
    return "not sealed" if closed and not check.sealed else ""


def _judge_unborn(path: Path) -> str:
    """Before the record was there for certain nothing is promised, but that reading ends in words."""
    try:
        check_record(path)
        read_trace(path)
    except RecordError:
        pass
    return ""
