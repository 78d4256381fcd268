"""Power cuts at random moments of one run, made afterwards from the log of what was written to the stick."""

from __future__ import annotations

import random
import subprocess
from dataclasses import dataclass
from pathlib import Path

from tests.stick.partition import data_span, take_from
from tests.stick.write_log import Write, entries, left_by_cut
from verifyrig.core.errors import RecordError
from verifyrig.record import read_trace
from verifyrig.record.check import check_record

SEED = 18


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """What one cut left: samples of the run, how it reads, and what is wrong; empty where nothing is."""

    samples: int
    outcome: str
    wrong: str


def cuts_of(image_before: Path, log: Path, run: str, folder: Path, count: int) -> list[str]:
    """Cut a run at `count` random moments, each twice: with all that was written, and with a cache's part of it.

    Args:
        image_before: The stick as it was before its first write.
        run: The run's id; cuts lie between its first sample and its end.
        folder: For what is unpacked.

    Returns:
        A line for each cut that left something wrong, and a last one that counts.
    """
    whole = entries(log)
    begin, size = data_span(image_before)
    with image_before.open("rb") as file:
        file.seek(begin)
        before = file.read(size)
    draw = random.Random(SEED)
    first = _first_with_samples(whole, before, begin, log, run, folder)
    lines, lost_most, told = [], 0, 0
    for number in range(count):
        upto = draw.randrange(first, len(whole))
        kept = _look(left_by_cut(whole, upto, before, begin, log), run, folder)
        cached = _look(left_by_cut(whole, upto, before, begin, log, draw), run, folder)
        lines += [f"cut {number} after {upto} entries: FAILED: {one.wrong}" for one in (kept, cached) if one.wrong]
        lost_most = max(lost_most, kept.samples - cached.samples)
        told += kept.outcome == cached.outcome == "interrupted"
    flushes = sum(one.is_flush for one in whole)
    lines.append(
        f"{count} cuts, each with and without a cache's loss: {len(lines)} wrong; {told} read as interrupted; "
        f"a cache lost {lost_most} samples at most; {len(whole)} entries, {flushes} flushes"
    )
    return lines


def _first_with_samples(whole: list[Write], before: bytes, begin: int, log: Path, run: str, folder: Path) -> int:
    """Return after how many entries the run's first sample was on the stick."""
    low, high = 0, len(whole)
    while high - low > 1:
        middle = (low + high) // 2
        found = _look(left_by_cut(whole, middle, before, begin, log), run, folder)
        low, high = (low, middle) if found.samples else (middle, high)
    return high


def _look(part: bytes, run: str, folder: Path) -> Left:
    """Put the file system right as the stick's start does, and read the run's record as another computer does."""
    folder.mkdir(parents=True, exist_ok=True)
    image = folder / "part.fat"
    image.write_bytes(part)
    healed = subprocess.run(["fsck.vfat", "-a", "-w", str(image)], capture_output=True, text=True, check=False)
    if healed.returncode not in (0, 1):
        return Left(samples=0, outcome="", wrong=f"fsck.vfat {healed.returncode}: {healed.stdout[-200:]}")
    again = subprocess.run(["fsck.vfat", "-n", str(image)], capture_output=True, text=True, check=False)
    if again.returncode:
        return Left(samples=0, outcome="", wrong=f"not healed: {again.stdout[-200:]}")
    found = list(take_from(str(image), folder / "files").rglob(f"{run}.sqlite"))
    if not found:
        return Left(samples=0, outcome="", wrong="")
    try:
        checked, trace = check_record(found[0]), read_trace(found[0])
    except RecordError as error:
        return Left(samples=0, outcome="", wrong=error.what)
    return Left(
        samples=len(trace.t_s), outcome=str(checked.outcome), wrong=str(checked.damage or checked.altered or "")
    )
