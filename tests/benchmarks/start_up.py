"""How long `verifyrig --help` takes, beside the bare interpreter, on a warm disk."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from typing import Any


def _seconds(words: list[str]) -> float:
    started = time.perf_counter()
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL, stdin=subprocess.DEVNULL)
    return time.perf_counter() - started


def measure(full: bool = True) -> dict[str, Any]:
    """Return medians in ms, interleaved, and their ratio."""
    ours, bare = [], []
    for _ in range(30 if full else 5):
        ours.append(_seconds([sys.executable, "-m", "verifyrig", "--help"]))
        bare.append(_seconds([sys.executable, "-c", "pass"]))
    help_ms, bare_ms = 1000 * statistics.median(ours), 1000 * statistics.median(bare)
    return {"help_ms": help_ms, "python_c_pass_ms": bare_ms, "ratio": help_ms / bare_ms, "runs": len(ours)}
