"""What the supervising process and a worker say to each other: settings at the start, then one line a message.

To the worker:    `beat` · `share SHARE AT_S` · `stop`
From the worker:  `note TEXT` · `ready` · `refused WHAT | MEND` · `count WORK CHECKS ERRORS` · `fault AT_S DETAIL`

`AT_S` is on `clock_s`, which all processes of a machine share. Counts are totals since the worker came up.
"""

from __future__ import annotations

import json
import time
from dataclasses import asdict, dataclass
from typing import NamedTuple

from verifyrig.core.reason import Reason, reason_of_json

# Lines of at most this length are written whole or not at all (POSIX: PIPE_BUF is at least 512).
LINE_LIMIT_BYTES = 480

# A block of work lasts about this long at most; the contract allows 20 ms.
BLOCK_S = 0.014
BEAT_LIMIT_S = 2.0
FIRST_BEAT_LIMIT_S = 10.0


def clock_s() -> float:
    """Return seconds on a clock that is the same in every process of this machine (CLOCK_MONOTONIC, or its like)."""
    return time.perf_counter()


def beat_clock_s() -> float:
    """Return seconds on a clock that also counts suspended time where the system has one (CLOCK_BOOTTIME)."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkerSettings:
    """What a worker gets when it is started.

    Attributes:
        work: Name of the work.
        index: Number of the worker among its siblings, from 0.
        pinned_to: Logical processors that it may use; empty leaves it to the system.
        parent_pid: Its supervising process; another parent means that this one is gone.
        memory_bytes: Size of its buffer, for works that fill memory.
        storage_dir: Folder for works that write to disk.
        card: Which graphics processor, for works that run on one; empty takes the first.
        beat_limit_s: Age of the last heartbeat at which it ends itself, s.
    """

    work: str
    index: int = 0
    pinned_to: tuple[int, ...] = ()
    parent_pid: int = 0
    memory_bytes: int = 0
    storage_dir: str | None = None
    card: str = ""
    beat_limit_s: float = BEAT_LIMIT_S

    def to_json(self) -> str:
        """Return the settings as one command-line word."""
        return json.dumps(asdict(self))

    @classmethod
    def from_json(cls, text: str) -> WorkerSettings:
        """Return the settings that `to_json` wrote."""
        values = json.loads(text)
        return cls(**{**values, "pinned_to": tuple(values["pinned_to"])})


class Counts(NamedTuple):
    """Totals of one worker since it came up."""

    work: float = 0.0
    checks: int = 0
    errors: int = 0


def share_line(share: float, at_s: float) -> bytes:
    """Return the command that sets the duty share at a moment of `clock_s`."""
    return f"share {share:.6f} {at_s:.6f}\n".encode()


def count_line(counts: Counts) -> bytes:
    """Return the report of totals."""
    return f"count {counts.work:.12g} {counts.checks} {counts.errors}\n".encode()


def fault_line(at_s: float, detail: str) -> bytes:
    """Return the report of one wrong result, cut to the length of a line that arrives whole."""
    return _fitted(f"fault {at_s:.6f} {detail}")


def note_line(note: Reason) -> bytes:
    """Return the report of something that the worker could not do as it should."""
    return _fitted(f"note {json.dumps(note.as_json())}")


def note_of(said: str) -> list[Reason]:
    """Return what `note_line` said behind its word; none where the line was cut off."""
    try:
        note = reason_of_json(json.loads(said))
    except ValueError:
        return []
    return [] if note is None else [note]


def refused_line(what: str, mend: str) -> bytes:
    """Return the report of a worker that cannot do what it was asked."""
    return _fitted(f"refused {what} | {mend}")


def _fitted(text: str) -> bytes:
    flat = " ".join(text.split())
    return flat.encode("utf-8", "replace")[:LINE_LIMIT_BYTES] + b"\n"


class Lines:
    """Cuts bytes that arrive in any pieces into whole lines."""

    def __init__(self) -> None:
        self._partial = b""

    def feed(self, data: bytes) -> list[str]:
        """Return the lines that the new bytes complete, without their ends."""
        *whole, self._partial = (self._partial + data).split(b"\n")
        return [line.decode("utf-8", "replace") for line in whole]
