"""A small program that records made-up samples for ever, to be killed or traced while it does.

python recorder_child.py nursery                 reads record paths from stdin; forks one recorder for each
python recorder_child.py paced PATH SAMPLES      records so many, tells each one that is durable, closes
"""

from __future__ import annotations

import itertools
import json
import os
import signal
import struct
import sys
import time
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from verifyrig.core.errors import RecordError
from verifyrig.core.event_kind import EventKind
from verifyrig.core.interfaces import Quality, Reading
from verifyrig.core.trace import Trace
from verifyrig.record import open_record, store

CHANNELS = ("die_temp_c", "cpu_fan_speed_rpm", "package_power_w")
PERIOD_S = 0.02
UTC_S = 1_700_000_000.0
_ACKS = struct.Struct("<qq")


def die_c(i: int) -> float:
    """The made-up temperature of sample i, one that no interpolation would give."""
    return 40.0 + (i * 7919 % 1000) / 37.0


def readings(i: int) -> dict[str, Reading]:
    quality = Quality.STALE if i % 40 >= 35 else Quality.OK
    return {
        "die_temp_c": Reading(value=die_c(i), quality=quality),
        "cpu_fan_speed_rpm": Reading(value=1200.0 + i % 5),
        "package_power_w": Reading(value=None if i % 9 == 0 else 20.5),
    }


def is_whole_prefix(trace: Trace) -> bool:
    """Whether the samples are the first ones of this program, none changed, none left out."""
    return all(
        t == i * PERIOD_S and utc == UTC_S + i and die == die_c(i)
        for i, (t, utc, die) in enumerate(zip(trace.t_s, trace.utc_s, trace.columns["die_temp_c"], strict=True))
    )


def acks_path(path: Path) -> Path:
    return path.with_name(path.name + ".acks")


def read_acks(path: Path) -> tuple[int, int]:
    """Return how many samples were handed over, and how many of them had been acknowledged, when last told."""
    try:
        return _ACKS.unpack(acks_path(path).read_bytes())
    except (OSError, struct.error):
        return 0, 0


def record_for_ever(path: Path) -> None:
    """Record at 50 Hz on the real clock; tell in a file, which outlives a kill, how far it is."""
    acks = os.open(acks_path(path), os.O_CREAT | os.O_RDWR)
    writer = open_record(path, facts={"run": path.stem}, profile_text=None, channels=CHANNELS, live=True)
    writer.stage_started("idle", "idle", 0.0)
    begin_s, i = time.monotonic(), 0
    while True:
        # The handing over is told before it is done, the acknowledgement after: a kill in between is on the safe side.
        os.pwrite(acks, _ACKS.pack(i + 1, writer.durable_samples), 0)
        writer.sample(i * PERIOD_S, UTC_S + i, readings(i))
        if i % 25 == 24:
            writer.event(i * PERIOD_S, EventKind.LOAD, {"share": (i // 25) % 2})
        i += 1
        time.sleep(max(0.0, begin_s + i * PERIOD_S - time.monotonic()))


def nursery() -> None:
    """Fork a recorder for each path on stdin and print its process id; importing once saves most of the time."""
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            record_for_ever(Path(line.strip()))
        print(child, flush=True)
    # The recorders are killed from outside; what is left of them is collected here.
    try:
        while True:
            os.wait()
    except ChildProcessError:
        pass


def record_paced(path: Path, samples: int) -> None:
    """Record, wait for each sample to be durable, and say so in one write to stdout."""
    writer = open_record(path, facts={"run": path.stem}, profile_text=None, channels=CHANNELS, live=True)
    os.write(1, b"ack 0\n")
    writer.stage_started("idle", "idle", 0.0)
    for i in range(samples):
        writer.sample(i * PERIOD_S, UTC_S + i, readings(i))
        if not writer.wait_until_durable(i + 1, 60.0):
            writer.lag_s()
        os.write(1, f"ack {i + 1}\n".encode())
    writer.stage_ended("idle", samples * PERIOD_S, "time")
    writer.fact("outcome", "completed")
    writer.close()
    os.write(1, b"closed\n")


def record_until_it_fails(path: Path) -> None:
    """Record until writing fails, for a minute at most; tell each acknowledged sample, then how the writer fails."""
    writer = open_record(path, facts={"run": path.stem}, profile_text=None, channels=CHANNELS, live=True)
    writer.stage_started("idle", "idle", 0.0)
    told, begin_s, longest_s = 0, time.monotonic(), 0.0
    for i in itertools.count():
        before_s = time.monotonic()
        writer.sample(i * PERIOD_S, UTC_S + i, readings(i))
        longest_s = max(longest_s, time.monotonic() - before_s)
        if writer.durable_samples > told:
            told = writer.durable_samples
            print("ack", told, flush=True)
        try:
            writer.lag_s()
        except RecordError as error:
            print("failed", json.dumps(error.as_json()), flush=True)
            break
        if time.monotonic() - begin_s > 60:
            return
        time.sleep(0.002)
    print("longest wait", longest_s, flush=True)
    try:
        writer.close()
    except RecordError:
        print("not closed", flush=True)


def limit_file_size(size_bytes: int) -> None:
    """Let no file of this process grow beyond a size: writing then fails as on a full disk (setrlimit(2))."""
    import resource

    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, size_bytes))


if __name__ == "__main__":
    if os.environ.get("RECORDER_SYNCHRONOUS"):
        store.SYNCHRONOUS_LIVE = os.environ["RECORDER_SYNCHRONOUS"]
    if sys.argv[1] == "nursery":
        nursery()
    elif sys.argv[1] == "failing":
        if len(sys.argv) > 3:
            limit_file_size(int(sys.argv[3]))
        record_until_it_fails(Path(sys.argv[2]))
    else:
        record_paced(Path(sys.argv[2]), int(sys.argv[3]))
