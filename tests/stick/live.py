"""Power cuts while a run is on: the emulator is killed, and what it held back of the stick's writes is lost.

The stick is a qcow2 file over the image: where a block lies is written down in it only as the guest flushes, or later,
so that a killed emulator loses a part of what was written after the last flush, as a stick's own cache does.
"""

from __future__ import annotations

import random
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

from tests.stick.cuts import SEED
from tests.stick.guest import Guest
from tests.stick.partition import is_dirty
from tests.stick.trials import HERE, SOUND_K, Bench, Runs, heated_guest, records_on, until
from verifyrig.core.errors import RecordError
from verifyrig.record import read_trace
from verifyrig.record.check import check_record

CUTS = 20
_LONGEST_S = 25.0
# In the guest: says each time that samples were committed how many, and when by its own clock.
_WATCH = """
import sqlite3, sys, time
path, told = sys.argv[1], 0
while True:
    try:
        with sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=0.2) as record:
            count, last = record.execute("SELECT count(*), max(t_s) FROM sample").fetchone()
    except sqlite3.Error:
        count = 0
    if count > told:
        told = count
        print(f"HAS {count} {last:.1f} END", flush=True)
    time.sleep(0.2)
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """One cut: the run, and how many samples of it were committed as the guest last said."""

    run: str
    committed: int


def live_cuts(bench: Bench, count: int = CUTS) -> None:
    """Cut the power at random moments of a run each; the next start tells of it, and is that of the next cut."""
    files = {"trial/watch.py": _WATCH, "trial/profiles/idle.toml": (HERE / "idle.toml").read_text()}
    stick = bench.copy("live", files)
    seen = bench.seen.setdefault("live", [])
    draw = random.Random(SEED)
    last: Cut | None = None
    for number in range(count + 1):
        drive = _over(stick)
        with heated_guest(bench, stick, "live", full_k=SOUND_K, drive=drive) as (guest, _):
            if last is not None:
                seen.append(f"cut {number}: {_told_of(guest, last)}")
                print(seen[-1], flush=True)
            if number == count:
                guest.shell("sync; mount -o remount,ro /bench")
                guest.cut_power()
                break
            last = _cut(guest, draw.uniform(0.0, _LONGEST_S))
        _settle(stick)
        dirty = is_dirty(stick)
        seen.append(f"cut {number + 1}: {_left(bench, stick, last)}; dirty {dirty}")
        print(seen[-1], flush=True)


def _over(stick: Path) -> str:
    """Lay an empty file over the stick; return the drive's options."""
    over = stick.with_suffix(".qcow2")
    words = [
        "qemu-img",
        "create",
        "-q",
        "-f",
        "qcow2",
        "-o",
        "cluster_size=4096,backing_fmt=raw",
        "-b",
        str(stick),
        str(over),
    ]
    subprocess.run(words, check=True)
    return f"format=qcow2,file={over}"


def _settle(stick: Path) -> None:
    """Put what the killed emulator left of the upper file into the lower one."""
    subprocess.run(["qemu-img", "commit", "-q", str(stick.with_suffix(".qcow2"))], check=True)


def _cut(guest: Guest, after_s: float) -> Cut:
    runs = Runs(guest)
    before = set(guest.shell("ls /bench/trial/runs 2>/dev/null").split())
    runs.start("idle")

    def begun() -> set[str]:
        return {name for name in guest.shell("ls /bench/trial/runs").split() if name.endswith(".sqlite")} - before

    until(lambda: bool(begun()), "the record", every_s=3.0)
    (record,) = begun()
    guest.send(f"python3 /bench/trial/watch.py /bench/trial/runs/{record} &\r")
    guest.wait_for(r"HAS \d+ [\d.]+ END")
    time.sleep(after_s)
    guest.cut_power()
    return Cut(run=record.partition(".")[0], committed=max(_counts(guest)))


def _counts(guest: Guest) -> list[int]:
    """Return the numbers of samples that the guest said; a serial line that doubles a sign is passed over."""
    import re

    found = [int(number) for number in re.findall(r"HAS (\d+) [\d.]+ END", guest.said())]
    return [number for at, number in enumerate(found) if number <= at + max(found[:1]) + 20]


def _left(bench: Bench, stick: Path, cut: Cut) -> str:
    """Return what another computer reads of the run that was cut, before any start has healed anything."""
    path = records_on(bench, stick, "live").get(cut.run)
    if path is None:
        return f"{cut.run}: FAILED: no record, {cut.committed} samples were committed"
    try:
        checked, samples = check_record(path), len(read_trace(path).t_s)
    except RecordError as error:
        return f"{cut.run}: FAILED: {error.what}; {cut.committed} samples were committed"
    lost = "" if samples >= cut.committed else "FAILED: "
    wrong = checked.damage or checked.altered or ""
    return f"{cut.run}: {lost}{samples} samples, {cut.committed} said as committed, {checked.outcome} {wrong}".strip()


def _told_of(guest: Guest, cut: Cut) -> str:
    """Return what the start says of the cut."""
    word = guest.shell("cat /run/verifyrig-stick/data.word")
    line = guest.shell(f"verifyrig runs --bench /bench/trial 2>&1 | grep -a {cut.run[-4:]} | head -n 2")
    return f"next start: file system {word}; told: {line[:200]}"
